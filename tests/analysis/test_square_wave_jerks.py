"""Square-wave jerks and bursts against movements with known jerks."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.square_wave_jerks import flutter_bursts, rate_per_minute, square_wave_jerks, steadiness
from analysis.trace import trace_from_arrays
from capture.samples import EYES
from tests.analysis.sawtooth import Calibrated
from tests.analysis.stimulus_traces import Eyed, EyePath, TrueSaccade, recorded, result_of, trace_of


def jerking(*pairs: tuple[float, float, float, float]) -> EyePath:
    """Off at a time by a size, back after a pause by another size."""
    path = EyePath()
    for at_s, size, pause_s, back in pairs:
        one = TrueSaccade(at_s, size)
        path.saccades[0].extend([one, TrueSaccade(at_s + one.lasts_s + pause_s, back)])
    return path


class TestSquareWaveJerks:
    def test_pairs_off_and_back_are_counted_whatever_their_side(self) -> None:
        path = jerking((2, 1.0, 0.2, -1.0), (5, -2.0, 0.15, 2.1), (8, 0.8, 0.3, -0.7), (11, 7.0, 0.2, -7.0))
        found = square_wave_jerks(
            trace_of(path, 14.0, Eyed(noise_deg=0.05), np.random.default_rng(1)), 0.0, 14.0
        )
        assert [round(j.size_deg, 0) for j in found] == [1.0, -2.0, 1.0, 7.0]
        assert [j.start_s for j in found] == pytest.approx([2, 5, 8, 11], abs=0.02)

    def test_short_ones_are_not_taken_for_one_movement(self) -> None:
        """Twenty of 4 deg that stay off for 0.13 s, at 500 samples/s: the eye ends where it was before."""
        path = jerking(*((2.0 + 1.5 * k, 4.0, 0.13, -4.0) for k in range(20)))
        trace = trace_of(path, 33.0, Eyed(500.0, 0.05), np.random.default_rng(15))
        assert len(square_wave_jerks(trace, 0.0, 33.0)) == 20

    def test_other_pairs_are_none(self) -> None:
        """On in the same direction, back after a second, back by half, and too small."""
        path = jerking((2, 1.5, 0.2, 1.5), (5, 2.0, 1.0, -2.0), (8, 3.0, 0.2, -1.5), (11, 0.3, 0.2, -0.3))
        trace = trace_of(path, 14.0, Eyed(noise_deg=0.03), np.random.default_rng(2))
        assert square_wave_jerks(trace, 0.0, 14.0) == ()

    @pytest.mark.parametrize("samples", [0, 1])
    def test_a_trace_of_one_sample_or_none_has_none(self, samples: int) -> None:
        trace = trace_from_arrays("right", np.arange(float(samples)), np.zeros((samples, 3)))
        assert square_wave_jerks(trace, 0.0, 10.0) == ()

    @pytest.mark.parametrize(
        ("count", "seconds", "rate"), [(12, 60.0, 12.0), (0, 60.0, 0.0), (3, 30.0, 6.0), (9, 45.0, 12.0)]
    )
    def test_rate_by_hand(self, count: int, seconds: float, rate: float) -> None:
        found = rate_per_minute(count, seconds)
        assert found.value == pytest.approx(rate)
        assert found.interval[0] <= rate <= found.interval[1]

    def test_the_interval_of_a_rate_holds_it(self) -> None:
        """Poisson counts of a mean of 8: 92 to 98 % of the intervals hold it."""
        counts = np.random.default_rng(3).poisson(8.0, 2000).tolist()
        intervals = [rate_per_minute(count, 60.0).interval for count in counts]
        held = [low <= 8 <= high for low, high in intervals]
        assert 0.92 <= np.mean(held) <= 0.98

    @pytest.mark.parametrize(("count", "seconds", "name"), [(-1, 60.0, "count"), (1, 0.0, "seconds")])
    def test_mistakes(self, count: int, seconds: float, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            rate_per_minute(count, seconds)

    def test_steadiness_is_the_noise_between_saccades(self) -> None:
        trace = trace_of(jerking((3, 4.0, 0.5, -4.0)), 8.0, Eyed(noise_deg=0.2), np.random.default_rng(4))
        assert np.median(steadiness(trace, 0.0, 8.0, 0)) == pytest.approx(0.2, rel=0.1)

    def test_flutter_is_seen_and_nystagmus_is_not(self) -> None:
        """Half a second of 12 swings a second by 3 deg; saccades with pauses, and noise, are none."""
        path = jerking((8, 3.0, 0.2, -3.0))
        wave = lambda t: np.where((t > 3) & (t < 3.5), 1.5 * np.sin(2 * pi * 12 * (t - 3)), 0.0)  # noqa: E731
        path.slow.append((0, wave))
        trace = trace_of(path, 12.0, Eyed(), np.random.default_rng(5))
        bursts = flutter_bursts(trace, 0.0, 12.0)
        assert not isinstance(bursts, str)
        (burst,) = bursts
        assert 3.0 <= burst.start_s < burst.end_s <= 3.52
        assert burst.horizontal
        assert "100/s needed" in str(
            flutter_bursts(trace_of(path, 12.0, Eyed(60.0), np.random.default_rng(5)), 0.0, 12.0)
        )

    @pytest.mark.parametrize("across_deg", [0.0, 1.5])
    def test_bursts_that_are_not_only_horizontal_are_told_from_flutter_and_counted_once(
        self, across_deg
    ) -> None:
        path = EyePath()
        for axis, size in ((0, across_deg), (1, 1.5)):
            wave = lambda t, size=size: np.where(  # noqa: E731
                (t > 20) & (t < 20.5), size * np.sin(2 * pi * 12 * (t - 20)), 0.0
            )
            path.slow.append((axis, wave))
        made = recorded(
            procedure_named("fixation_stability"), {"right": path}, Eyed(), np.random.default_rng(5)
        )
        result = result_of(made)
        values = {f.key: f.value for f in result.findings if f.key.endswith("_bursts")}
        assert values == {"flutter_bursts": 0, "opsoclonus_bursts": 1}
        assert [flag.text for flag in result.red_flags] == [
            "Bursts of saccades without a pause, not only horizontal (right eye): fit opsoclonus."
        ]

    def test_one_eye_uncalibrated(self) -> None:
        procedure = procedure_named("fixation_stability")
        made = recorded(
            procedure, {"right": jerking((9, 2.0, 0.2, -2.0))}, Eyed(120.0), np.random.default_rng(6)
        )
        loose = {"right": Calibrated(calibrated=False)}
        found = {f.key: f for f in result_of(replace(made, calibrations=loose)).findings}
        assert found["square_wave_jerk_rate"].reason == "uncalibrated"
        few = {f.key: f for f in result_of(made).findings}["square_wave_jerk_size"]
        assert few.reason == "1 square-wave jerks, 3 needed"


def test_eyes_exchanged_exchange_the_findings() -> None:
    procedure = procedure_named("fixation_stability")
    paths = {
        "right": jerking((9, 2.0, 0.2, -2.0), (15, 2.0, 0.2, -2.0)),
        "left": jerking((20, 1.0, 0.2, -1.0)),
    }
    made = recorded(procedure, paths, Eyed(120.0, 0.05), np.random.default_rng(14))  # type: ignore[arg-type]
    swapped = replace(made, samples={"right": made.samples["left"], "left": made.samples["right"]})
    rates = [
        {f.eye: f.value for f in result_of(m).findings if f.key == "square_wave_jerk_rate"}
        for m in (made, swapped)
    ]
    assert [rates[1][eye] for eye in EYES] == [rates[0][eye] for eye in reversed(EYES)]
    assert rates[0]["right"] == pytest.approx(2 * rates[0]["left"], rel=1e-3)  # type: ignore[operator]
