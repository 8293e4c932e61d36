"""Positional measures against curves in closed form, and what must follow when a recording is changed."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from analysis.analyse import analyse_recording
from analysis.procedure import Result
from capture.samples import AXES
from tests.analysis.dix_hallpike import (
    BASELINE,
    BORN,
    BOTH,
    HORIZONTAL,
    RIGHT_POSTERIOR,
    TORSIONAL,
    UP,
    VERTICAL,
    analysed,
    found,
    right_down,
)
from tests.analysis.paroxysm import Course, positional
from tests.analysis.sawtooth import MadeRecording, unseen

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

    def test_what_is_found_is_said(self, shown: Result) -> None:
        """Quick phases against the slow ones: 8 to the left, 40 up, 36 of the upper pole to the right."""
        (text,) = (t for t in shown.conclusions if t.startswith("Right ear down"))
        said = re.search(
            r"right eye left-beating ([\d.]+) deg/s and up-beating ([\d.]+) deg/s and .*?right.*? "
            r"([\d.]+) deg/s at the peak, latency ([\d.]+) s",
            text,
        )
        assert said, text
        assert [float(n) for n in said.groups()[:3]] == pytest.approx([8, 40, 36], rel=0.1)
        assert float(said[4]) == pytest.approx(3.0, abs=0.15)

    def test_one_that_stops_at_once_ends_there(self) -> None:
        shown = analysed(BASELINE, right_down(Course(RIGHT_POSTERIOR, tau_s=1e6, lasts_s=12.0)), UP)
        assert found(shown, "duration").value == pytest.approx(12.0, abs=0.5)

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
        shown = analyse_recording(unseen(made, 31.0, 35.0), BORN).results[0]
        assert found(shown, "duration").value == pytest.approx(2 + 8 * math.log(40), abs=2.0)


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
        shown = analyse_recording(unseen(made, 0.0, math.inf), BORN).results[0]
        assert {(f.value, bool(f.reason)) for f in shown.findings} == {(None, True)}
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


def test_a_repeat_is_held_against_the_first() -> None:
    first, again = Course(RIGHT_POSTERIOR), Course((4.0, -20.0, -18.0))
    shown = analysed(BASELINE, right_down(first, 30), UP, right_down(again, 30), replace(UP, seconds=10))
    ratio = found(shown, "fatigue_ratio", step="right ear down 2")
    assert ratio.value == pytest.approx(0.5, abs=0.05)
    assert ratio.interval is not None
    assert ratio.interval[0] < 0.5 < ratio.interval[1]


@pytest.mark.parametrize("again", [(-30.0, 0.0, 0.0), (-4.0, 30.0, 27.0)])
def test_a_repeat_that_beats_another_way_has_not_fatigued(again: tuple[float, float, float]) -> None:
    """Up and toward the right ear first, then horizontal (debris in another canal), or turned round."""
    steps = (
        right_down(Course(RIGHT_POSTERIOR), 30),
        UP,
        right_down(Course(again), 30),
        replace(UP, seconds=10),
    )
    ratio = found(analysed(BASELINE, *steps), "fatigue_ratio", step="right ear down 2")
    assert ratio.value is None
    assert ratio.reason == "the repeat beats another way than the first time"


def test_a_repeat_without_nystagmus_has_fatigued_altogether() -> None:
    still = right_down(Course((0.0, 0.0, 0.0)), 30)
    shown = analysed(BASELINE, right_down(Course(RIGHT_POSTERIOR), 30), UP, still, replace(UP, seconds=10))
    assert found(shown, "fatigue_ratio", step="right ear down 2").value == 0.0
