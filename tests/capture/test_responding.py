"""An invented patient who answers: directions by hand from the canals, times from the written course."""

from __future__ import annotations

import math

import numpy as np
import pytest

from capture.clock import SteppedClock
from capture.live import CameraSettings
from capture.open_source import open_source
from capture.paced import PacedSource
from capture.pose import Pose
from capture.samples import EYES, Eye, Frame
from capture.simulation.canals import CANALS, Canal, loss_of, slow_phase, with_peak
from capture.simulation.movement import TrueBeat
from capture.simulation.patterns import PATTERNS, Course, Pattern, posterior_canal
from capture.simulation.responding import RespondingPatient
from capture.tracker import Tracker
from tests.capture.source_contract import Hurried

TIME_S = np.arange(0.0, 60.0, 0.004)
DARK = Pose(light="dark")

# Slow phase of an excited canal (clinical reference 5.2, Leigh & Zee): right, up, upper pole to the right.
SLOW_PHASES: dict[tuple[Eye, Canal], tuple[int, int, int]] = {
    ("right", "horizontal"): (-1, 0, 0),
    ("left", "horizontal"): (1, 0, 0),
    ("right", "anterior"): (0, 1, -1),
    ("left", "anterior"): (0, 1, 1),
    ("right", "posterior"): (0, -1, -1),
    ("left", "posterior"): (0, -1, 1),
}


@pytest.mark.parametrize(("side", "canal"), SLOW_PHASES)
def test_an_excited_canal_turns_the_eyes_as_the_books_have_it(side: Eye, canal: Canal) -> None:
    velocity = np.array(slow_phase({(side, canal): 1.0}))
    wanted = np.array(SLOW_PHASES[side, canal])
    assert (np.sign(velocity[wanted != 0]) == wanted[wanted != 0]).all()
    largest = np.abs(velocity).max()
    assert (np.abs(velocity[wanted == 0]) < 0.45 * largest).all()  # what the books leave out is small


def test_a_lost_labyrinth_beats_to_the_healthy_ear_and_its_canals_cancel_up_and_down() -> None:
    h, v, t = loss_of("right")
    assert h > 0  # slow phase to the right: the quick phase goes to the left ear
    assert t > 0
    assert abs(v) < 0.1 * h
    both = np.add(loss_of("right"), loss_of("left"))
    assert (np.abs(both) < 0.12).all()  # people are nearly, not quite, symmetrical in the table
    whole = slow_phase({("right", canal): 1.0 for canal in CANALS})
    assert whole[0] < 0


def test_a_peak_is_that_of_the_fastest_axis() -> None:
    assert with_peak((1.0, -4.0, 2.0), 20.0) == (5.0, -20.0, 10.0)
    with pytest.raises(ValueError, match="direction"):
        with_peak((0.0, 0.0, 0.0), 1.0)


def test_a_course_is_what_its_numbers_say() -> None:
    course = Course((0.0, -40.0, 20.0), latency_s=3.0, rise_s=2.0, tau_s=4.0)
    assert [course.share(t) for t in (2.9, 4.0, 5.0)] == [0.0, 0.5, 1.0]
    assert course.share(9.0) == pytest.approx(math.exp(-1))
    assert course.lasts_s(1) == pytest.approx(2.0 + 4.0 * math.log(40.0))
    assert course.lasts_s(0) == 0.0


def living(
    pattern: Pattern, *poses: tuple[float, Pose], until_s: float = 60.0, seed: int = 1
) -> RespondingPatient:
    patient = RespondingPatient(pattern, seed, keep=True)
    for at_s, pose in poses:
        patient.pose(pose, at_s)
    patient.live_until(until_s)
    return patient


def within(beats: tuple[TrueBeat, ...], start_s: float, end_s: float) -> np.ndarray:
    """(k, 3) slow-phase velocities of the beats in a span of time."""
    found = [b.slow_phase_velocity_dps for b in beats if start_s < b.slow_start_s and b.quick_end_s < end_s]
    return np.array(found).reshape(-1, 3)


def test_a_posterior_canal_answers_after_its_latency_swells_fades_and_turns_round_on_rising() -> None:
    patient = living(
        posterior_canal("right", 45.0, 3.0, 2.5, 4.0),
        (0.0, DARK),
        (10.0, Pose("right ear down", "dark")),
        (50.0, Pose("sitting up", "dark")),
        until_s=80.0,
    )
    down, up = patient.log
    assert (down.reached_s, down.latency_s) == (10.0, 3.0)
    assert down.peak_dps == pytest.approx((18.8, -45.0, -23.4), abs=0.1)  # by hand: 0.278 : -0.666 : -0.346
    assert down.directions == ("left", "up", "upper_pole_right")
    assert up.directions == ("right", "down", "upper_pole_left")
    assert down.duration_s[1] == pytest.approx(2.5 + 4.0 * math.log(45.0))
    beats = patient.true_beats()
    assert len(within(beats, 0.0, 13.0)) == 0
    seen = within(beats, 13.0, 50.0)
    assert seen[:, 1].min() == pytest.approx(-45.0, rel=0.3)  # beats vary by 15 %
    lively = [b for b in beats if b.quick_end_s < 50.0 and abs(b.slow_phase_velocity_dps[1]) > 1.0]
    assert lively[-1].quick_end_s == pytest.approx(13.0 + down.duration_s[1], abs=2.0)  # beats vary by 15 %
    assert np.median(within(beats, 51.5, 60.0)[:, 1]) > 2.0
    early, peak, late = (
        np.abs(within(beats, *span)[:, 1]).mean() for span in ((13, 14.2), (15, 17), (22, 28))
    )
    assert early < peak > late


def test_the_other_ear_down_does_nothing_and_a_repeat_is_weaker() -> None:
    poses = [
        (10.0 * k, Pose(key, "dark"))
        for k, key in enumerate(("left ear down", "sitting up", "right ear down"))
    ]
    again = [(60.0, Pose("sitting up", "dark")), (90.0, Pose("right ear down", "dark"))]
    patient = living(PATTERNS["right posterior canal"], *poses, *again, until_s=120.0)
    assert [a.place for a in patient.log] == ["hanging right", "up after hanging right", "hanging right"]
    assert patient.log[2].peak_dps[1] == pytest.approx(0.5 * patient.log[0].peak_dps[1])
    assert len(within(patient.true_beats(), 0.0, 20.0)) == 0


@pytest.mark.parametrize("side", EYES)
@pytest.mark.parametrize("kind", ["geotropic", "apogeotropic"])
def test_horizontal_canals_beat_to_the_ground_or_away_from_it(side: Eye, kind: str) -> None:
    poses = ((0.0, Pose("roll to the right", "dark")), (60.0, Pose("roll to the left", "dark")))
    patient = living(PATTERNS[f"{side} horizontal canal, {kind}"], *poses, until_s=120.0)
    right, left = patient.log
    beating = [a.directions[0] for a in (right, left)]
    assert beating == (["right", "left"] if kind == "geotropic" else ["left", "right"])
    stronger = right if abs(right.peak_dps[0]) > abs(left.peak_dps[0]) else left
    assert (stronger is right) == ((side == "right") == (kind == "geotropic"))
    if kind == "geotropic":
        assert abs(stronger.peak_dps[0]) > 100.0
    else:
        assert right.duration_s[0] == math.inf
        assert len(within(patient.true_beats(), 45.0, 60.0)) > 10  # it goes on


def test_light_holds_a_lost_labyrinth_back_and_gaze_to_the_quick_phase_brings_it_out() -> None:
    poses = [(0.0, Pose()), (20.0, DARK)]
    poses += [
        (40.0, Pose(light="dark", looks_at_deg=(-20.0, 0.0))),
        (60.0, Pose(light="dark", looks_at_deg=(20.0, 0.0))),
    ]
    beats = living(PATTERNS["acute loss on the right"], *poses, until_s=80.0).true_beats()
    light, straight, toward, away = (np.median(within(beats, k, k + 18.5)[:, 0]) for k in (1, 21, 41, 61))
    assert straight == pytest.approx(12.0, rel=0.1)
    assert light == pytest.approx(0.25 * 12.0, rel=0.15)
    assert toward == pytest.approx(12.0 * 1.3, rel=0.1)  # 1.5 % a degree, 20 degrees
    assert away == pytest.approx(12.0 * 0.7, rel=0.1)


def test_a_gaze_that_is_not_held_drifts_back_and_rebounds() -> None:
    poses = ((0.0, DARK), (10.0, Pose(light="dark", looks_at_deg=(20.0, 0.0))), (50.0, DARK))
    beats = living(PATTERNS["gaze-evoked with rebound"], *poses, until_s=70.0).true_beats()
    assert np.median(within(beats, 11.0, 16.0)[:, 0]) == pytest.approx(-20.0 / 9.0, rel=0.25)
    assert np.median(within(beats, 51.0, 56.0)[:, 0]) > 0.4  # beats to the left after looking to the right


def test_periodic_alternation_turns_round() -> None:
    beats = living(PATTERNS["periodic alternation"], (0.0, DARK), until_s=210.0).true_beats()
    assert np.median(within(beats, 5.0, 40.0)[:, 0]) > 5.0
    assert np.median(within(beats, 70.0, 140.0)[:, 0]) < -5.0


def test_the_eyes_look_where_they_are_asked() -> None:
    patient = living(PATTERNS["healthy"], (1.0, Pose(looks_at_deg=(10.0, -5.0))), (5.0, Pose()), until_s=10.0)
    for eye in EYES:
        gaze = patient.eyes.gaze_deg(np.array([1.0, 4.5, 9.0]), eye)
        assert gaze[0, :2] == pytest.approx([0, 0], abs=0.7)
        assert gaze[1, :2] == pytest.approx([10, -5], abs=0.7)
        assert gaze[2, :2] == pytest.approx([0, 0], abs=0.7)


def test_a_slow_adduction_is_that_eye_s_alone() -> None:
    poses = ((1.0, Pose(looks_at_deg=(-15.0, 0.0))), (3.0, Pose(looks_at_deg=(15.0, 0.0))))
    patient = living(PATTERNS["slow adduction of the right eye"], *poses, until_s=6.0)
    speed = {eye: np.gradient(patient.eyes.gaze_deg(TIME_S[: 6 * 250], eye)[:, 0], 0.004) for eye in EYES}
    to_left, to_right = slice(250, 700), slice(750, 1400)
    assert -speed["left"][to_left].min() > 1.7 * -speed["right"][to_left].min()
    assert speed["left"][to_right].max() == pytest.approx(speed["right"][to_right].max(), rel=0.02)


def test_everything_follows_from_the_seed_and_nothing_from_how_it_is_asked() -> None:
    pattern = PATTERNS["left posterior canal"]
    poses = ((0.0, DARK), (5.0, Pose("left ear down", "dark")))
    whole = living(pattern, *poses, until_s=30.0)
    asked = RespondingPatient(pattern, 1)
    for at_s, pose in poses:
        asked.pose(pose, at_s)
    for time_s in np.arange(0.0, 30.0, 0.02):
        for eye in EYES:
            state = asked.state(eye, float(time_s))
            assert state is not None
            if state.opening == 1.0:  # no blink moves the eye
                assert state[:3] == pytest.approx(whole.eyes.gaze_deg(np.array([time_s]), eye)[0].tolist())
    other = living(pattern, *poses, until_s=30.0, seed=2)
    assert not np.allclose(
        other.eyes.gaze_deg(TIME_S[:5000], "right"), whole.eyes.gaze_deg(TIME_S[:5000], "right")
    )


def test_what_comes_later_changes_nothing_before() -> None:
    quiet = living(PATTERNS["healthy"], (0.0, DARK), until_s=20.0)
    told = living(PATTERNS["healthy"], (0.0, DARK), (20.0, Pose(looks_at_deg=(15.0, 0.0))), until_s=40.0)
    before = np.arange(0.0, 20.0, 0.004)
    assert np.array_equal(quiet.eyes.gaze_deg(before, "right"), told.eyes.gaze_deg(before, "right"))


def test_light_and_a_hand_over_the_eye() -> None:
    patient = RespondingPatient(PATTERNS["healthy"], 1)
    patient.pose(Pose(), -math.inf)
    bright = patient.state("left", 1.0)
    patient.pose(Pose(light="dark", covered="left"), 1.0)
    assert patient.state("right", 8.0) is not None
    assert patient.state("left", 8.0) is None
    patient.pose(DARK, 8.0)
    dark = patient.state("left", 16.0)
    assert bright is not None
    assert dark is not None
    assert dark.pupil_mm > bright.pupil_mm + 0.5


def test_two_cameras_see_one_person_who_is_told_once() -> None:
    """From the text of a source to pupils: up-beating with the ear down: the slow phase carries them down."""
    clock = Hurried(time_s=7.003)
    text = "simulated:{}:right posterior canal"
    sources = [open_source(text.format(eye), clock, CameraSettings(rate_hz=25.0)) for eye in EYES]
    frames: dict[Eye, list[Frame]] = {eye: [] for eye in EYES}
    for number in range(25 * 7):
        for eye, source in zip(EYES, sources, strict=True):
            assert isinstance(source, PacedSource)
            if number == 15:
                source.pose(Pose("right ear down", "dark"), 7.6)
            frame = source.read()
            assert frame is not None
            frames[eye].append(frame)
    for source in sources:
        source.close()
        assert source.read() is None
    assert [f.time_s for f in frames["right"]] == [f.time_s for f in frames["left"]]
    tracker = Tracker()
    y = {eye: np.array([tracker.track(f.image).pupil.y_px for f in frames[eye][-50:]]) for eye in EYES}
    moves = {eye: np.diff(values) for eye, values in y.items()}
    for eye in EYES:
        assert np.nanmedian(moves[eye]) > 0.5  # image y is down
    together = np.isfinite(moves["right"]) & np.isfinite(moves["left"])
    assert np.corrcoef(moves["right"][together], moves["left"][together])[0, 1] > 0.95


def test_a_covered_eye_shows_no_pupil() -> None:
    clock = SteppedClock()
    source = open_source("simulated:left:healthy", Hurried(), CameraSettings(rate_hz=20.0))
    assert isinstance(source, PacedSource)
    source.pose(Pose(covered="left"), clock.now_s())
    tracker = Tracker()
    frames = [source.read() for _ in range(20)]
    source.close()
    found = [tracker.track(frame.image).pupil for frame in frames if frame is not None]
    assert len(found) == 20
    assert all(pupil.quality < 0.6 or math.isnan(pupil.x_px) for pupil in found[10:])
