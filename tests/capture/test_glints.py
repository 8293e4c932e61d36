"""Reflections on the cornea against the place where the simulated lamp is truly mirrored."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.glints_search import find_glints
from capture.simulation import optics
from capture.simulation.anatomy import draw_eye
from capture.simulation.camera import Camera
from capture.simulation.painter import EyeState, Painter
from capture.tracker import Tracker, TrackerSettings

ONE_LAMP = ((9.0, -7.0),)
TWO_LAMPS = ((-9.0, -7.0), (9.0, -7.0))
LOOKS = [(h, v, 0.0) for h in (-14.0, -7.0, 0.0, 7.0, 14.0) for v in (-8.0, 0.0, 8.0)]


def mirrored_at(painter: Painter, gaze_deg: tuple[float, float, float]) -> NDArray[np.float64]:
    """(lamps, 2) where each lamp is mirrored, pixels; the law of reflection, not the painted picture."""
    eye, camera = painter.eye, painter.camera
    surfaces = optics.surfaces(eye)
    position, camera_axes = camera.pose(eye.eye)
    axes = optics.eye_axes(np.array(gaze_deg), eye.nasal_sign * eye.kappa_temporal_deg, eye.kappa_up_deg)
    offsets = np.array([(*lamp, 4.0) for lamp in camera.leds_mm]).reshape(-1, 3)
    middle = (np.array(camera.upright_size_px) - 1) / 2
    found = []
    for lamp in position + offsets @ camera_axes:
        seen = camera_axes @ (optics.glint_point(axes, surfaces, lamp, position) - position)
        found.append(middle + camera.focal_length_px * seen[:2] / seen[2])
    return np.array(found)


def read_all(
    painter: Painter, states: list[EyeState], change=lambda image: image
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The followed reflection (n, 3: x, y, count) with known lamps, and the true ones (n, lamps, 2)."""
    tracker = Tracker(TrackerSettings(torsion=False))
    for key in range(20):
        tracker.track(painter.image(states[len(states) // 2], 1000 + key))
    seen, true = [], []
    for key, state in enumerate(states):
        tracked = tracker.track(change(painter.image(state, key)))
        if np.isfinite(tracked.pupil.x_px):  # a lid hides some
            seen.append(tracked[3:])
            true.append(mirrored_at(painter, state[:3]))
    assert len(seen) > 0.8 * len(states)
    return np.array(seen), np.array(true)


@pytest.mark.parametrize(
    ("size_px", "median_px", "most_px"),
    [((320, 240), 0.05, 0.12), ((640, 480), 0.05, 0.12), ((160, 120), 0.25, 0.35)],  # a saturated dot of 9 px
    ids=["320", "640", "160"],
)
@pytest.mark.parametrize("lamps", [ONE_LAMP, TWO_LAMPS], ids=["one lamp", "two lamps"])
def test_the_centre_is_where_the_law_of_reflection_puts_it(size_px, median_px, most_px, lamps):
    """On the pupil, on its edge and on the iris: gaze and size of the pupil bring it everywhere."""
    camera = replace(Camera(leds_mm=lamps), azimuth_temporal_deg=10.0).resized(size_px)
    states = [EyeState(*look, pupil_mm) for look in LOOKS for pupil_mm in (2.5, 3.5, 5.0, 6.5)]
    errors = []
    for seed in (1, 2, 3):
        seen, true = read_all(Painter(draw_eye(seed, "right"), camera), states)
        offs = np.linalg.norm(seen[:, None, :2] - true, axis=2)
        answered = np.isfinite(seen[:, 0])
        assert answered.mean() >= 0.95
        lamp = np.argmin(np.median(offs[answered], axis=0))  # always the same one
        errors.append(offs[answered, lamp])
    error = np.concatenate(errors)
    assert np.median(error) <= median_px
    assert np.percentile(error, 95) <= most_px
    assert (error > 1.0).sum() == 0


def test_a_lamp_that_is_hidden_is_not_mistaken_for_the_other():
    """Each of the two is painted over in turn: the followed one is then missing, not the other."""
    painter = Painter(draw_eye(4, "right"), Camera(leds_mm=TWO_LAMPS))
    states = [EyeState(*look, 3.0) for look in LOOKS]
    for hidden in (0, 1):
        places = iter([mirrored_at(painter, state[:3])[hidden] for state in states])

        def cover(image, places=places):
            x, y = next(places)
            image, (column, row) = image.copy(), (round(x), round(y))
            around = image[row - 10 : row + 11, column - 10 : column + 11]
            cv2.circle(image, (column, row), 7, int(np.percentile(around, 20)), -1)  # as dark as there
            return image

        seen, true = read_all(painter, states, cover)
        offs = np.linalg.norm(seen[:, None, :2] - true, axis=2)
        both = np.isfinite(seen[:, 0])
        assert both.all() or not both.any()
        if both.any():
            assert np.max(offs[:, 1 - hidden]) < 0.5


def test_room_light_is_counted_and_not_followed():
    painter = Painter(draw_eye(5, "right"), Camera(leds_mm=ONE_LAMP))
    states = [EyeState(*look, 3.0) for look in LOOKS]

    def window(image):
        image = image.copy()
        x, y = mirrored_at(painter, states[len(states) // 2][:3])[0] + (16.0, -18.0)
        cv2.circle(image, (round(x), round(y)), 3, 250, -1, cv2.LINE_AA)
        return image

    plain, true = read_all(painter, states)
    assert (plain[:, 2] == 1).all()
    lit, _ = read_all(painter, states, window)
    assert (lit[:, 2] == 2).mean() > 0.9
    assert np.nanmax(np.linalg.norm(lit[:, :2] - true[:, 0], axis=1)) < 0.5


def test_an_eye_without_a_lamp_shows_none():
    painter = Painter(draw_eye(6, "right"), Camera(leds_mm=()))
    seen, _ = read_all(painter, [EyeState(*look, 3.5) for look in LOOKS])
    assert np.isnan(seen[:, :2]).all()
    assert (seen[:, 2] == 0).all()


def test_hostile_outlines_give_numbers_or_nothing():
    image = np.random.default_rng(1).integers(0, 255, (240, 320), dtype=np.uint8)
    outline = np.zeros(16)
    for x, y in ((0.0, 0.0), (319.0, 239.0), (160.0, 1.0), (-5.0, 300.0)):
        outline[:5] = x, y, 20.0, 0.0, 20.0
        outline[7:9], outline[12] = (20.0, 60.0), 1.0
        for picture in (image, np.zeros_like(image), np.full_like(image, 255)):
            assert 0 <= find_glints(picture, outline, np.zeros((24, 16)), np.zeros((6, 4))) <= 6
