"""What an earlier Driftbeat sealed opens for good: nobody can record that patient's attack again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recordings.sealed import open_recording
from recordings.verify import verify
from tests.conftest import ROOT
from tests.recordings.making import EVENTS, RATE_HZ, START_S, TARGETS

SEALED_1_0 = ROOT / "tests" / "data" / "sealed-1.0"
ZERO_S = START_S - 0.003  # the left eye's first frame


@pytest.mark.parametrize("foreign", [False, True])
def test_a_recording_of_format_1_0_opens(foreign: bool) -> None:
    """It was sealed before torsion had a reference at the central target, and before live recordings."""
    with open_recording(SEALED_1_0, foreign=foreign) as recording:
        assert recording.info.format_version == "1.0"
        assert recording.verified is not foreign
        assert recording.complete
        for eye, start_s in (("right", 0.003), ("left", 0.0)):
            times_s = start_s + np.arange(120) / RATE_HZ
            assert recording.samples[eye]["time_s"] == pytest.approx(times_s, abs=1e-9)
            assert np.isfinite(recording.samples[eye]["horizontal_deg"]).all()
            assert np.isnan(recording.samples[eye]["glint_x_px"]).all()  # not sought then
            assert not recording.calibrations[eye].torsion_referenced
        assert [target.start_s for target in recording.targets] == pytest.approx(
            [target.start_s - ZERO_S for target in TARGETS]
        )
        assert [event.text for event in recording.events] == [event.text for event in EVENTS]


def test_it_is_still_what_was_sealed() -> None:
    assert verify(Path(SEALED_1_0)).ok
