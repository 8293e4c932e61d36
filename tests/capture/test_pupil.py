"""The pupil finder on eyes of many kinds, on pictures without a pupil, and on disturbed pictures."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple, TypeVar

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture import pupil_place
from capture.pupil import PupilFinder
from capture.samples import NO_PUPIL
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Look, Painter
from capture.simulation.still import still
from tests.capture.pictures import KINDS, LIVING, empty_picture, eye_picture, out_of_round

Result = TypeVar("Result")
REAL_EYE = Path(__file__).parents[1] / "data" / "infrared-eye" / "eye.png"


def answered_without_pupil(first: int, count: int) -> Counter[str]:
    """How many pictures without a pupil get one all the same, by scene."""
    wrong: Counter[str] = Counter()
    for number in range(first, first + count):
        scene, image = empty_picture(number)
        wrong[scene] += PupilFinder().find(image) is not NO_PUPIL
    return wrong


def test_no_pupil_where_there_is_none() -> None:
    """Of 180 pictures of nine scenes at most one is answered."""
    assert answered_without_pupil(500_000, 180).total() <= 1


def in_two_processes(work: Callable[[int, int], Result], first: int, count: int) -> tuple[Result, Result]:
    """What `work` gives for each half of the numbered pictures: painting them is what takes the time."""
    half = count // 2
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        halves = [pool.submit(work, first + k * half, half) for k in range(2)]
        return halves[0].result(), halves[1].result()


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_pictures_without_a_pupil_are_hardly_ever_answered() -> None:
    """10,000 pictures none of which any constant was chosen on: at most 0.1 %, whatever the scene.

    Where an answer is worst, in what a shut eye and the face around it show, 2 at most.
    """
    one, two = in_two_processes(answered_without_pupil, 300_000, 10_000)
    wrong = one + two
    sys.stdout.write(f"answered without a pupil: {dict(wrong)}\n")
    assert wrong.total() <= 10, dict(wrong)
    assert wrong.total() - wrong["room"] - wrong["screen"] <= 2, dict(wrong)


class Answer(NamedTuple):
    """What the finder made of one eye at least 60 % of whose pupil is visible."""

    kind: str
    quality: float  # 0: no pupil
    error_px: float  # NaN: no pupil


def answers(first: int, count: int) -> list[Answer]:
    """The finder on eyes that it sees for the first time."""
    found = []
    for number in range(first, first + count):
        shown = eye_picture(number)
        if shown.truth.visible_share >= 0.6:
            pupil = PupilFinder().find(shown.image)
            error = float(np.hypot(pupil.x_px - shown.truth.x_px, pupil.y_px - shown.truth.y_px))
            found.append(Answer(shown.kind, pupil.quality if pupil is not NO_PUPIL else 0.0, error))
    return found


# least share answered; most of the answers beyond 1 px; most of the trusted ones (quality 0.6: the analysis)
BARS = {
    "usual": (0.89, 0.03, 0.02),
    "dark": (0.87, 0.08, 0.065),
    "dark iris": (0.43, 0.25, 0.2),
    "large glint": (0.83, 0.05, 0.04),
    "lid": (0.63, 0.145, 0.065),
    "borders": (0.87, 0.03, 0.02),
}
# quality -> beyond 1 px at most, over all kinds
HONEST = {(0.999, 1.0): 0.018, (0.6, 0.999): 0.135}


@pytest.mark.long
@pytest.mark.timeout(900)
def test_eyes_of_many_kinds_are_found_and_their_quality_is_honest() -> None:
    """1800 pictures none of which any constant was chosen on.

    The aims are 95 % answered and 2 % beyond 1 px. Lids over a third of the iris and a dark iris (5 to 10
    grey levels, its texture as large) fall short of them; their bars say where they are, so that they do not
    get worse. The bars stand off what 1800 other pictures gave by three SD of such a share.
    """
    one, two = in_two_processes(answers, 300_000, 1800)
    for kind in KINDS:
        quality = np.array([a.quality for a in one + two if a.kind == kind])
        error = np.array([a.error_px for a in one + two if a.kind == kind])
        given, trusted = quality > 0, quality >= 0.6
        answered, wrong, misled = np.mean(given), np.mean(error[given] > 1), np.mean(error[trusted] > 1)
        told = f"{kind:12} answered {answered:.1%} (trusted {np.mean(trusted):.1%}), beyond 1 px {wrong:.1%} "
        sys.stdout.write(f"{told}({misled:.1%}), median {np.median(error[given]):.3f} px\n")
        least, most, most_trusted = BARS[kind]
        assert answered >= least, kind
        assert wrong <= most, kind
        assert misled <= most_trusted, kind
    for (low, high), most in HONEST.items():
        off = np.array([a.error_px > 1 for a in one + two if low <= a.quality <= high])
        sys.stdout.write(f"quality {low} to {high}: {len(off)} answers, beyond 1 px {np.mean(off):.1%}\n")
        assert np.mean(off) <= most


def eye_in_motion(eye: int, count: int) -> list[NDArray[np.uint8]]:
    """Pictures of one eye that looks about within 12 deg."""
    rng, painter = np.random.default_rng(eye), Painter(draw_eye(eye, "right"), Camera())
    return [
        painter.image(EyeState(*rng.uniform(-12, 12, 2), pupil_mm=float(rng.uniform(3, 5))), k)
        for k in range(count)
    ]


def test_what_is_answered_does_not_depend_on_the_frames_before() -> None:
    """Shuffled frames of five eyes: 99.5 % of the centres within 0.005 px."""
    images = [image for eye in range(4, 9) for image in eye_in_motion(eye, 80)]
    finder, order = PupilFinder(), np.random.default_rng(1).permutation(400)
    in_order = np.array([finder.find(image)[:2] for image in images])
    shuffled = np.empty((400, 2))
    for k in order:
        shuffled[k] = finder.find(images[k])[:2]
    assert np.isfinite(in_order).all()
    apart = np.hypot(*(in_order - shuffled).T)
    assert np.mean(apart <= 0.005) >= 0.995


def test_an_eye_that_jumped_is_followed_without_a_new_search(monkeypatch) -> None:
    """Jumps of 8 to 16 deg between pictures: no rays from inside, and the same centre as without a past."""
    painter, searched = Painter(draw_eye(4, "right"), Camera()), []
    jumps = [painter.image(EyeState(h, v), 1) for h, v in ((-8.0, 0.0), (8.0, 0.0), (4.0, 7.0), (-4.0, -2.0))]
    alone = np.array([PupilFinder().find(image)[:2] for image in jumps])
    finder = PupilFinder()
    finder.find(jumps[-1])
    monkeypatch.setattr(pupil_place, "measure", lambda *given: searched.append(given))
    assert np.hypot(*(np.array([finder.find(image)[:2] for image in jumps]) - alone).T).max() <= 0.005
    assert not searched


@pytest.mark.parametrize("light", [0.5, 0.75, 1.25, 1.5])
def test_a_step_of_the_light_loses_nothing_and_moves_nothing(light) -> None:
    """The centre moves by at most 0.05 px; mean over six pictures on each side: noise hardly counts."""
    finder, centres = PupilFinder(), []
    for number in range(12):
        image, _ = still(7, (4.0, -3.0, 0.0), light=light if number >= 6 else 1.0, number=number)
        centres.append(finder.find(image)[:2])
    assert np.isfinite(centres).all()
    assert np.hypot(*(np.mean(centres[:6], axis=0) - np.mean(centres[6:], axis=0))) <= 0.05


def test_found_again_at_once_after_a_blink() -> None:
    finder = PupilFinder()
    for opening in (1.0, 0.0, 0.0, 1.0):
        image, truth = still(7, opening=opening)
        pupil = finder.find(image)
        assert (pupil is NO_PUPIL) == (opening == 0.0)
    assert np.hypot(pupil.x_px - truth.x_px, pupil.y_px - truth.y_px) <= 0.1


@pytest.mark.parametrize("number", [12_503_001, 12_503_061, 12_503_077])
def test_the_texture_around_a_wide_pupil_does_not_pull_it(number: int) -> None:
    """Mean error of 12 stills, 7.8 mm wide, where the iris is a narrow ring: at most 0.04 px."""
    rng = np.random.default_rng(number)
    camera = Camera(
        azimuth_temporal_deg=float(rng.uniform(0, 30)),
        elevation_deg=float(rng.uniform(-15, 10)),
        roll_deg=float(rng.uniform(-12, 12)),
    )
    painter = Painter(draw_eye(number, "right" if number % 2 else "left"), camera)
    gaze, errors = rng.uniform(-10, 10, 2) * (1, 0.7), []
    for k in range(12):
        state = EyeState(*(gaze + rng.uniform(-0.5, 0.5, 2)), pupil_mm=7.8)
        pupil, truth = PupilFinder().find(painter.image(state, k)), painter.truth(state)
        errors.append((pupil.x_px - truth.x_px, pupil.y_px - truth.y_px))
    assert np.hypot(*np.mean(errors, axis=0)) <= 0.04


def test_noise_of_an_eye_that_keeps_still() -> None:
    """320x240, unfiltered: at most 0.02 deg RMS.

    A pixel is 50 mm / 480 = 0.104 mm; 10.3 mm from the centre of rotation to the pupil, so a pixel is
    asin(0.104 / 10.3) = 0.58 deg, and 0.02 deg are 0.034 px.
    """
    painter = Painter(draw_eye(5, "left"), Camera(), Look())
    centres = np.array([PupilFinder().find(painter.image(EyeState(), k))[:2] for k in range(60)])
    assert np.sqrt(np.mean(np.var(centres, axis=0))) <= 0.034


def test_the_real_infrared_eye() -> None:
    """Circled by eye in a print of the picture: (328, 233), radius 64, each within 4 px."""
    pupil = PupilFinder().find(cv2.imread(str(REAL_EYE), cv2.IMREAD_GRAYSCALE))
    assert pupil.x_px == pytest.approx(328, abs=4)
    assert pupil.y_px == pytest.approx(233, abs=4)
    assert pupil.major_px == pytest.approx(64, abs=4)


@pytest.mark.parametrize("scale", [0.25, 0.45])
@pytest.mark.parametrize("gain", [1.0, 0.15])
def test_the_real_eye_as_cheap_goggles_show_it(scale: float, gain: float) -> None:
    """Of 16 and 29 px, and dark: its iris, 42 grey levels above the pupil, then by 6, in noise of 2.

    The place is that circled by eye, 4 px of the whole picture, and 1 px of this one.
    """
    whole = cv2.imread(str(REAL_EYE), cv2.IMREAD_GRAYSCALE)
    assert whole is not None
    small = cv2.resize(whole, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(0).normal(0, 2, small.shape)
    pupil = PupilFinder().find(np.clip(np.round(small * gain + 5 + noise), 0, 255).astype(np.uint8))
    assert pupil.x_px == pytest.approx(328 * scale, abs=4 * scale + 1)
    assert pupil.y_px == pytest.approx(233 * scale, abs=4 * scale + 1)
    assert pupil.major_px == pytest.approx(64 * scale, abs=4 * scale + 1)
    assert pupil.quality >= 0.6


@pytest.mark.parametrize("part", ["upper", "lower", "left"])
def test_half_a_frame_gives_the_pupil_or_none(part) -> None:
    """A transfer that broke off leaves half of the picture black: what is answered then is right."""
    image, truth = still(7)
    rows, columns = image.shape
    cut = {"upper": np.s_[: rows // 2], "lower": np.s_[rows // 2 :], "left": np.s_[:, : columns // 2]}[part]
    image = image.copy()
    image[cut] = 0
    pupil = PupilFinder().find(image)
    if pupil is not NO_PUPIL:
        assert np.hypot(pupil.x_px - truth.x_px, pupil.y_px - truth.y_px) <= 1.0


def test_a_face_from_afar_gives_no_pupil() -> None:
    """A face half a metre away: two eyes of 12 px, brows, nose and mouth; no pupil is large enough there."""
    y, x = np.mgrid[:240, :320].astype(float)
    face = 40.0 + 120.0 * (np.hypot((x - 160) / 80, (y - 120) / 110) < 1)
    for eye_x in (128, 192):
        face -= 60 * (np.hypot((x - eye_x) / 13, (y - 100) / 5) < 1)
        face -= 50 * ((abs(x - eye_x) < 16) & (abs(y - 82) < 3))
    face -= 60 * (np.hypot((x - 160) / 26, (y - 180) / 5) < 1)
    noisy = cv2.GaussianBlur(face, (0, 0), 1.0) + np.random.default_rng(2).normal(0, 1.5, face.shape)
    assert PupilFinder().find(np.clip(noisy, 0, 255).astype(np.uint8)) is NO_PUPIL


def test_a_pupil_that_is_no_exact_ellipse_is_as_good_as_others() -> None:
    """As no living pupil is. None is lost, flagged, or led to another centre than its own."""
    found = []
    for number in range(20):
        image, truth = still(number, pupil_mm=5.0)
        found.append((PupilFinder().find(out_of_round(image, truth, number, LIVING)), truth))
    assert max(np.hypot(p.x_px - t.x_px, p.y_px - t.y_px) / t.major_px for p, t in found) < 0.015
    assert np.mean([p.quality >= 0.5 for p, _ in found]) >= 0.95
