"""Square-wave jerks that follow each other closely, and how many of them blinks and noise let see."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.finding import Finding
from analysis.square_wave_jerks import jerks_visible, square_wave_jerks
from tests.analysis.stimulus_traces import (
    STARTS_S,
    Eyed,
    EyePath,
    TrueSaccade,
    recorded,
    result_of,
    trace_of,
)


def every(period_s: float, size_deg: float, until_s: float) -> EyePath:
    """Jerks to the right from 0.1 s on, off for 0.2 s."""
    path = EyePath()
    for at_s in np.arange(0.1, until_s, period_s).tolist():
        path.saccades[0].extend((TrueSaccade(at_s, size_deg), TrueSaccade(at_s + 0.2, -size_deg)))
    return path


def found_in(path: EyePath, seen: Eyed) -> dict[str, Finding]:
    made = recorded(procedure_named("fixation_stability"), {"right": path}, seen, np.random.default_rng(8))
    return {f.key: f for f in result_of(made).findings if f.key.startswith("square_wave_jerk")}


@pytest.mark.parametrize("jerks", [2, 3, 5])
def test_no_saccade_belongs_to_two_jerks(jerks: int) -> None:
    """Off and back without a longer rest between: as many jerks as ways out, all of them to the right."""
    path = EyePath()
    for k in range(2 * jerks):
        path.saccades[0].append(TrueSaccade(2.0 + 0.25 * k, -2.0 if k % 2 else 2.0))
    trace = trace_of(path, 8.0, Eyed(noise_deg=0.05), np.random.default_rng(7))
    found = square_wave_jerks(trace, 0.0, 8.0)
    assert [round(one.size_deg) for one in found] == [2] * jerks


@pytest.mark.parametrize("side", [1, -1])
def test_on_to_the_other_side_is_back_and_out_again(side: int) -> None:
    """2 deg to the right, 4 to the left, 4 to the right, 2 to the left: places 0, 2, -2, 2, 0; mirrored."""
    path = EyePath()
    for k, size in enumerate((2.0, -4.0, 4.0, -2.0)):
        path.saccades[0].append(TrueSaccade(2.0 + 0.25 * k, side * size))
    found = square_wave_jerks(trace_of(path, 6.0, Eyed(noise_deg=0.05), np.random.default_rng(3)), 0.0, 6.0)
    assert [round(one.size_deg) for one in found] == [2 * side, -2 * side, 2 * side]
    assert [one.start_s for one in found] == pytest.approx([2.0, 2.25, 2.5], abs=0.03)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("last_deg", [0.0, 0.9])
def test_one_that_does_not_come_back_is_no_jerk(last_deg: float, side: int) -> None:
    """2 deg to the right, 5 to the left: 3 beyond, of which nothing or 0.9 deg are undone; and mirrored."""
    path = EyePath(saccades=([TrueSaccade(2.0, 2.0 * side), TrueSaccade(2.25, -5.0 * side)], []))
    if last_deg:
        path.saccades[0].append(TrueSaccade(2.5, last_deg * side))
    trace = trace_of(path, 6.0, Eyed(noise_deg=0.05), np.random.default_rng(3))
    assert square_wave_jerks(trace, 0.0, 6.0) == ()


def test_time_in_which_a_whole_jerk_could_be_seen() -> None:
    """From 1 to 9 s, blink from 4 to 4.3: a jerk of 0.25 s may begin from 1 to 3.75 s and from 4.3 to 9 s.

    2.75 + 4.7 = 7.45 s. Of 250 samples/s 0.2 s hold 50: with noise of 0.1 deg
    10 x 0.1 x sqrt(8 / 50) = 0.4 deg stand out.
    """
    seen = Eyed(noise_deg=0.1, blinks_s=((4.0, 4.3),))
    seconds, smallest_deg = jerks_visible(trace_of(EyePath(), 12.0, seen, np.random.default_rng(4)), 1.0, 9.0)
    assert seconds == pytest.approx(7.45, abs=0.03)
    assert smallest_deg == pytest.approx(0.4, rel=0.15)


def test_blinks_take_no_jerks_away() -> None:
    """One every 0.9 s is 66.7 a minute; with a blink every 2 s each fifth or sixth is cut."""
    blinks = tuple((STARTS_S + 0.5 + 2.0 * k, STARTS_S + 0.7 + 2.0 * k) for k in range(30))
    rate = found_in(every(0.9, 2.0, 70.0), Eyed(noise_deg=0.05, blinks_s=blinks))["square_wave_jerk_rate"]
    assert (rate.accepted or 0) < 57  # of the 66 or 67 that came
    assert rate.value == pytest.approx(66.7, rel=0.1)


def test_jerks_that_noise_hides_are_not_counted() -> None:
    """At 60 samples/s 0.2 s hold 12: 10 x 0.2 x sqrt(8 / 12) = 1.6 deg."""
    for found in found_in(every(3.0, 3.0, 70.0), Eyed(60.0, 0.2)).values():
        assert found.value is None
        assert found.reason.startswith("noise hides jerks below 1.")


def test_an_eye_that_is_never_open_for_a_whole_jerk() -> None:
    """Open for 0.2 s at a time, closed for 0.1 s; a jerk lasts 0.25 s."""
    blinks = tuple((0.3 * k, 0.3 * k + 0.1) for k in range(300))
    rate = found_in(EyePath(), Eyed(noise_deg=0.05, blinks_s=blinks))["square_wave_jerk_rate"]
    assert rate.reason == "the eye was never seen long enough at a time"


def test_blinks_take_no_large_jerks_away() -> None:
    """7 deg, one every 0.9 s: 66.7 a minute as well, and none of them a usual one."""
    blinks = tuple((STARTS_S + 0.5 + 2.0 * k, STARTS_S + 0.7 + 2.0 * k) for k in range(30))
    made = recorded(
        procedure_named("fixation_stability"),
        {"right": every(0.9, 7.0, 70.0)},
        Eyed(noise_deg=0.05, blinks_s=blinks),
        np.random.default_rng(8),
    )
    found = {f.key: f for f in result_of(made).findings}
    macro = found["macro_square_wave_jerks"]
    assert (macro.accepted or 0) < 57  # of the 66 or 67 that came
    assert macro.value == pytest.approx(66.7, rel=0.1)
    assert found["square_wave_jerk_rate"].value == 0
