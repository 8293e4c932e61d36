"""A pupil that is no exact ellipse under a lid, and a lid's chord that is none of the pupil's outline."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.pupil_around import AROUND
from capture.pupil_checks import FIELDS, QUALITY, SHAPE
from capture.pupil_chord import onward
from capture.pupil_outline import MOST_RAYS, follow, look_beside_chord, settle
from capture.pupil_rays import keep_off, leave_out
from capture.pupil_shape import FIRST, LAST, error_of_shape

RADIUS, RAYS = 60.0, 192
NOISE_PX = 0.1


Rays = tuple[NDArray, NDArray, NDArray, NDArray]


def living_rays(rng: np.random.Generator, hidden: float, shape: float) -> Rays:
    """An ellipse fitted to a pupil about (0, 0), its frame, what it leaves of each ray, and which are seen.

    `hidden` of the outline is not seen. The waves are those of a living pupil, of `shape` radii (RMS).
    """
    angle = 2 * np.pi * np.arange(RAYS) / RAYS
    waves = np.arange(FIRST, LAST + 1)
    height = rng.standard_normal((2, len(waves))) / waves
    height *= shape * RADIUS / np.sqrt(np.sum(height**2) / 2)
    turns = np.outer(waves, angle)
    shift = height[0] @ np.cos(turns) + height[1] @ np.sin(turns) + rng.normal(0, NOISE_PX, RAYS)
    seen = (angle >= 2 * np.pi * hidden).astype(float)
    ux, uy = np.cos(angle), np.sin(angle)
    rows = np.column_stack((ux, uy, ux * ux, 2 * ux * uy, uy * uy))[seen > 0]
    # as the tracker fits it: an outline is round to 0.15 of its radius
    round_to = 0.15 * RADIUS / NOISE_PX
    rows = np.vstack((rows, np.array([[0, 0, 0.5, 0, -0.5], [0, 0, 0, 1, 0]]) / round_to))
    move = np.linalg.lstsq(rows, np.append(shift[seen > 0], (0, 0)), rcond=None)[0]
    left = shift.copy()
    left[seen > 0] -= (rows @ move)[:-2]
    ellipse = np.array([0, 0, RADIUS, 0, RADIUS], np.float64) + move
    return ellipse, np.column_stack((ux, uy, ux, uy)), left, seen


def fitted(rng: np.random.Generator, hidden: float, shape: float) -> tuple[NDArray, float]:
    """Centre (2,) px of an ellipse fitted to a pupil about (0, 0), and the error stated."""
    ellipse, frame, left, seen = living_rays(rng, hidden, shape)
    return ellipse[:2], error_of_shape(ellipse, frame, left, seen, 20.0, NOISE_PX**2)


@pytest.mark.parametrize("hidden", [0.25, 0.4])
def test_the_error_stated_tells_how_far_a_living_pupil_goes_astray_under_a_lid(hidden: float) -> None:
    """400 invented pupils, across the arc: an ellipse goes astray by once to twice and a tenth as much."""
    rng = np.random.default_rng(7)
    both = [fitted(rng, hidden, SHAPE) for _ in range(400)]
    across = np.array([np.cos(np.pi * hidden), np.sin(np.pi * hidden)])
    strayed = np.sqrt(np.mean([(centre @ across) ** 2 for centre, _ in both]))
    stated = np.sqrt(np.mean([error**2 for _, error in both]))
    assert 1.0 < strayed / stated < 2.1


def test_what_is_an_ellipse_or_wholly_in_view_is_where_its_rays_say() -> None:
    """Waves of 3 to 6 a turn are none of a centre's as long as the whole turn is seen."""
    rng = np.random.default_rng(8)
    for hidden, shape in ((0.0, SHAPE), (0.0, 0.0), (0.3, 1e-6)):
        assert max(fitted(rng, hidden, shape)[1] for _ in range(50)) < 0.12


def test_a_glint_on_a_living_pupil_is_not_taken_for_a_lid_whose_chord_bends_it() -> None:
    """The same rays, a fifth hidden. By a glint: all is bare, and in most the shape explains what is left."""
    rng = np.random.default_rng(10)
    bent = []
    for _ in range(100):
        ellipse, frame, left, seen = living_rays(rng, 0.2, SHAPE)
        given = ellipse, frame, left, seen, 20.0, NOISE_PX**2
        bent.append((leave_out(*given, 0.6), leave_out(*given, 1.0)))
    by_lid, by_glint = np.mean(np.array(bent) > 0.3, axis=0)
    assert by_glint < 0.5 < by_lid


def lidded(depth: float) -> NDArray[np.uint8]:
    """A pupil of 40 px about (160, 120) under a lid whose straight edge hides `depth` radii of it."""
    rng = np.random.default_rng(9)
    y, x = np.mgrid[:240, :320]
    inside = np.clip(40.5 - np.hypot(x - 160, y - 120), 0, 1)
    picture = 70.0 - 60.0 * inside
    under = np.clip(120.5 - 40 * (1 - depth) - y, 0, 1)
    return np.round(picture + under * (80 - picture) + rng.normal(0, 1.5, y.shape)).astype(np.uint8)


def test_dark_beyond_the_outline_tells_of_a_chord() -> None:
    """An ellipse whose top is the chord, 0.3 radii down: the pupil bulges out of it on both sides.

    By hand: it is as wide as the pupil and 1.7 radii high. Chord and pupil meet at (28.6, -28) px from the
    pupil's centre, where the ellipse is only 18 px high: 10 px of the pupil are beyond it.
    """
    outline, flags = np.zeros(FIELDS), np.empty(AROUND, np.bool_)
    outline[[7, 8, 9, 12]] = 10, 60, 1.5, 1.0  # dark, contrast, unrest, blur
    outline[:5] = 160, 120, 40, 0, 40
    assert onward(lidded(0.3), outline, flags) == 0.0
    outline[:5] = 160, 126, 40, 0, 34
    assert onward(lidded(0.3), outline, flags) > 0.06


def test_the_outline_without_the_chord_is_the_pupils() -> None:
    """Begun from an outline that takes the chord of a lid for its top."""
    for depth in (0.2, 0.3, 0.4):
        outline = np.zeros(FIELDS)
        outline[:5] = 160, 120 + 20 * depth, 41, 0, 40 * (1 - 0.5 * depth)
        outline[8] = 60  # contrast
        image = lidded(depth)
        settle(image, outline, 4, False)
        look_beside_chord(image, outline)
        assert np.hypot(outline[0] - 160, outline[1] - 120) < 0.3
        assert outline[QUALITY] > 0.35


def test_what_leads_to_a_known_outline_is_not_followed_to_its_end() -> None:
    """Begun 2 px beside the pupil: followed to it where nothing is known, else lost."""
    image, outline = lidded(0.2), np.zeros(FIELDS)
    outline[:5], outline[8] = (160, 120, 40, 0, 40), 60  # contrast
    settle(image, outline, 4, False)
    rays, known, ends = (np.empty((MOST_RAYS, 4)), *np.empty((2, MOST_RAYS))), outline[:5].copy(), []
    for ellipse in (np.empty(0), known + 20, known):
        beside = outline.copy()
        beside[1] += 2
        ends.append((follow(image, beside, 4, False, ellipse, *rays), np.abs(beside[:5] - known).max()))
    assert ends[0] == ends[1]
    assert ends[0][0] > 0
    assert ends[0][1] < 0.01
    assert ends[2][0] == 0


def test_beside_a_lid_no_more_rays_are_lost_than_beside_a_large_glint() -> None:
    """By hand, of 192 rays: beside 16 a quarter of the run, 4, to each side; beside 100 those of 24: 6."""
    for run, beside in ((16, 4), (100, 6)):
        reflects, usable = np.zeros(192, np.bool_), np.ones(192, np.bool_)
        reflects[50 : 50 + run] = True
        keep_off(reflects, reflects.astype(float), 1, usable, np.ones(192))
        assert np.flatnonzero(~usable).tolist() == list(range(50 - beside, 50 + run + beside))
