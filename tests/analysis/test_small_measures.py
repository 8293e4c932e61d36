"""Square-wave jerks, covers, the visual vertical, alternation and the null point against what was made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf, nan, pi

import numpy as np
import pytest

from analysis.alternation import alternation
from analysis.battery import procedure_named
from analysis.battery.vertical_notes import head_roll_in, level_in, line_note, settings_in
from analysis.cover import deviations, refixations, uncoverings
from analysis.null_angle import null_angle
from analysis.procedure import Window
from analysis.square_wave_jerks import flutter_bursts, rate_per_minute, square_wave_jerks, steadiness
from analysis.trace import trace_from_arrays
from analysis.vertical_settings import vertical_estimates
from capture.samples import EYES
from capture.simulation.patterns import Course, Pattern
from capture.simulation.traces import Seeing
from recordings.event import Event
from tests.analysis.led_patient import lead
from tests.analysis.sawtooth import Calibrated
from tests.analysis.stimulus_traces import (
    STARTS_S,
    Eyed,
    EyePath,
    TrueSaccade,
    recorded,
    result_of,
    trace_of,
)

RNG = np.random.default_rng


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
        found = square_wave_jerks(trace_of(path, 14.0, Eyed(noise_deg=0.05), RNG(1)), 0.0, 14.0)
        assert [round(j.size_deg, 0) for j in found] == [1.0, -2.0, 1.0, 7.0]
        assert [j.start_s for j in found] == pytest.approx([2, 5, 8, 11], abs=0.02)

    def test_short_ones_are_not_taken_for_one_movement(self) -> None:
        """Twenty of 4 deg that stay off for 0.13 s, at 500 samples/s: the eye ends where it was before."""
        path = jerking(*((2.0 + 1.5 * k, 4.0, 0.13, -4.0) for k in range(20)))
        trace = trace_of(path, 33.0, Eyed(500.0, 0.05), RNG(15))
        assert len(square_wave_jerks(trace, 0.0, 33.0)) == 20

    def test_other_pairs_are_none(self) -> None:
        """On in the same direction, back after a second, back by half, and too small."""
        path = jerking((2, 1.5, 0.2, 1.5), (5, 2.0, 1.0, -2.0), (8, 3.0, 0.2, -1.5), (11, 0.3, 0.2, -0.3))
        trace = trace_of(path, 14.0, Eyed(noise_deg=0.03), RNG(2))
        assert square_wave_jerks(trace, 0.0, 14.0) == ()

    @pytest.mark.parametrize(
        ("count", "seconds", "rate"), [(12, 60.0, 12.0), (0, 60.0, 0.0), (3, 30.0, 6.0), (9, 45.0, 12.0)]
    )
    def test_rate_by_hand(self, count: int, seconds: float, rate: float) -> None:
        found = rate_per_minute(count, seconds)
        assert found.value == pytest.approx(rate)
        assert found.interval[0] <= rate <= found.interval[1]

    def test_the_interval_of_a_rate_holds_it(self) -> None:
        """Poisson counts of a mean of 8: 92 to 98 % of the intervals hold it."""
        held = [e.interval[0] <= 8 <= e.interval[1] for e in map(_a_minute, RNG(3).poisson(8.0, 2000))]
        assert 0.92 <= np.mean(held) <= 0.98

    @pytest.mark.parametrize(("count", "seconds", "name"), [(-1, 60.0, "count"), (1, 0.0, "seconds")])
    def test_mistakes(self, count: int, seconds: float, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            rate_per_minute(count, seconds)

    def test_steadiness_is_the_noise_between_saccades(self) -> None:
        trace = trace_of(jerking((3, 4.0, 0.5, -4.0)), 8.0, Eyed(noise_deg=0.2), RNG(4))
        assert np.median(steadiness(trace, 0.0, 8.0, 0)) == pytest.approx(0.2, rel=0.1)

    def test_flutter_is_seen_and_nystagmus_is_not(self) -> None:
        """Half a second of 12 swings a second by 3 deg; saccades with pauses, and noise, are none."""
        path = jerking((8, 3.0, 0.2, -3.0))
        wave = lambda t: np.where((t > 3) & (t < 3.5), 1.5 * np.sin(2 * pi * 12 * (t - 3)), 0.0)  # noqa: E731
        path.slow.append((0, wave))
        trace = trace_of(path, 12.0, Eyed(), RNG(5))
        bursts = flutter_bursts(trace, 0.0, 12.0)
        assert not isinstance(bursts, str)
        (burst,) = bursts
        assert 3.0 <= burst.start_s < burst.end_s <= 3.52
        assert burst.horizontal
        assert "100/s needed" in str(flutter_bursts(trace_of(path, 12.0, Eyed(60.0), RNG(5)), 0.0, 12.0))

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
        made = recorded(procedure_named("fixation_stability"), {"right": path}, Eyed(), RNG(5))
        result = result_of(made)
        values = {f.key: f.value for f in result.findings if f.key.endswith("_bursts")}
        assert values == {"flutter_bursts": 0, "opsoclonus_bursts": 1}
        assert [flag.text for flag in result.red_flags] == [
            "Bursts of saccades without a pause, not only horizontal (right eye): fit opsoclonus."
        ]

    def test_one_eye_uncalibrated(self) -> None:
        procedure = procedure_named("fixation_stability")
        made = recorded(procedure, {"right": jerking((9, 2.0, 0.2, -2.0))}, Eyed(120.0), RNG(6))
        loose = {"right": Calibrated(calibrated=False)}
        found = {f.key: f for f in result_of(replace(made, calibrations=loose)).findings}
        assert found["square_wave_jerk_rate"].reason == "uncalibrated"
        few = {f.key: f for f in result_of(made).findings}["square_wave_jerk_size"]
        assert few.reason == "1 square-wave jerks, 3 needed"


def _a_minute(count: int):
    return rate_per_minute(int(count), 60.0)


class TestCover:
    changes = uncoverings(0.0, 12.0, 2.0)

    def test_when_the_cover_changes(self) -> None:
        assert [(c.at_s, c.until_s, c.eye) for c in self.changes[:2]] == [(2, 4, "right"), (4, 6, "left")]
        assert len(self.changes) == 5

    @pytest.mark.parametrize("deviation", [3.0, -2.0, 0.0])
    def test_either_eye_tells_which_is_higher(self, deviation: float) -> None:
        """The right eye higher by d: it moves down by d when it takes up fixation, and back."""
        path = EyePath()
        for k, change in enumerate(self.changes):
            path.saccades[1].append(
                TrueSaccade(change.at_s + 0.25, (-deviation if k % 2 == 0 else deviation) or 1e-9)
            )
        moved = refixations(trace_of(path, 12.0, Eyed(), RNG(7)), self.changes, 1)
        assert deviations(moved, self.changes) == pytest.approx([deviation] * 5, abs=0.1)

    def test_a_change_that_was_not_seen_is_missing(self) -> None:
        trace = trace_of(EyePath(), 12.0, Eyed(blinks_s=((3.6, 4.1),)), RNG(8))
        moved = refixations(trace, self.changes, 1)
        assert np.isfinite(moved).tolist() == [True, False, True, True, True]

    @pytest.mark.parametrize("covered_s", [0.0, -1.0, inf])
    def test_mistakes(self, covered_s: float) -> None:
        with pytest.raises(ValueError, match="covered_s"):
            uncoverings(0.0, 10.0, covered_s)
        with pytest.raises(ValueError, match="own"):
            deviations(np.zeros(2), self.changes)

    def test_one_eye_tells_no_skew_of_both(self) -> None:
        procedure = procedure_named("alternate_cover")
        made = recorded(procedure, {"left": EyePath()}, Eyed(60.0), RNG(9))
        found = {(f.key, f.eye): f for f in result_of(made).findings}
        assert found["vertical_deviation", None].reason == "one eye recorded"
        assert found["vertical_deviation", "left"].value == pytest.approx(0.0, abs=0.05)

    def test_the_interval_holds_the_deviation(self) -> None:
        """Ten changes each with 0.3 deg of scatter of where the eye lands."""
        rng, held = RNG(10), []
        changes = uncoverings(0.0, 40.0, 2.0)
        for _ in range(60):
            path, at = EyePath(), 0.0
            for k, change in enumerate(changes):
                to = (0.0 if k % 2 else -2.0) + rng.normal(0, 0.3)
                path.saccades[1].append(TrueSaccade(change.at_s + 0.25, to - at))
                at = to
            made = recorded(procedure_named("alternate_cover"), {"right": _later(path)}, Eyed(60.0), rng)
            found = {f.key: f for f in result_of(made).findings if f.eye == "right" and f.axis == "vertical"}
            interval = found["vertical_deviation"].interval
            assert interval is not None
            held.append(interval[0] <= 2.0 <= interval[1])
        assert np.mean(held) >= 0.85


def _later(path: EyePath) -> EyePath:
    moved = [replace(one, start_s=one.start_s + STARTS_S) for one in path.saccades[1]]
    return EyePath(saccades=([], moved))


class TestVertical:
    settings = (3.0, 2.2, 3.5, 2.9, 3.4, 1.0, 1.6, 0.8, 1.5, 1.1)
    started = (20.0,) * 5 + (-20.0,) * 5

    def test_the_start_side_is_no_doubt_of_the_mean(self) -> None:
        """Squares about the two means of 3.0 and 1.2: 1.06 + 0.46 = 1.52; 1.52 / 8 = 0.19, SD 0.436.

        Standard error of the mean 0.436 / sqrt(10) = 0.138, of the effect 0.436 sqrt(2 / 5) = 0.276;
        t of 8 degrees of freedom is 2.306: 0.318 and 0.636.
        """
        found = vertical_estimates(self.settings, self.started)
        assert not isinstance(found, str)
        assert not isinstance(found.start_side_effect, str)
        assert found.mean.interval == pytest.approx((2.10 - 0.318, 2.10 + 0.318), abs=0.002)
        assert found.start_side_effect.interval == pytest.approx((1.80 - 0.636, 1.80 + 0.636), abs=0.002)

    def test_the_interval_of_the_spread(self) -> None:
        """9 x SD^2 over the quantiles 19.023 and 2.700 of chi-square: 0.688 and 1.826 times the SD."""
        found = vertical_estimates(self.settings, self.started)
        assert not isinstance(found, str)
        value, (low, high) = found.standard_deviation.value, found.standard_deviation.interval
        assert (low / value, high / value) == pytest.approx((0.688, 1.826), abs=0.001)

    def test_the_interval_of_the_median(self) -> None:
        """Median 1.9; error of the mean 0.138 x sqrt(pi / 2) = 0.173, x 2.306 = 0.399."""
        found = vertical_estimates(self.settings, self.started)
        assert not isinstance(found, str)
        assert found.median.interval == pytest.approx((1.90 - 0.399, 1.90 + 0.399), abs=0.002)

    def test_intervals_hold_the_truth(self) -> None:
        """2,000 patients with a tilt of 2 deg, effect of the side 1.5, SD 1."""
        rng, held = RNG(12), {"mean": [], "effect": [], "spread": []}
        started = (15.0, -15.0) * 5
        for _ in range(2000):
            found = vertical_estimates([2 + 0.75 * np.sign(s) + rng.normal() for s in started], started)
            assert not isinstance(found, str)
            assert not isinstance(found.start_side_effect, str)
            held["mean"].append(found.mean.interval[0] <= 2 <= found.mean.interval[1])
            low, high = found.start_side_effect.interval
            held["effect"].append(low <= 1.5 <= high)
        assert 0.92 <= np.mean(held["mean"]) <= 0.98
        assert 0.92 <= np.mean(held["effect"]) <= 0.98

    def test_notes(self) -> None:
        window = Window("vertical static", "dark", 10.0, 60.0, 10.0)
        texts = [
            line_note(20.0, 2.3), line_note(-15.0, -1.0), line_note(10.0, 9.0, practice=True),
            "screen level at +10.0: -0.8", "screen level at -10.0: 0.5", "head roll -2.0", "a word",
        ]  # fmt: skip
        events = [Event(11.0 + k, 11.0 + k, "note", text) for k, text in enumerate(texts)]
        events.append(Event(70.0, 70.0, "note", line_note(5.0, 5.0)))
        found, practice = settings_in(events, window)
        assert [(s.started_deg, s.reading_deg) for s in found] == [(20.0, 2.3), (-15.0, -1.0)]
        assert practice == 1
        assert level_in(events) == [(-10.0, 0.5), (10.0, -0.8)]
        assert head_roll_in(events) == -2.0
        assert head_roll_in(events[:3]) is None

    @pytest.mark.parametrize(
        ("started", "reading", "name"),
        [(0.0, 1.0, "started_deg"), (nan, 1.0, "started_deg"), (5.0, 95.0, "reading_deg")],
    )
    def test_a_note_that_cannot_be(self, started: float, reading: float, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            line_note(started, reading)

    @pytest.mark.parametrize(
        ("notes", "key", "reason"),
        [
            ([], "vertical_mean", "0 settings, 6 needed"),
            (["line from +20.0 to +2.0", "line from -20.0 to +1.0"] * 3, "vertical_mean", "level of the"),
            (["line from +20.0 to +2.0"] * 6, "start_side_effect", "starts from one side only"),
            (["head roll +4.0"], "vertical_spread", "head tilted by 4 deg (at most 3)"),
        ],
    )
    def test_why_not(self, notes: list[str], key: str, reason: str) -> None:
        procedure = procedure_named("visual_vertical")
        made = recorded(procedure, {"right": EyePath()}, Eyed(30.0), RNG(13), notes=notes)
        found = {f.key: f for f in result_of(made).findings}
        assert found[key].value is None
        assert found[key].reason.startswith(reason)


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


def surely(speeds: Sequence[float], error: float) -> list[tuple[float, float]]:
    """95 % intervals of velocities with one standard error."""
    return [(v - 1.96 * error, v + 1.96 * error) for v in speeds]


class TestNullPoint:
    @pytest.mark.parametrize(
        ("angles", "speeds", "expected"),
        [
            ((10, 20), (3, -3), 15.0),
            ((10, 20), (1, -3), 12.5),
            ((-20, -10, 0), (-6, 2, 5), -12.5),
            ((0, 10, 20), (4, 0.2, -4), 10.25),  # a line through three points: slope -0.4, mean 0.067 at 10
        ],
    )
    def test_by_hand(self, angles, speeds, expected: float) -> None:
        found = null_angle(angles, speeds, surely(speeds, 0.3))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(expected, abs=0.1)
        assert found.interval[0] < found.value < found.interval[1]

    def test_the_error_by_hand(self) -> None:
        """Half way between: each end counts half, 0.3 / sqrt(2) deg/s over 0.6 deg/s a degree."""
        found = null_angle((10, 20), (3, -3), surely((3, -3), 0.3))
        assert not isinstance(found, str)
        assert found.standard_error == pytest.approx(0.3 / 2**0.5 / 0.6, abs=0.01)

    @pytest.mark.parametrize(("error", "widened"), [(0.1, 6.532), (0.3, 2.177)])
    def test_points_off_the_line_make_it_unsure(self, error: float, widened: float) -> None:
        """4, 0.8 and -4 deg/s at -10, 0 and 10 deg: slope -0.4, mean 0.8 / 3, so 0 at 2 / 3 deg.

        Off the line by -0.267, 0.533 and -0.267: squares 0.4267, so wider by the root of 42.67 with errors of
        0.1, of 4.741 with 0.3. Error of the mean e / sqrt(3), of the slope e / sqrt(200), which move the null
        by 1 / 0.4 and 0.2667 / 0.4^2: 1.4482 e, to first order.
        """
        found = null_angle((-10, 0, 10), (4, 0.8, -4), surely((4, 0.8, -4), error))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(2 / 3, abs=0.02)
        assert found.standard_error == pytest.approx(1.4482 * error * widened, rel=0.07)

    def test_why_not(self) -> None:
        assert "fewer than two" in str(null_angle([0], [3], [(2, 4)]))
        assert "fewer than two" in str(null_angle([], [], []))
        assert "does not turn" in str(null_angle([0, 10], [3, 2], [(2, 4), (1, 3)]))
        assert "does not turn" in str(null_angle([0, 10], [3, -2], [(2, 4), (-5, 1)]))  # not certain
        assert "more than one" in str(null_angle([0, 10, 20], [3, -3, 3], surely([3, -3, 3], 0.1)))

    @pytest.mark.parametrize("sign", [1, -1])
    @pytest.mark.parametrize("way", [1, -1])
    def test_a_drift_that_may_be_too_slow_does_not_draw_the_null_to_it(self, way: int, sign: int) -> None:
        """6 and -2 deg/s at -10 and 10 deg: 0 at 5 deg, and 2 deg/s at 0.

        There only 0.2 deg/s were seen. If it may be 4, that is no evidence against the line. If it is surely
        from 0.1 to 0.3 deg/s, nine times the ends' 43 count there: (43 x 6 + 384 x 0.2 - 43 x 2) / 470 =
        0.53 deg/s at 0, slope -0.4, so 0 at 1.3 deg. So with the head to the other side (`way`) and for
        beats to the other (`sign`).
        """
        found = []
        for most in (4.0, 0.3):
            between = [sorted((sign * a, sign * b)) for a, b in ((5.7, 6.3), (0.1, most), (-2.3, -1.7))]
            speeds = [6.0 * sign, 0.2 * sign, -2.0 * sign]
            one = null_angle((-10, 0, 10), speeds[::way], [(a, b) for a, b in between[::way]])
            assert not isinstance(one, str)
            found.append(one)
        assert found[0].value == pytest.approx(5.0 * way, abs=0.1)
        assert found[1].value == pytest.approx(1.3 * way, abs=0.1)
        assert found[1].interval[1] - found[1].interval[0] > 5.0  # for the points do not fit

    @pytest.mark.parametrize(
        ("angles", "speeds", "between", "name"),
        [
            ([10, 0], [1, 2], [(0, 2), (1, 3)], "angle"),
            ([0, 1], [nan, 1], [(0, 2), (0, 2)], "vel"),
            ([0, 1], [1, 1], [(0, 2)], "interval"),
        ],
    )
    def test_mistakes(self, angles, speeds, between, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            null_angle(angles, speeds, between)

    @pytest.mark.parametrize("side", [1, -1])
    def test_on_a_patient(self, side: int) -> None:
        """Right-beating at rest and to the left, left-beating from 30 deg right on: null at 20 to 30 deg.

        Mirrored: at 20 to 30 deg left.
        """
        speed = {-40: -9, -30: -8, -20: -7, -10: -6, 10: -4, 20: -2, 30: 2, 40: 4}
        places = {
            f"{abs(a)} degrees {'right' if side * a > 0 else 'left'}": (
                Course((float(side * v), 0.0, 0.0), latency_s=0.0, rise_s=0.1, tau_s=inf),
            )
            for a, v in speed.items()
        }
        patient = Pattern(provoked=places, in_light=1.0, wander_deg=0.0, variation=0.05)
        led = lead(procedure_named("null_point"), patient, 5, {"right": Seeing(rate_hz=60.0)})
        (found,) = [f for f in led.result().findings if f.key == "null_angle"]
        assert found.value == pytest.approx(25.0 * side, abs=2.0)


def test_eyes_exchanged_exchange_the_findings() -> None:
    procedure = procedure_named("fixation_stability")
    paths = {
        "right": jerking((9, 2.0, 0.2, -2.0), (15, 2.0, 0.2, -2.0)),
        "left": jerking((20, 1.0, 0.2, -1.0)),
    }
    made = recorded(procedure, paths, Eyed(120.0, 0.05), RNG(14))  # type: ignore[arg-type]
    swapped = replace(made, samples={"right": made.samples["left"], "left": made.samples["right"]})
    rates = [
        {f.eye: f.value for f in result_of(m).findings if f.key == "square_wave_jerk_rate"}
        for m in (made, swapped)
    ]
    assert [rates[1][eye] for eye in EYES] == [rates[0][eye] for eye in reversed(EYES)]
    assert rates[0]["right"] == pytest.approx(2 * rates[0]["left"], rel=1e-3)  # type: ignore[operator]


def test_a_trace_of_one_sample_or_none() -> None:
    for n in (0, 1):
        trace = trace_from_arrays("right", np.arange(n, dtype=float), np.zeros((n, 3)))
        assert square_wave_jerks(trace, 0.0, 10.0) == ()
        assert np.isnan(refixations(trace, uncoverings(0.0, 6.0, 2.0), 1)).all()
