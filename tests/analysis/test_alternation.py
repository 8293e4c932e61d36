"""Periodic alternation: its period and when the nystagmus reverses."""

from __future__ import annotations

import pytest

from analysis.alternation import alternation
from analysis.battery import procedure_named
from capture.simulation.patterns import Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import lead


class TestAlternation:
    @pytest.mark.parametrize("way", [1.0, -1.0])
    def test_period_and_reversals(self, way: float) -> None:
        """Half a period of 90 s, from its greatest velocity on: reversals at 45, 135 and 225 s."""
        patient = Pattern(spontaneous_dps=(way * 12.0, 0.0, 0.0), half_period_s=90.0)
        led = lead(procedure_named("periodic_alternation"), patient, 3, {"right": Seeing(rate_hz=60.0)})
        result = led.result()
        found = {f.key: f for f in result.findings}
        assert found["alternation_period"].value == pytest.approx(180.0, abs=3.0)
        assert found["reversals"].value == 3.0
        for k, at_s in enumerate((45.0, 135.0, 225.0)):
            assert found[f"reversal_{k + 1}"].value == pytest.approx(at_s, abs=2.0)
        assert any("periodic alternating" in text for text in result.fits)

    def test_a_nystagmus_that_keeps_its_direction_has_none(self) -> None:
        patient = Pattern(spontaneous_dps=(8.0, 0.0, 0.0))
        led = lead(procedure_named("periodic_alternation"), patient, 4, {"right": Seeing(rate_hz=60.0)})
        result = led.result()
        found = {f.key: f for f in result.findings}
        assert found["reversals"].value == 0.0
        assert found["alternation_period"].reason == "0 reversals, 2 needed"
        assert result.fits == ()

    def test_too_short_too_few_and_a_mistake(self) -> None:
        assert alternation((), 0, 0.0, 100.0) == "100 s recorded, 180 needed"
        assert alternation((), 0, 0.0, 200.0) == "0 beats, 6 needed"
        with pytest.raises(ValueError, match="end_s"):
            alternation((), 0, 5.0, 5.0)
