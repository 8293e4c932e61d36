from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.errors import AnalysisError, EyeError
from analysis.trace import find_blinks, make_trace, trace_from_arrays
from capture.samples import SAMPLE_DTYPE, Eye
from tests.analysis.sawtooth import Made, Phase, make_recording

RATE = 100.0


@dataclass(frozen=True)
class Calibrated:
    calibrated: bool = True
    direction: str = "proven"


@dataclass(frozen=True)
class Recorded:
    """As much of a recording as a trace needs."""

    samples: dict[Eye, NDArray[np.void]]
    calibrations: dict[Eye, Calibrated] = field(default_factory=lambda: {"right": Calibrated()})


def rows(seconds: float = 4.0, rate_hz: float = RATE) -> NDArray[np.void]:
    """An eye that trembles about 1 deg right, 2 deg up, round pupil, everything well seen."""
    made = np.zeros(round(seconds * rate_hz), SAMPLE_DTYPE)
    made["time_s"] = np.arange(made.size) / rate_hz
    made["major_px"], made["minor_px"], made["visible_share"] = 30.0, 29.0, 1.0
    made["pupil_quality"], made["torsion_quality"] = 0.9, 0.9
    made["horizontal_deg"], made["vertical_deg"], made["torsional_deg"] = 1.0, 2.0, 3.0
    made["horizontal_deg"][::2] += 0.01
    return made


def trace_of(made: NDArray[np.void], **calibration: object):
    return make_trace(Recorded({"right": made}, {"right": Calibrated(**calibration)}), "right")  # type: ignore[arg-type]


def lose(made: NDArray[np.void], first: int, last: int) -> None:
    for name in ("x_px", "y_px", "major_px", "minor_px", "visible_share", "horizontal_deg", "vertical_deg"):
        made[name][first : last + 1] = np.nan
    made["pupil_quality"][first : last + 1] = 0.0


class TestMakeTrace:
    def test_a_good_recording_is_valid_throughout(self) -> None:
        trace = trace_of(rows())
        assert trace.valid.all()
        assert trace.torsion_valid.all()
        assert trace.position_deg[7].tolist() == [1.0, 2.0, 3.0]
        assert trace.rate_hz == pytest.approx(100.0)
        assert (trace.calibrated, trace.direction_proven) == (True, True)
        assert len(trace.blinks_s) == 0

    @pytest.mark.parametrize(("quality", "valid"), [(0.6, True), (0.59, False), (np.nan, False)])
    def test_pupils_of_poor_quality_do_not_count(self, quality: float, valid: bool) -> None:
        made = rows()
        made["pupil_quality"][50] = quality
        trace = trace_of(made)
        assert bool(trace.valid[50]) is valid
        assert trace.valid[49]

    def test_a_copied_picture_is_no_observation(self) -> None:
        made = rows()
        made["repeated"][50] = 1
        assert np.flatnonzero(~trace_of(made).valid).tolist() == [50]

    def test_unreadable_torsion_leaves_the_other_axes(self) -> None:
        made = rows()
        made["torsion_quality"][50], made["torsional_deg"][60] = 0.4, np.nan
        trace = trace_of(made)
        assert trace.valid.all()
        assert np.flatnonzero(~trace.torsion_valid).tolist() == [50, 60]

    def test_a_blink_is_cut_from_50_ms_before_to_100_ms_after(self) -> None:
        """Pupil lost in samples 100 to 119, 1.00 to 1.19 s: cut 0.95 to 1.29 s."""
        made = rows()
        lose(made, 100, 119)
        trace = trace_of(made)
        assert trace.blinks_s == pytest.approx(np.array([[0.95, 1.29]]))
        assert np.flatnonzero(~trace.valid).tolist() == list(range(95, 130))

    def test_flags_follow_the_calibration(self) -> None:
        made = rows()
        assert trace_of(made, direction="unproven").direction_proven is False
        assert trace_of(made, direction="contradicted").direction_proven is False
        assert trace_of(made, calibrated=False).calibrated is False

    @pytest.mark.parametrize(("eye", "proven"), [("right", (True, True)), ("left", (False, False))])
    def test_each_eye_goes_by_its_own_calibration(self, eye: Eye, proven: tuple[bool, bool]) -> None:
        own = {"right": Calibrated(), "left": Calibrated(calibrated=False, direction="unproven")}
        trace = make_trace(Recorded({"right": rows(), "left": rows()}, own), eye)  # type: ignore[arg-type]
        assert (trace.calibrated, trace.direction_proven) == proven

    def test_without_a_calibration_nothing_is_proven(self) -> None:
        trace = make_trace(Recorded({"right": rows()}, {}), "right")  # type: ignore[arg-type]
        assert (trace.calibrated, trace.direction_proven) == (False, False)

    def test_an_eye_that_was_not_recorded(self) -> None:
        with pytest.raises(EyeError, match="no samples of the left eye") as raised:
            make_trace(Recorded({"right": rows()}), "left")  # type: ignore[arg-type]
        assert isinstance(raised.value, AnalysisError)


class TestStuck:
    @pytest.mark.parametrize(("last", "stuck"), [(299, False), (300, True)])
    def test_one_value_for_two_seconds_is_no_observation(self, last: int, stuck: bool) -> None:
        made = rows()
        made["horizontal_deg"][100 : last + 1] = 5.0
        trace = trace_of(made)
        assert np.flatnonzero(~trace.valid).tolist() == (list(range(100, last + 1)) if stuck else [])
        assert trace.stuck_s.tolist() == ([[1.0, 3.0]] if stuck else [])

    def test_one_axis_alone_may_stand_still(self) -> None:
        """A file of horizontal movement only; the vertical axis of `rows` never moves."""
        assert trace_of(rows()).valid.all()

    @pytest.mark.parametrize("step_deg", [0.05, 0.2])
    def test_rounded_positions_of_an_eye_at_rest_count(self, step_deg: float) -> None:
        """A drift of 0.3 deg/s, taken back each second, noise of 0.05 deg: values repeat for some samples."""
        made = rows(20.0)
        noise = np.random.default_rng(3).normal(0, 0.05, (2, made.size))
        drift = 0.3 * (made["time_s"] % 1)
        for name, values in zip(("horizontal_deg", "vertical_deg"), noise, strict=True):
            made[name] = np.round((values + drift) / step_deg) * step_deg
        assert np.mean(np.diff(made["vertical_deg"]) == 0) > 0.2
        assert trace_of(made).valid.all()

    @pytest.mark.parametrize("procedure", ["spontaneous", "dix_hallpike_right", "hyperventilation", "free"])
    def test_a_stuck_tracker_is_no_eye_at_rest(self, procedure: str) -> None:
        """No velocity of 0, no drift of 0: not assessed, and why."""
        steps = procedure_named(procedure).steps
        phases = [Phase(step.key, 30) for step in steps] or [Phase("anything", 30)]
        made = make_recording(Made(tuple(phases), procedure=procedure))
        for eye in made.samples:
            for name in ("horizontal_deg", "vertical_deg", "torsional_deg"):
                made.samples[eye][name] = 1.5
        result = analyse_recording(made, 1966).results[0]  # type: ignore[arg-type]
        assert [f for f in result.findings if f.value is not None] == []
        speeds = [f for f in result.findings if f.key == "slow_phase_velocity"]
        assert speeds
        assert all("; the tracker was stuck at one value for " in f.reason for f in speeds)
        assert any("the tracker was stuck" in text for text in result.cautions)
        assert not result.fits


class TestWrongUnits:
    """Pixels or the like for degrees: no eye looks behind itself."""

    @pytest.mark.parametrize("name", ["horizontal_deg", "vertical_deg"])
    @pytest.mark.parametrize("way", [1, -1])
    def test_places_behind_the_eye_do_not_count(self, name: str, way: int) -> None:
        made = rows()
        made[name][100:200], made[name][200] = way * 90.1, way * 90.0
        assert np.flatnonzero(~trace_of(made).valid).tolist() == list(range(100, 200))

    @pytest.mark.parametrize("procedure", ["spontaneous", "dix_hallpike_right", "caloric_right_warm"])
    def test_pixels_are_not_assessed_and_say_why(self, procedure: str) -> None:
        """Right-beating about pixel 320, 40 a degree."""
        phases = tuple(Phase(step.key, 30, (-8.0, 0, 0)) for step in procedure_named(procedure).steps)
        made = make_recording(Made(phases, procedure=procedure))
        for eye in made.samples:
            made.samples[eye]["horizontal_deg"] = 320 + 40 * made.samples[eye]["horizontal_deg"]
        result = analyse_recording(made, 1966).results[0]  # type: ignore[arg-type]
        speeds = [f for f in result.findings if f.key == "slow_phase_velocity"]
        assert speeds
        assert all(f.value is None and "not in degrees" in f.reason for f in speeds)
        assert any("not in degrees" in text for text in result.cautions)
        assert not result.fits
        assert not result.red_flags


class TestBlinks:
    def test_one_lost_frame_is_no_blink(self) -> None:
        made = rows()
        lose(made, 100, 100)
        assert len(find_blinks(made)) == 0
        assert np.flatnonzero(~trace_of(made).valid).tolist() == [100]

    def test_a_covered_pupil_is_a_blink(self) -> None:
        made = rows()
        made["visible_share"][100:110] = 0.4
        assert find_blinks(made) == pytest.approx(np.array([[0.95, 1.19]]))

    def test_a_pupil_gone_flat_is_a_blink_and_one_seen_from_the_side_is_not(self) -> None:
        made = rows()
        made["minor_px"][100:110] = 19.0  # 0.63 of the long axis, before 0.97
        assert find_blinks(made) == pytest.approx(np.array([[0.95, 1.19]]))
        made["minor_px"] = 19.0
        assert len(find_blinks(made)) == 0

    def test_two_blinks_whose_cuts_touch_are_one(self) -> None:
        made = rows()
        lose(made, 100, 109)
        lose(made, 120, 129)
        assert find_blinks(made) == pytest.approx(np.array([[0.95, 1.39]]))
        lose(made, 200, 209)
        assert len(find_blinks(made)) == 2

    @pytest.mark.parametrize("count", [0, 1, 2])
    def test_hardly_any_samples(self, count: int) -> None:
        assert len(find_blinks(rows()[:count])) == 0

    def test_a_recording_without_a_pupil(self) -> None:
        made = rows(1.0)
        lose(made, 0, 99)
        assert find_blinks(made) == pytest.approx(np.array([[-0.05, 1.09]]))
        assert not trace_of(made).valid.any()


class TestTraceFromArrays:
    def test_velocity_on_uneven_times(self) -> None:
        """Positions 5 t: every local difference is 5 deg/s whatever the steps."""
        time = np.cumsum([0.0, 0.01, 0.012, 0.009, 0.02, 0.01, 0.01])
        position = np.outer(time, [5.0, -3.0, 1.0])
        trace = trace_from_arrays("left", time, position)
        assert trace.velocity_dps == pytest.approx(np.tile([5.0, -3.0, 1.0], (7, 1)))

    def test_velocity_is_not_taken_over_a_long_gap(self) -> None:
        """Samples each 10 ms, then a gap of 100 ms: the neighbours on their own side alone count."""
        time = np.r_[np.arange(5) * 0.01, 0.14 + np.arange(5) * 0.01]
        position = np.column_stack([np.where(time < 0.1, time, 10.0 + 2 * time)] * 3)
        velocity = trace_from_arrays("left", time, position).velocity_dps[:, 0]
        assert velocity == pytest.approx(np.r_[np.full(5, 1.0), np.full(5, 2.0)])

    def test_velocity_is_missing_where_samples_are(self) -> None:
        time = np.arange(9) * 0.01
        valid = np.array([1, 1, 0, 0, 0, 1, 0, 0, 0], dtype=bool)
        velocity = trace_from_arrays("left", time, np.zeros((9, 3)), valid).velocity_dps
        assert np.isfinite(velocity[:, 0]).tolist() == [True, True] + [False] * 7

    def test_two_samples_at_one_instant_are_one_observation(self) -> None:
        trace = trace_from_arrays("left", [0.0, 0.01, 0.01, 0.02], np.zeros((4, 3)))
        assert trace.valid.tolist() == [True, True, False, True]

    def test_arrays_are_read_only(self) -> None:
        trace = trace_from_arrays("left", [0.0, 0.1], np.zeros((2, 3)))
        for array in (trace.time_s, trace.position_deg, trace.velocity_dps, trace.valid, trace.torsion_valid):
            assert not array.flags.writeable

    def test_nothing_at_all(self) -> None:
        trace = trace_from_arrays("left", [], np.zeros((0, 3)))
        assert trace.time_s.size == 0
        assert np.isnan(trace.rate_hz)

    @pytest.mark.parametrize(
        ("arguments", "named"),
        [
            ({"time_s": [[0.0]], "position_deg": np.zeros((1, 3))}, "time_s"),
            ({"time_s": [0.0, 1.0], "position_deg": np.zeros((2, 2))}, "position_deg"),
            ({"time_s": [1.0, 0.0], "position_deg": np.zeros((2, 3))}, "time_s"),
            ({"time_s": [0.0, np.nan], "position_deg": np.zeros((2, 3))}, "time_s"),
            ({"time_s": [0.0], "position_deg": np.zeros((1, 3)), "valid": [True, True]}, "valid"),
            ({"time_s": [0.0], "position_deg": np.zeros((1, 3)), "torsion_valid": []}, "torsion_valid"),
        ],
    )
    def test_a_callers_mistake_is_named(self, arguments: dict, named: str) -> None:
        with pytest.raises(ValueError, match=f"^{named} must"):
            trace_from_arrays("left", **arguments)
