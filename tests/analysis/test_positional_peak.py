"""The peak of made runs: whatever their course and noise, known within what its interval says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.beats import Beat
from analysis.estimate import Estimate, with_error
from analysis.positional import time_constant
from analysis.positional_end import faded_with, fading
from analysis.positional_peak import peak_time, peak_velocity, ratio_error
from analysis.positional_runs import CourseSettings, Run, smoothed

Floats = NDArray[np.float64]
SETTINGS = CourseSettings()
NAN3 = (np.nan, np.nan, np.nan)


def pointed(t: Floats) -> Floats:
    """35 deg/s after 2.5 s, then a decline of 6 s."""
    return 35 * np.minimum(t / 2.5, np.exp(-(t - 2.5) / 6))


def slackening(t: Floats) -> Floats:
    """24 deg/s after 4 s: its rise slackens to nothing, then a decline of 9 s."""
    return 24 * np.where(t < 4, 1 - (1 - t / 4) ** 2, np.exp(-(t - 4) / 9))


def yielding(t: Floats) -> Floats:
    """26 deg/s after 4 s: a cupula that yields to an even pressure, and returns as slowly, by 5 s."""
    return 26 * np.where(t < 4, (1 - np.exp(-t / 5)) / (1 - np.exp(-4 / 5)), np.exp(-(t - 4) / 5))


def rounded(t: Floats) -> Floats:
    """18 deg/s after 5 s: t exp(-t / 5) is at its largest at 5."""
    return 18 * t / 5 * np.exp(1 - t / 5)


def staying(t: Floats) -> Floats:
    """9 deg/s, after 3 s for good."""
    return 9 * np.minimum(t / 3, 1)


COURSES = {
    pointed: (35.0, 2.5),
    slackening: (24.0, 4.0),
    yielding: (26.0, 4.0),
    rounded: (18.0, 5.0),
    staying: (9.0, np.nan),
}


def made(
    course: Callable[[Floats], Floats],
    alike: float,
    seed: int,
    sign: int = 1,
    every: int = 1,
    scatter: float = 0.08,
) -> Run:
    """30 s of uneven beats, 2.5 a second, that scatter by 8 % and 0.4 deg/s; neighbours `alike` so far.

    Of them one in `every` was seen.
    """
    rng = np.random.default_rng(seed)
    starts = np.cumsum(rng.uniform(0.28, 0.52, 75))
    beats = tuple(
        Beat("right", "horizontal", "right", s, s + 0.24, s + 0.24, s + 0.28, NAN3, NAN3, NAN3, True, "")
        for s in starts[::every]
    )
    time = starts[::every] + 0.12
    true = course(time - starts[0])
    noise = lfilter([np.sqrt(1 - alike**2)], [1.0, -alike], rng.standard_normal(len(true)))
    speed, error = sign * (true + noise * np.hypot(0.4, scatter * true)), np.full(len(true), 0.4)
    envelope, envelope_error = smoothed(time, speed, error, SETTINGS)
    peak = int(np.argmax(np.abs(envelope)))
    return Run(beats, time, speed, error, envelope, envelope_error, peak)


@pytest.mark.parametrize("alike", [0.0, 0.4])
@pytest.mark.parametrize("course", COURSES, ids=lambda course: course.__name__)
def test_peak_velocity_has_hardly_a_bias_and_its_interval_holds(course, alike: float) -> None:
    """20 runs: of 95 % intervals fewer than 15 hold by a chance of 1 in 3,000 (binomial)."""
    true, _ = COURSES[course]
    peaks = [peak_velocity(made(course, alike, seed), SETTINGS) for seed in range(20)]
    assert np.median([peak.value for peak in peaks]) == pytest.approx(true, rel=0.06)
    assert sum(peak.interval[0] <= true <= peak.interval[1] for peak in peaks) >= 15
    assert np.median([peak.interval[1] - peak.interval[0] for peak in peaks]) < 0.35 * true


@pytest.mark.parametrize(
    "course", [pointed, slackening, yielding, rounded], ids=lambda course: course.__name__
)
def test_peak_time_is_known_within_its_interval(course) -> None:
    """A top as broad as the rounded one (within 2 % over 2 s) is found early, but within a second."""
    _, top_s = COURSES[course]
    runs = [made(course, 0.2, seed) for seed in range(20)]
    times = [(peak_time(run, SETTINGS), run.start_s + top_s) for run in runs]
    assert np.median([time.value - true for time, true in times]) == pytest.approx(0.0, abs=0.8)
    assert sum(time.interval[0] <= true <= time.interval[1] for time, true in times) >= 15


def test_a_mirrored_run_has_the_mirrored_peak() -> None:
    one, other = (peak_velocity(made(pointed, 0.2, 5, sign), SETTINGS) for sign in (1, -1))
    assert other.value == pytest.approx(-one.value)
    assert other.interval == pytest.approx((-one.interval[1], -one.interval[0]))


def test_a_wandering_eye_widens_the_interval() -> None:
    run = made(staying, 0.0, 3)
    still, wandering = peak_velocity(run, SETTINGS), peak_velocity(run, SETTINGS, 1.0)
    # 1.96 SD of 1 deg/s: wider than what the beats leave open
    assert wandering.interval[1] - wandering.interval[0] > 3.9 > still.interval[1] - still.interval[0]


def test_three_beats_are_enough() -> None:
    """As many as make a run: 10, 12 and 11 deg/s."""
    beats = tuple(
        Beat("right", "horizontal", "right", s, s + 0.4, s + 0.4, s + 0.5, NAN3, NAN3, NAN3, True, "")
        for s in (0.0, 0.5, 1.0)
    )
    time, speed, error = np.array([0.2, 0.7, 1.2]), np.array([10.0, 12.0, 11.0]), np.full(3, 0.5)
    envelope, envelope_error = smoothed(time, speed, error, SETTINGS)
    peak = peak_velocity(Run(beats, time, speed, error, envelope, envelope_error, 1), SETTINGS)
    assert 9.0 < peak.value < 14.0
    assert peak.interval[0] < 11.0 < 12.0 < peak.interval[1]


@pytest.mark.parametrize("speeds", [(2.0, -30.0, 3.0, 2.5), (1.5, 1.2, -40.0), (0.0, 0.0, 0.0)])
def test_a_stray_beat_of_the_other_side_does_not_break_it(speeds: tuple[float, ...]) -> None:
    """Slow beats to the right, at most 3 deg/s, and one that is none of them."""
    speed = np.array(speeds)
    starts = 0.5 * np.arange(speed.size)
    beats = tuple(
        Beat("right", "horizontal", "right", s, s + 0.4, s + 0.4, s + 0.5, NAN3, NAN3, NAN3, True, "")
        for s in starts
    )
    error = np.full(speed.size, 0.5)
    envelope, envelope_error = smoothed(starts + 0.2, speed, error, SETTINGS)
    for peak in range(speed.size):
        run = Run(beats, starts + 0.2, speed, error, envelope, envelope_error, peak)
        found = peak_velocity(run, SETTINGS)
        assert np.isfinite((found.value, *found.interval)).all()
        assert found.interval[0] <= 3.0
        assert found.interval[1] >= 0.0
        assert np.isfinite(ratio_error((run, run), SETTINGS, (0.0, 0.0)))


@pytest.mark.parametrize("every", [1, 3])
def test_the_ratio_of_two_peaks_is_surer_than_each_alone_and_its_interval_holds(every: int) -> None:
    """35 deg/s to one side and 26 to the other: ln 1.346 = 0.297; 15 of 20 as above.

    Two alike peaks, each raised for few beats by Student's t, are raised less together.
    """
    held = 0
    for seed in range(20):
        runs = (made(pointed, 0.0, seed, 1, every), made(yielding, 0.0, 100 + seed, -1, every))
        right, left = (peak_velocity(run, SETTINGS, 0.2) for run in runs)
        error = ratio_error(runs, SETTINGS, (0.2, 0.2))
        alone = [abs(peak.standard_error / peak.value) for peak in (right, left)]
        assert max(alone) / 2 < error < math.hypot(*alone)
        held += abs(np.log(-right.value / left.value) - 0.297) <= 1.96 * error
    assert held >= 15


def first_beats(run: Run, count: int) -> Run:
    """Only the first beats of a run were found."""
    return replace(
        run,
        beats=run.beats[:count],
        time_s=run.time_s[:count],
        velocity_dps=run.velocity_dps[:count],
        envelope_dps=run.envelope_dps[:count],
    )


@pytest.mark.parametrize(
    ("after_dps", "error_dps", "findable_deg", "stopped"),
    [(0.0, 0.3, 0.5, True), (0.0, 0.3, 1.5, False), (0.7, 0.47, 0.5, False)],
)
def test_a_nystagmus_whose_quick_phases_grow_too_small_has_not_stopped(
    after_dps: float, error_dps: float, findable_deg: float, stopped: bool
) -> None:
    """40 exp(-t / 6) deg/s is 3 deg/s in its last beats: 0.4 s of it make 1.2 deg. It would end at 22.1 s.

    Behind the last beat that was found, about 15 s from the first, it would drift by about 2.7 deg/s. That
    the eye does not any more is sure where much less was seen, and the drift itself is known well.
    """
    run = first_beats(made(lambda since_s: 40 * np.exp(-since_s / 6), 0.0, 1), 38)
    ended = fading(run, run.end_s, with_error(after_dps, error_dps), SETTINGS, 0.1, findable_deg)
    assert not isinstance(ended, str)
    true_s = run.end_s - run.start_s if stopped else 6 * np.log(40)
    assert ended.value - run.start_s == pytest.approx(true_s, abs=1.0)


@pytest.mark.parametrize(("error_dps", "reach_s"), [(0.4, 0.0), (8.0, 15.0)])
def test_few_beats_tell_an_end_only_where_the_eye_has_stopped_beyond_doubt(
    error_dps: float, reach_s: float
) -> None:
    """Four beats of 40 exp(-t / 6) deg/s, the last about 21 deg/s fast 4 s from the first: it ends at 22.1 s.

    It would drift by 16 deg/s a second later; whether it does tells 0 +- 0.4, but not 0 +- 8 deg/s.
    """
    run = first_beats(made(lambda since_s: 40 * np.exp(-since_s / 6), 0.0, 0, every=3, scatter=0.02), 4)
    ended = fading(run, run.end_s, with_error(0.0, error_dps), SETTINGS)
    assert not isinstance(ended, str)
    assert ended.value == run.end_s
    assert ended.interval[0] > run.end_s - 2.0  # a beat comes each 1.2 s
    assert reach_s < ended.interval[1] - run.end_s < reach_s + 10.0


def test_a_slower_axis_ends_when_the_fastest_has_faded_as_far() -> None:
    """A tenth of 40 exp(-t / 6) deg/s is 1 deg/s after 6 ln 4 = 8.3 s; a tenth of the share moves it 0.6 s.

    Nothing is said where the fastest does not fade, nor of a share that may be none.
    """
    run = made(lambda since_s: 40 * np.exp(-since_s / 6), 0.0, 1)
    sure, unsure = faded_with(run, 0.1, 0.0, SETTINGS), faded_with(run, 0.1, 0.01, SETTINGS)
    assert sure is not None
    assert unsure is not None
    assert sure.value - run.time_s[0] == pytest.approx(6 * np.log(4), abs=0.5)
    assert sure.interval[0] < run.time_s[0] + 6 * np.log(4) < sure.interval[1]
    added = math.sqrt(unsure.standard_error**2 - sure.standard_error**2)
    assert added == pytest.approx(0.6, rel=0.1)
    assert faded_with(run, 0.1, 0.06, SETTINGS) is None
    assert faded_with(made(staying, 0.0, 1), 0.5, 0.0, SETTINGS) is None


def lasting(t: Floats) -> Floats:
    """30 deg/s from 1.5 to 6 s, then a decline of 5 s."""
    return 30 * np.where(t < 1.5, t / 1.5, np.exp(-np.maximum(t - 6, 0) / 5))


def fading_alone(t: Floats) -> Floats:
    """30 deg/s that decline by 5 s."""
    return 30 * np.exp(-t / 5)


@pytest.mark.parametrize(("course", "scatter"), [(lasting, 0.08), (fading_alone, 0.25)])
def test_a_time_constant_is_neither_of_a_plateau_nor_of_the_beats_that_chance_left(course, scatter) -> None:
    """5 s; 40 runs: of 95 % intervals fewer than 34 hold by a chance of 1 in 100 (binomial).

    Its median strays by 1.25 standard errors of a mean, of each 6 to 9 %: 2.5 standard errors are 4 %.
    """
    found = [time_constant(made(course, 0.0, seed, scatter=scatter), SETTINGS) for seed in range(40)]
    taus = [tau for tau in found if isinstance(tau, Estimate)]
    assert len(taus) == 40
    assert np.median([tau.value for tau in taus]) == pytest.approx(5.0, rel=0.04)
    assert sum(tau.interval[0] <= 5.0 <= tau.interval[1] for tau in taus) >= 34


def test_a_plateau_with_uneven_beats_is_not_taken_for_a_point() -> None:
    """30 deg/s for 4.5 s; beats scatter by 15 %. An eye that stays at the top has no pointed peak."""
    peaks = [peak_velocity(made(lasting, 0.0, seed, scatter=0.15), SETTINGS) for seed in range(40)]
    assert np.median([peak.value for peak in peaks]) == pytest.approx(30.0, rel=0.06)
    assert sum(peak.interval[0] <= 30.0 <= peak.interval[1] for peak in peaks) >= 34


def test_fast_beats_before_the_onset_that_is_told_rise_from_the_first_of_them() -> None:
    run = made(pointed, 0.0, 1)
    late = peak_velocity(run, SETTINGS, began_s=run.start_s + 20.0)
    assert late.value == pytest.approx(35.0, rel=0.1)
