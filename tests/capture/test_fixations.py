"""Finding where the eye rested, in traces of living eyes whose resting place is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.fixations import Fixation, find_fixations
from capture.profile import EyeView
from capture.samples import SAMPLE_DTYPE, Target

VIEW, SIZE_PX, PX_PER_DEG = EyeView("right"), (320, 240), 6.0
PLACES = ((0, 0), (10, 0), (15, 0), (-10, 0), (-15, 0), (0, 10), (0, -10), (0, 0))


def _saccade(time_s: NDArray[np.float64], start_s: float, size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minimum-jerk step of `size` (deg), 2.2 ms/deg + 21 ms long."""
    u = np.clip((time_s - start_s) / (0.0022 * float(np.linalg.norm(size)) + 0.021), 0.0, 1.0)
    return (u**3 * (10.0 - 15.0 * u + 6.0 * u * u))[:, None] * size


def _targets(duration_s: float) -> list[Target]:
    return [
        Target(1.0 + i * duration_s, 1.0 + (i + 1) * duration_s, *place) for i, place in enumerate(PLACES)
    ]


def _follow(
    rng: np.random.Generator, targets: Sequence[Target], rate_hz: float
) -> tuple[NDArray, NDArray, NDArray]:
    """Times, gaze (n, 2) deg and resting places (8, 2) of an eye.

    It falls short by a tenth, corrects, and makes a microsaccade to where it rests for the remainder.
    """
    time_s = np.arange(0.0, targets[-1].end_s + 0.5, 1.0 / rate_hz) + rng.normal(0.0, 1e-3)
    place = np.zeros(2)
    gaze, rests = np.zeros((len(time_s), 2)), []
    for target in targets:
        way = np.array(target[2:]) - place
        if np.linalg.norm(way) > 0.0:
            latency_s = rng.uniform(0.15, 0.25)
            gaze += _saccade(time_s, target.start_s + latency_s, 0.9 * way)
            gaze += _saccade(time_s, target.start_s + latency_s + rng.uniform(0.1, 0.15), 0.1 * way)
        place = np.array(target[2:], dtype=float)
        small = rng.normal(0.0, 0.15, 2)
        rests.append(place + small)
        gaze += _saccade(time_s, target.start_s + rng.uniform(0.35, 0.45), small)
        gaze += _saccade(time_s, target.end_s + rng.uniform(0.0, 0.1), -small)
    return time_s, gaze, np.array(rests)


def _beats(rng: np.random.Generator, targets: Sequence[Target], slow_dps: float) -> tuple[NDArray, NDArray]:
    """Times and gaze (n, 2) deg of an eye whose quick phases bring it to the target, 0.4 deg SD."""
    time_s = np.arange(0.0, targets[-1].end_s + 0.3, 1.0 / 120.0)
    gaze = np.zeros((len(time_s), 2))
    at, since, beat_s = np.zeros(2), 0.0, 0.0
    for i, now in enumerate(time_s):
        target = next((one for one in targets if one.start_s + 0.2 <= now < one.end_s + 0.2), targets[0])
        if now > beat_s or np.abs(np.array(target[2:]) - at).max() > 2.0:
            at, since, beat_s = (
                np.array(target[2:]) + rng.normal(0.0, 0.4, 2),
                now,
                now + rng.uniform(0.25, 0.45),
            )
        gaze[i] = at - (slow_dps * (now - since), 0.0)
    return time_s, gaze


def _rows(
    time_s: NDArray, gaze_deg: NDArray, rng: np.random.Generator, noise_px: float = 0.1
) -> NDArray[np.void]:
    rows = np.zeros(len(time_s), SAMPLE_DTYPE)
    rows["time_s"] = time_s
    rows["x_px"] = 159.5 - PX_PER_DEG * gaze_deg[:, 0] + rng.normal(0.0, noise_px, len(rows))
    rows["y_px"] = 119.5 - PX_PER_DEG * gaze_deg[:, 1] + rng.normal(0.0, noise_px, len(rows))
    rows["major_px"], rows["minor_px"], rows["visible_share"] = 20.0, 19.0, 1.0
    rows["rotation_deg"] = np.nan
    return rows


def _off_deg(found: Sequence[Fixation], rests: NDArray | None = None) -> NDArray[np.float64]:
    """Distance from each resting place, by default the target."""
    at = np.array([(-one.x_px / PX_PER_DEG, -one.y_px / PX_PER_DEG) for one in found])
    return np.linalg.norm(at - ([one.target[2:] for one in found] if rests is None else rests), axis=1)


@pytest.mark.parametrize("rate_hz", [30.0, 60.0, 250.0, 500.0])
@pytest.mark.parametrize("duration_s", [0.5, 0.8, 2.0])
def test_rest_is_found_at_any_rate_in_short_and_long_targets(rate_hz: float, duration_s: float) -> None:
    """A stretch before the correction would be 1 to 3 deg off, a wrong one 10 to 30."""
    rng = np.random.default_rng(int(rate_hz))
    targets = _targets(duration_s)
    time_s, gaze, rests = _follow(rng, targets, rate_hz)
    found = find_fixations(targets, _rows(time_s, gaze, rng), VIEW, SIZE_PX, 5.0)
    assert all(one.kind == "steady" for one in found)
    assert _off_deg(found, rests).max() < 0.4
    assert np.median(_off_deg(found, rests)) < 0.15


def test_blinks_lost_frames_and_repeated_pictures_do_not_move_a_fixation() -> None:
    rng = np.random.default_rng(5)
    targets = _targets(1.0)
    time_s, gaze, rests = _follow(rng, targets, 100.0)
    lid = np.zeros(len(time_s))
    for target in targets[1:6]:
        lid = np.maximum(lid, np.clip(1.5 - np.abs(time_s - target.start_s - 0.6) / 0.06, 0.0, 1.0))
    gaze[:, 1] -= 3.0 * lid  # the lid pushes the visible part of the pupil down before it hides it
    rows = _rows(time_s, gaze, rng)
    rows["visible_share"] = 1.0 - lid
    hidden = lid > 0.6
    rows["x_px"][hidden] = rows["y_px"][hidden] = np.nan
    rows["repeated"][7::9] = 1
    rows["x_px"][7::9] = 0.0  # a repeated picture must not even be looked at
    kept = rows[rng.random(len(rows)) > 0.05]
    found = find_fixations(targets, kept, VIEW, SIZE_PX, 5.0)
    assert all(one.kind == "steady" for one in found)
    assert _off_deg(found, rests).max() < 0.4


def test_shorter_targets_have_the_larger_uncertainty() -> None:
    """The wander of 0.3 deg SD is alike over 0.1 s; more of it is averaged in a longer target."""
    medians = []
    for duration_s in (0.5, 2.0):
        rng = np.random.default_rng(6)
        targets = _targets(duration_s)
        time_s, gaze, _ = _follow(rng, targets, 100.0)
        wander = np.convolve(rng.normal(0.0, 1.0, len(time_s) + 9), np.ones(10) / np.sqrt(10.0), "valid")
        found = find_fixations(targets, _rows(time_s, gaze + 0.08 * wander[:, None], rng), VIEW, SIZE_PX, 5.0)
        medians.append(np.median([one.standard_error_deg for one in found]))
    assert medians[0] > 1.3 * medians[1] > 0.0


@pytest.mark.parametrize(("slow_dps", "median_deg"), [(9.0, 0.5), (3.0, 0.3), (2.0, 0.3)])
def test_an_eye_with_nystagmus_is_read_right_after_its_quick_phases(
    slow_dps: float, median_deg: float
) -> None:
    """Slow phases to the left; quick phases bring the eye to the target, 0.4 deg SD."""
    rng = np.random.default_rng(7)
    targets = _targets(2.0)
    time_s, gaze = _beats(rng, targets, slow_dps)
    found = find_fixations(targets, _rows(time_s, gaze, rng), VIEW, SIZE_PX, 5.0)
    assert all(one.kind == "foveation" for one in found)
    assert _off_deg(found).max() < 1.0  # at 9 deg/s the middle of a slow phase lies 1.6 deg off
    assert np.median(_off_deg(found)) < median_deg
    assert all(one.standard_error_deg > 0.2 for one in found)


def test_an_eye_that_was_not_seen_is_told_with_the_reason() -> None:
    rng = np.random.default_rng(8)
    targets = _targets(0.8)
    time_s, gaze, _ = _follow(rng, targets, 60.0)
    rows = _rows(time_s, gaze, rng)
    rows["x_px"][(time_s > targets[2].start_s) & (time_s < targets[3].start_s + 0.15)] = np.nan
    found = find_fixations([*targets, Target(99.0, 100.0, 5.0, 5.0)], rows, VIEW, SIZE_PX, 5.0)
    assert [one.kind for one in found] == ["steady"] * 2 + ["none"] + ["steady"] * 5 + ["none"]
    assert found[2].reason == "the pupil was never steady"
    assert np.isnan(found[2].x_px)
    assert find_fixations(targets, rows[:0], VIEW, SIZE_PX, 5.0)[0].kind == "none"


def test_a_first_target_without_a_pupil_was_filmed_nonetheless() -> None:
    rng = np.random.default_rng(8)
    targets = _targets(0.8)
    time_s, gaze, _ = _follow(rng, targets, 60.0)
    rows = _rows(time_s, gaze, rng)
    rows["x_px"][time_s < targets[0].end_s + 0.3] = np.nan
    assert find_fixations(targets, rows, VIEW, SIZE_PX, 5.0)[0].reason == "the pupil was never steady"


def test_a_target_that_an_eye_with_nystagmus_was_not_seen_on_has_no_place() -> None:
    rng = np.random.default_rng(7)
    targets = _targets(2.0)
    time_s, gaze = _beats(rng, targets, 9.0)
    rows = _rows(time_s, gaze, rng)
    rows["x_px"][(time_s > targets[2].start_s - 0.3) & (time_s < targets[3].start_s + 0.3)] = np.nan
    found = find_fixations(targets, rows, VIEW, SIZE_PX, 5.0)
    assert [one.kind for one in found if one is not found[2]] == ["foveation"] * 7
    assert (found[2].kind, found[2].reason) == ("none", "the pupil was never steady")


def test_an_eye_that_drifts_all_along_its_target_rests_nowhere() -> None:
    """16 deg in 2 s on one target alone: no place holds most of its samples."""
    rng = np.random.default_rng(9)
    targets = _targets(2.0)
    time_s, gaze, _ = _follow(rng, targets, 100.0)
    on = (time_s >= targets[4].start_s) & (time_s < targets[5].start_s)
    gaze[on, 1] += np.linspace(-8.0, 8.0, int(on.sum()))
    found = find_fixations(targets, _rows(time_s, gaze, rng), VIEW, SIZE_PX, 5.0)
    assert found[4].kind == "none"
    assert all(found[k].kind == "steady" for k in (1, 2, 6, 7))
