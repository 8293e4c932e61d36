"""Slips of the goggles told while they happen: soon enough, never without one, and as the file tells them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from capture.calibration import degrees
from capture.samples import SAMPLE_DTYPE
from capture.slip_watch import SlipWatch, away_px
from tests.capture.test_slip import SLIP_S, Run, some_slip


def follow(run: Run, rng: np.random.Generator) -> tuple[SlipWatch, float]:
    """Feed blocks of 1 to 6 frames; when it was first said that the goggles move (NaN: never)."""
    watch, noticed_s, first = SlipWatch(run.calibration), math.nan, 0
    while first < len(run.rows):
        block = run.rows[first : first + int(rng.integers(1, 7))]
        watch.add(block)
        watch.look()
        if math.isnan(noticed_s) and len(watch.steps) > 1:
            noticed_s = float(block["time_s"][-1])
        first += len(block)
    return watch, noticed_s


def check(seed: int) -> None:
    """Against the truth, and against what is found in all the frames at once."""
    run = Run(seed, 45.0, 50.0, some_slip(seed))
    watch, noticed_s = follow(run, np.random.default_rng([seed, 3]))
    near = (run.time_s > SLIP_S - 0.2) & (run.time_s < SLIP_S + 0.5)
    blink = bool(np.isnan(run.rows["x_px"][near]).any())
    assert SLIP_S <= noticed_s <= SLIP_S + (0.8 if blink else 0.5), seed
    (slip,) = watch.slips
    (whole,) = run.found.slips
    assert slip.size_mm == pytest.approx(whole.size_mm, abs=0.05), seed
    assert slip.start_s == pytest.approx(whole.start_s, abs=0.11), seed  # two bins
    away = away_px(watch.steps, run.time_s, run.calibration.model.mm_per_px)
    corrected = degrees(
        run.calibration,
        run.rows["x_px"] - away[:, 0],
        run.rows["y_px"] - away[:, 1],
        run.rows["rotation_deg"],
    )[:, :2]
    before, after = run.time_s < SLIP_S - 0.2, run.time_s > SLIP_S + 1.5
    for part in (before, after):  # found in all at once, the pupil's size is taken out as well: 0.3 deg here
        there = part & (run.rows["visible_share"] > 0.9)
        apart = corrected[there] - (run.gaze_deg + run.off_deg(corrected=True))[there]
        assert np.abs(np.nanmedian(apart, axis=0)).max() < 0.6, seed
    there = after & (run.rows["visible_share"] > 0.9)
    assert np.abs(np.nanmean((corrected - run.gaze_deg)[there], axis=0)).max() <= 1.0, seed


def test_a_slip_is_noticed_within_half_a_second_and_as_in_the_whole():
    for seed in range(2):
        check(seed)


@pytest.mark.long
def test_slips_over_many_anatomies():
    for seed in range(100, 116):
        check(seed)


def test_no_false_slip_in_a_minute():
    watch, noticed_s = follow(Run(7, 60.0, 30.0, None, shift_mm_per_mm=0.05), np.random.default_rng(1))
    assert math.isnan(noticed_s)
    assert watch.slips == ()


@pytest.mark.long
@pytest.mark.timeout(900)
def test_no_false_slip_in_thirty_minutes():
    """Saccades, nystagmus, blinks, light and dark; of pairs no more is kept than 60 s and the first 10 s."""
    watch, noticed_s = follow(Run(302, 1800.0, 30.0, None, shift_mm_per_mm=0.3), np.random.default_rng(1))
    assert math.isnan(noticed_s)
    assert len(watch._final) <= 20 * (60 + 10) + 20


def test_blocks_of_any_size_give_the_same():
    run = Run(1, 40.0, 30.0, some_slip(1))
    found = []
    for step in (1, 7, 40):
        watch = SlipWatch(run.calibration)
        for first in range(0, len(run.rows), step):
            watch.add(run.rows[first : first + step])
        found.append(watch._final)
    for other in found[1:]:
        np.testing.assert_allclose(other[: len(found[0])], found[0][: len(other)], atol=1e-9)


def test_a_new_home_forgets_the_slip_and_not_the_eye():
    run = Run(1, 40.0, 30.0, some_slip(1))
    watch, _ = follow(run, np.random.default_rng(1))
    assert watch.slips
    watch.begin(float(run.time_s[-1]))
    assert (watch.slips, watch.moving, len(watch.steps)) == ((), False, 1)


@pytest.mark.parametrize("count", [0, 1, 30, 400])
@pytest.mark.parametrize("value", [np.nan, 0.0, 1e9, -np.inf])
def test_hostile_samples_are_no_slip_and_no_fault(count, value):
    run = Run(8, 8.0, 30.0, None)
    rows = np.zeros(count, SAMPLE_DTYPE)
    rows["time_s"] = np.arange(count) / 30.0
    for name in ("x_px", "y_px", "major_px", "minor_px", "glint_x_px", "glint_y_px"):
        rows[name] = np.random.default_rng(1).normal(size=count) * 40 + 100
        rows[name][::2] = value
    watch = SlipWatch(run.calibration)
    for first in range(0, count, 10):
        watch.add(rows[first : first + 10])
        watch.look()
    assert np.isfinite(watch._final[:, 0]).all()
