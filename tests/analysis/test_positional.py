"""Positional measures against curves in closed form, and what must follow when a recording is changed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.finding import Finding
from analysis.positional import asymmetry, decay, fatigue_ratio, is_even
from analysis.positional_runs import CourseSettings, Run, smoothed
from analysis.procedure import Result
from capture.samples import AXES, Eye
from tests.analysis.paroxysm import Course, Position, positional
from tests.analysis.sawtooth import MadeRecording

BORN = 1966
BOTH = ("right", "left")
BASELINE = Position("baseline", 20, reached_after_s=None)
UP = Position("sitting up", 30)
RIGHT_POSTERIOR = (8.0, -40.0, -36.0)  # slow phase: down, upper pole toward the left
HORIZONTAL, VERTICAL, TORSIONAL = AXES


def right_down(course: Course, seconds: float = 40, **more: object) -> Position:
    return Position("right ear down", seconds, course, **more)  # type: ignore[arg-type]


def analysed(*positions: Position, **made: object) -> Result:
    return analyse_recording(positional(*positions, **made), BORN).results[0]


def found(
    result: Result, key: str, axis: str = VERTICAL, step: str = "right ear down", eye: Eye = "right"
) -> Finding:
    return next(f for f in result.findings if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis))


COURSE = Course(RIGHT_POSTERIOR, latency_s=3.0, rise_s=2.0, tau_s=4.0)
OTHER = Course((-5.0, -30.0, -20.0))


@pytest.fixture(scope="module")
def shown() -> Result:
    return analysed(BASELINE, right_down(COURSE), UP, eyes=BOTH)


@pytest.fixture(scope="module")
def made() -> MadeRecording:
    return positional(BASELINE, right_down(OTHER), UP, noise_deg=0.05)


@pytest.fixture(scope="module")
def plain(made: MadeRecording) -> Result:
    return analyse_recording(made, BORN).results[0]


class TestCourse:
    course = COURSE

    def test_latency_runs_from_when_the_position_was_reached(self, shown: Result) -> None:
        for eye in ("right", "left"):
            latency = found(shown, "latency", eye=eye)
            assert latency.value == pytest.approx(3.0, abs=0.15)
            assert latency.interval is not None
            assert latency.interval[0] < 3.0 < latency.interval[1]

    @pytest.mark.parametrize("later_s", [-0.4, -0.2, 0.0])
    def test_latency_behind_a_blink_says_that_it_is_not_known_well(
        self, made: MadeRecording, later_s: float
    ) -> None:
        """Half a second is not seen, about the beginning at 3.0 s: the interval covers what was hidden."""
        (reached,) = (e.start_s for e in made.events if e.kind == "reached" and e.text == "right ear down")
        began_s = reached + 3.0
        rows = {eye: samples.copy() for eye, samples in made.samples.items()}
        for samples in rows.values():
            hidden = np.abs(samples["time_s"] - (began_s + later_s + 0.25)) < 0.25
            for name in ("x_px", "y_px", *(f"{axis}_deg" for axis in AXES)):
                samples[name][hidden] = np.nan
        latency = found(analyse_recording(replace(made, samples=rows), BORN).results[0], "latency")
        assert latency.interval is not None
        low, high = latency.interval
        assert low < 3.0 < high
        assert high - low > 0.25

    def test_duration_ends_below_1_dps(self, shown: Result) -> None:
        """From the beginning: 2 s of rise, then 40 exp(-t / 4) = 1 after 4 ln 40 = 14.76 s."""
        duration = found(shown, "duration")
        assert duration.value == pytest.approx(16.76, abs=1.0)
        assert duration.interval is not None
        assert duration.interval[0] < 16.76 < duration.interval[1]

    def test_peak_on_each_axis(self, shown: Result) -> None:
        words = {HORIZONTAL: "left", VERTICAL: "up", TORSIONAL: "upper_pole_right"}
        for axis, true in zip(AXES, RIGHT_POSTERIOR, strict=True):
            peak = found(shown, "peak_slow_phase_velocity", axis)
            assert peak.value == pytest.approx(true, rel=0.06)
            assert peak.direction == words[axis]
            assert peak.interval is not None
            assert peak.interval[0] < true < peak.interval[1]

    def test_time_to_the_peak_and_time_constant(self, shown: Result) -> None:
        peak = found(shown, "time_to_peak")
        assert peak.value == pytest.approx(2.0, abs=0.4)
        assert peak.interval is not None
        assert peak.interval[0] < 2.0 < peak.interval[1]
        assert found(shown, "time_constant").value == pytest.approx(4.0, rel=0.05)

    def test_rises_to_one_peak_and_falls(self, shown: Result) -> None:
        assert found(shown, "crescendo_decrescendo").value == 1.0

    def test_peak_at_once_is_no_crescendo(self) -> None:
        shown = analysed(BASELINE, right_down(replace(self.course, rise_s=0.05)), UP)
        assert found(shown, "crescendo_decrescendo").value == 0.0

    def test_no_reversal(self, shown: Result) -> None:
        assert found(shown, "reversal_peak").reason == "no reversal"

    def test_above_100_dps(self) -> None:
        fast = analysed(BASELINE, right_down(Course((0, -120.0, -60.0), beats_hz=4)), UP, rate_hz=200.0)
        assert found(fast, "peak_slow_phase_velocity").value == pytest.approx(-120.0, rel=0.05)

    def test_a_run_that_outlasts_the_position_has_no_duration(self) -> None:
        lasting = Course(RIGHT_POSTERIOR, tau_s=300.0)
        shown = analysed(BASELINE, right_down(lasting, 35), UP)
        assert found(shown, "duration").reason.startswith("still running when the position ended: at least 3")
        assert found(shown, "time_constant").reason == "the slow phase does not fade"

    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_the_peak_of_one_that_does_not_fade_is_its_height(self, seed: int) -> None:
        """Slow axes of a lasting nystagmus: the largest of many smoothed beats would be chance."""
        lasting = Course((14.0, -1.3, 2.0), latency_s=1.0, rise_s=1.0, tau_s=1e6)
        shown = analysed(BASELINE, right_down(lasting, 62), UP, noise_deg=0.1, rate_hz=60.0, seed=seed)
        for axis, truth_dps in zip(AXES, lasting.peak_dps, strict=True):
            peak = found(shown, "peak_slow_phase_velocity", axis)
            assert peak.value == pytest.approx(truth_dps, rel=0.1), axis
            assert peak.interval is not None
            assert peak.interval[0] < truth_dps < peak.interval[1]

    def test_reversal_in_the_same_position(self) -> None:
        back = Course((-2.0, 10.0, 9.0), latency_s=24.0)
        shown = analysed(BASELINE, right_down(replace(self.course, lasts_s=15), 45, second=back), UP)
        assert found(shown, "reversal_peak").value == pytest.approx(10.0, rel=0.1)
        assert found(shown, "reversal_peak").direction == "down"
        assert found(shown, "peak_slow_phase_velocity").value == pytest.approx(-40.0, rel=0.06)

    def test_eyes_that_close_do_not_end_a_run(self) -> None:
        made = positional(BASELINE, right_down(replace(self.course, tau_s=8.0), 45), UP)
        shut = {}
        for eye, rows in made.samples.items():
            rows = rows.copy()
            hidden = (rows["time_s"] > 31.0) & (rows["time_s"] < 35.0)
            for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
                rows[name][hidden] = np.nan
            shut[eye] = rows
        shown = analyse_recording(replace(made, samples=shut), BORN).results[0]
        assert found(shown, "duration").value == pytest.approx(2 + 8 * math.log(40), abs=2.0)

    def test_a_blink_over_the_beginning_widens_the_interval_of_the_latency(self, shown: Result) -> None:
        """The eye is not seen from 2.8 to 3.3 s after the position; the nystagmus begins at 3.0 s."""
        blinked = self.latency_with_a_blink(2.8, 3.3).interval
        seen = found(shown, "latency").interval
        assert blinked is not None
        assert seen is not None
        assert blinked[0] < 3.0 < blinked[1]
        assert blinked[1] - blinked[0] > 2 * (seen[1] - seen[0])

    def test_a_drift_that_a_blink_hides_began_before_the_blink(self) -> None:
        """It begins at 3.0 s and drifts at up to 5 deg/s until a blink hides the first quick phases."""
        latency = self.latency_with_a_blink(3.25, 3.65)
        assert latency.value == pytest.approx(3.0, abs=0.15)
        assert latency.interval is not None
        assert latency.interval[0] < 3.0 < latency.interval[1]
        assert latency.interval[1] < 3.25

    def test_what_the_eye_does_before_is_not_the_beginning(self) -> None:
        """A jerk of 1 deg from 1.8 to 2.0 s; a drift of 0.3 deg/s that turns round at 2.4 s."""
        made = positional(BASELINE, right_down(self.course), UP, noise_deg=0.05)
        moved = {}
        for eye, rows in made.samples.items():
            rows, since_s = rows.copy(), rows["time_s"] - 25.0
            rows["vertical_deg"] += ((since_s > 1.8) & (since_s < 2.0)) - 0.3 * np.abs(since_s - 2.4)
            moved[eye] = rows
        latency = found(analyse_recording(replace(made, samples=moved), BORN).results[0], "latency")
        assert latency.value == pytest.approx(3.0, abs=0.1)
        assert latency.interval is not None
        assert latency.interval[1] - latency.interval[0] < 0.4

    def latency_with_a_blink(self, from_s: float, until_s: float) -> Finding:
        """The eye is not seen between these times after the position was reached, at 25.0 s."""
        made = positional(BASELINE, right_down(self.course), UP)
        shut = {}
        for eye, rows in made.samples.items():
            rows = rows.copy()
            hidden = (rows["time_s"] > 25.0 + from_s) & (rows["time_s"] < 25.0 + until_s)
            for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
                rows[name][hidden] = np.nan
            shut[eye] = rows
        return found(analyse_recording(replace(made, samples=shut), BORN).results[0], "latency")


class TestBaseline:
    def test_is_taken_off_where_the_measure_needs_it(self) -> None:
        """Right-beating 6 deg/s all the time, and 30 deg/s more for a while with the right ear down."""
        still = Course(constant_dps=(-6.0, 0, 0))
        position = right_down(replace(still, peak_dps=(-30.0, 0, 0), latency_s=4.0))
        shown = analysed(replace(BASELINE, course=still), position, replace(UP, course=still))
        assert found(shown, "slow_phase_velocity", HORIZONTAL, "baseline").value == pytest.approx(-6, abs=0.1)
        assert found(shown, "peak_slow_phase_velocity", HORIZONTAL).value == pytest.approx(-30.0, rel=0.06)
        assert found(shown, "latency", HORIZONTAL).value == pytest.approx(4.0, abs=0.6)
        assert found(shown, "duration", HORIZONTAL).value == pytest.approx(2 + 4 * math.log(30), abs=2.5)
        up = found(shown, "peak_slow_phase_velocity", HORIZONTAL, "sitting up")
        assert up.reason == "no nystagmus beyond the baseline"
        raw = found(shown, "slow_phase_velocity", HORIZONTAL, "sitting up")
        assert raw.value == pytest.approx(-6.0, abs=0.1)

    def test_an_eye_at_rest_shows_nothing(self) -> None:
        shown = analysed(BASELINE, right_down(Course()), UP)
        peak = found(shown, "peak_slow_phase_velocity")
        assert (peak.value, peak.present, peak.reason) == (None, False, "no nystagmus")


class TestNotAssessed:
    course = Course(RIGHT_POSTERIOR)

    def test_position_never_marked_as_reached(self) -> None:
        shown = analysed(BASELINE, right_down(self.course, reached_after_s=None), UP)
        assert found(shown, "latency").reason == "when the position was reached is not marked"
        assert found(shown, "peak_slow_phase_velocity").value is not None
        assert any("not marked, so no latency" in text for text in shown.cautions)

    def test_torsion_that_cannot_be_read(self) -> None:
        shown = analysed(BASELINE, right_down(self.course), UP, torsion_quality=0.1)
        peak = found(shown, "peak_slow_phase_velocity", TORSIONAL)
        assert (peak.value, peak.present) == (None, None)
        assert "torsion not readable" in peak.reason

    def test_too_slow_a_camera(self) -> None:
        shown = analysed(BASELINE, right_down(self.course), UP, rate_hz=15.0)
        assert "frame rate too low" in found(shown, "latency").reason

    def test_every_finding_has_a_value_or_a_reason_when_nothing_was_seen(self) -> None:
        made = positional(BASELINE, right_down(self.course), UP)
        blind = {eye: rows.copy() for eye, rows in made.samples.items()}
        for rows in blind.values():
            for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
                rows[name] = np.nan
        shown = analyse_recording(replace(made, samples=blind), BORN).results[0]
        assert all(f.value is None and f.reason for f in shown.findings)
        assert (shown.fits, shown.red_flags) == ((), ())

    def test_one_eye(self) -> None:
        shown = analysed(BASELINE, right_down(self.course), UP, eyes=("left",))
        assert found(shown, "latency", eye="left").value == pytest.approx(3.0, abs=0.15)


class TestProperties:
    """What must follow when a recording is mirrored, moved in time, scaled, resampled, its eyes exchanged."""

    course = OTHER

    def values(self, result: Result, key: str) -> list[float | None]:
        return [found(result, key, axis).value for axis in AXES]

    def changed(self, made, change) -> Result:
        rows = {eye: change(samples.copy()) for eye, samples in made.samples.items()}
        return analyse_recording(replace(made, samples=rows), BORN).results[0]

    def test_mirror(self, made, plain: Result) -> None:
        def mirrored(rows):
            rows["horizontal_deg"] *= -1
            rows["torsional_deg"] *= -1
            return rows

        other = self.changed(made, mirrored)
        for sign, a, b in zip(
            (-1, 1, -1),
            self.values(plain, "peak_slow_phase_velocity"),
            self.values(other, "peak_slow_phase_velocity"),
            strict=True,
        ):
            assert b == pytest.approx(sign * a, rel=1e-6)
        assert self.values(other, "latency") == pytest.approx(self.values(plain, "latency"), abs=1e-6)

    def test_scale(self, made, plain: Result) -> None:
        def scaled(rows):
            for axis in AXES:
                rows[f"{axis}_deg"] *= 1.5
            return rows

        other = self.changed(made, scaled)
        assert found(other, "peak_slow_phase_velocity").value == pytest.approx(
            1.5 * found(plain, "peak_slow_phase_velocity").value, rel=0.01
        )
        assert found(other, "time_constant").value == pytest.approx(
            found(plain, "time_constant").value, rel=0.05
        )
        assert found(other, "latency").value == pytest.approx(found(plain, "latency").value, abs=0.05)

    def test_later(self, made, plain: Result) -> None:
        moved = replace(
            made,
            events=tuple(e._replace(start_s=e.start_s + 50, end_s=e.end_s + 50) for e in made.events),
            targets=tuple(t._replace(start_s=t.start_s + 50, end_s=t.end_s + 50) for t in made.targets),
        )

        def later(rows):
            rows["time_s"] += 50
            return rows

        other = self.changed(moved, later)
        for key in ("latency", "duration", "time_to_peak", "time_constant"):
            assert found(other, key).value == pytest.approx(found(plain, key).value, abs=0.02)

    def test_half_the_frame_rate(self, made, plain: Result) -> None:
        other = self.changed(made, lambda rows: rows[::2])
        assert found(other, "latency").value == pytest.approx(found(plain, "latency").value, abs=0.15)
        assert found(other, "peak_slow_phase_velocity").value == pytest.approx(
            found(plain, "peak_slow_phase_velocity").value, rel=0.06
        )

    def test_exchanged_eyes_exchange_their_findings(self) -> None:
        fast = positional(BASELINE, right_down(self.course), UP, eyes=BOTH)
        slow = positional(BASELINE, right_down(Course((0.0, -10.0, -8.0), latency_s=6)), UP, eyes=BOTH)
        both = replace(fast, samples={"right": fast.samples["right"], "left": slow.samples["left"]})
        other = replace(fast, samples={"right": slow.samples["left"], "left": fast.samples["right"]})
        a, b = (analyse_recording(r, BORN).results[0] for r in (both, other))
        for key in ("latency", "peak_slow_phase_velocity", "duration"):
            assert found(a, key, eye="right").value == pytest.approx(
                found(b, key, eye="left").value, rel=1e-9
            )
            assert found(a, key, eye="left").value == pytest.approx(
                found(b, key, eye="right").value, rel=1e-9
            )


class TestFormulas:
    def test_decay_of_an_exact_exponential(self) -> None:
        time = np.arange(0, 12, 0.4)
        tau = decay(time, 50 * np.exp(-time / 3.7))
        assert tau.value == pytest.approx(3.7, rel=1e-9)  # type: ignore[union-attr]
        assert tau.interval == pytest.approx((3.7, 3.7), rel=1e-6)  # type: ignore[union-attr]

    def test_decay_is_robust_to_one_stray_beat(self) -> None:
        time = np.arange(0, 12, 0.4)
        speed = 50 * np.exp(-time / 3.7)
        speed[5] *= 3
        assert decay(time, speed).value == pytest.approx(3.7, rel=0.03)  # type: ignore[union-attr]

    def test_what_grows_has_no_time_constant(self) -> None:
        time = np.arange(0, 4, 0.4)
        assert decay(time, np.exp(time)) == "the slow phase does not fade"

    @pytest.mark.parametrize("time", [[0.0], [0.0, 0.0], [1.0, 0.5]])
    def test_times_that_do_not_rise_are_a_mistake(self, time: list[float]) -> None:
        with pytest.raises(ValueError, match="time_s"):
            decay(np.array(time), np.ones(len(time)))

    @pytest.mark.parametrize(
        ("shares", "even"),
        [
            (lambda time: 1.0, True),
            (lambda time: 1 - 0.1 * np.sin(time) ** 2, True),  # a little uneven, as eyes are
            (lambda time: 1 - 0.7 * np.sin(np.pi * time / 24) ** 2, False),  # dozes off as it fades
            (lambda time: 0.3 + 0.7 * np.sin(np.pi * time / 24) ** 2, False),  # wakes up
        ],
    )
    def test_a_decline_is_even_or_bent(self, shares, even: bool) -> None:
        """40 exp(-t / 8) deg/s, 3 beats a second, times how awake the patient is."""
        time = np.arange(0.0, 25.0, 1 / 3)
        speed = 40 * np.exp(-time / 8) * shares(time)
        run = Run((), time, speed, np.full(time.size, 0.1), speed, np.full(time.size, 0.1), 0)
        assert is_even(run, CourseSettings()) == even

    @pytest.mark.parametrize("speed", [np.full(40, 20.0), 40 * np.exp(-np.arange(5.0))])
    def test_what_does_not_fade_or_has_few_beats_counts_as_even(self, speed) -> None:
        run = Run((), np.arange(float(len(speed))), speed, speed, speed, speed, 0)
        assert is_even(run, CourseSettings())

    @pytest.mark.parametrize(
        ("right", "left", "percent"),
        [(45, -22, 34.33), (22, 45, -34.33), (10, 10, 0.0), (30, 10, 50.0), (30, 0, 100.0), (0, 7, -100.0)],
    )
    def test_asymmetry(self, right: float, left: float, percent: float) -> None:
        assert asymmetry(right, left, 0.05).value == pytest.approx(percent, abs=0.01)

    def test_asymmetry_interval(self) -> None:
        """20 +- 1 against 20 +- 1: ln ratio 0 +- 1.96 x 0.0707 = 0.1386; 100 tanh(0.0693) = 6.92 %."""
        even = asymmetry(20.0, 20.0, math.hypot(1 / 20, 1 / 20))
        assert even.interval == pytest.approx((-6.92, 6.92), abs=0.01)
        assert even.standard_error == pytest.approx(3.54, abs=0.01)  # 2 R L / (R + L)^2 x 7.07 %

    @pytest.mark.parametrize(("right", "left"), [(0.0, 0.0), (math.nan, 1.0), (1.0, math.inf)])
    def test_asymmetry_of_nothing_is_a_mistake(self, right: float, left: float) -> None:
        with pytest.raises(ValueError, match="right_dps and left_dps"):
            asymmetry(right, left, 0.05)

    def test_fatigue(self) -> None:
        assert fatigue_ratio(-40.0, -30.0) == pytest.approx(0.75)
        with pytest.raises(ValueError, match="first_dps"):
            fatigue_ratio(0.0, 1.0)

    def test_the_largest_single_beat_is_not_the_peak(self) -> None:
        time = np.arange(0, 6, 0.3)
        speed = 20 - np.abs(time - 3) * 2
        speed[14] = 60.0
        envelope, error = smoothed(time, speed, np.full(20, 0.3), CourseSettings())
        assert envelope.max() < 25
        assert np.all(error > 0)

    def test_the_envelope_of_a_parabola_is_the_parabola(self) -> None:
        time = np.linspace(0, 6, 25)
        speed = 30 - (time - 2.5) ** 2
        envelope, _ = smoothed(time, speed, np.zeros(25), CourseSettings())
        assert envelope == pytest.approx(speed, abs=1e-6)


def test_a_repeat_is_held_against_the_first() -> None:
    first, again = Course(RIGHT_POSTERIOR), Course((4.0, -20.0, -18.0))
    shown = analysed(BASELINE, right_down(first, 30), UP, right_down(again, 30), replace(UP, seconds=10))
    ratio = found(shown, "fatigue_ratio", step="right ear down 2")
    assert ratio.value == pytest.approx(0.5, abs=0.05)
    assert ratio.interval is not None
    assert ratio.interval[0] < 0.5 < ratio.interval[1]
