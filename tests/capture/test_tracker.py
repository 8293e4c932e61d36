"""The tracker against recordings whose truth is known, and against pictures that hold no pupil."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import h5py
import numpy as np
import pytest

from capture.pupil import PupilFinder
from capture.samples import NO_PUPIL
from capture.tracker import Tracker, TrackerSettings

PHANTOM = Path(__file__).parents[1] / "data" / "phantom"
UPBEAT = PHANTOM / "s02_upbeat_torsional_paroxysm"


def read_pictures(path: Path) -> list[np.ndarray]:
    video = cv2.VideoCapture(str(path))
    pictures = []
    while True:
        got, picture = video.read()
        if not got:
            break
        pictures.append(np.ascontiguousarray(picture[..., 0]))
    video.release()
    return pictures


def read_truth(folder: Path, eye: str, *names: str) -> list[np.ndarray]:
    with h5py.File(folder / "truth.h5") as file:
        group = file[eye]
        shown = group["video_frame"][:] >= 0
        return [group[name][:][shown] for name in names]


@pytest.fixture(scope="module")
def upbeat() -> list[np.ndarray]:
    return read_pictures(next(UPBEAT.glob("video_R.*")))


def test_pupil_centre_of_a_clear_recording(upbeat):
    x, y, visible = read_truth(UPBEAT, "R", "ell_x", "ell_y", "pupil_visible")
    tracker = Tracker(TrackerSettings(torsion=False))
    pupils = np.array([tracker.track(picture).pupil for picture in upbeat])
    clear = visible >= 0.6
    answered = clear & np.isfinite(pupils[:, 0])
    error = np.hypot(pupils[:, 0] - x, pupils[:, 1] - y)[answered]
    assert answered.sum() >= 0.995 * clear.sum()
    assert np.median(error) <= 0.1
    assert (error > 1.0).sum() <= 2


def test_rotation_follows_the_torsion_near_straight_ahead(upbeat):
    h, v, t, visible = read_truth(UPBEAT, "R", "h", "v", "t", "pupil_visible")
    tracker = Tracker()
    rotation = np.array([tracker.track(picture).rotation_deg for picture in upbeat])
    near = (np.hypot(h, v) < 5) & (visible > 0.6)
    used = near & np.isfinite(rotation)
    assert used.sum() >= 0.95 * near.sum()
    # the picture of this recording is mirrored: what turns clockwise for the patient turns x toward y in it
    error = rotation[used] - t[used]
    assert np.std(error) <= 0.25  # false torsion of oblique gaze seen off axis is still in it


@pytest.mark.parametrize(
    "image",
    [
        np.zeros((240, 320), np.uint8),
        np.full((240, 320), 255, np.uint8),
        np.zeros((0, 0), np.uint8),
        np.zeros((3, 3), np.uint8),
        np.zeros((240, 320), np.float32),
        np.zeros((240, 320, 3), np.uint8),
        np.random.default_rng(1).integers(0, 255, (240, 320), dtype=np.uint8),
        np.tile(np.arange(320, dtype=np.uint8), (240, 1)),
    ],
    ids=["black", "white", "empty", "tiny", "float", "colour", "noise", "ramp"],
)
def test_a_picture_without_a_pupil_gives_no_pupil(image):
    tracked = Tracker().track(image)
    assert tracked.pupil is NO_PUPIL
    assert np.isnan(tracked.rotation_deg)
    assert tracked.torsion_quality == 0.0


@pytest.mark.parametrize(
    ("recording", "least"), [("s08_normal_fixation_200fps", 0.995), ("s02_upbeat_torsional_paroxysm", 0.985)]
)
def test_shuffled_frames_of_a_recording_give_the_same_centres(recording, least):
    """s08, 160x120, three orders: 99.5 % of the centres within 0.005 px.

    s02: in many of its frames the pupil's size is where the number of rays changes; 98.5 %.
    """
    pictures = read_pictures(next((PHANTOM / recording).glob("video_*")))
    finder = PupilFinder()
    in_order = np.array([finder.find(picture)[:2] for picture in pictures])
    agree = []
    for seed in range(1, 4):
        finder = PupilFinder()
        for k in np.random.default_rng(seed).permutation(len(pictures)):
            apart = np.hypot(*(np.array(finder.find(pictures[k])[:2]) - in_order[k]))
            if np.isfinite(apart):
                agree.append(apart <= 0.005)
    assert len(agree) >= 3 * 0.95 * len(pictures)
    assert np.mean(agree) >= least


def test_two_trackers_in_two_threads_do_not_disturb_each_other(upbeat):
    def run(pictures):
        tracker = Tracker(TrackerSettings(torsion=False))
        return [tracker.track(picture).pupil for picture in pictures]

    some, others = upbeat[:80], upbeat[100:180]
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(run, (some, others)))
    assert together == [run(some), run(others)]
