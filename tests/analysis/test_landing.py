from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.beats import find_beats
from analysis.landing import landing_share
from analysis.spans import velocity_in
from analysis.steps import STEP_DTYPE
from analysis.trace import Trace, trace_from_arrays

Course = Callable[[NDArray[np.float64]], NDArray[np.float64]]
RATE_HZ, SECONDS, SLOW_DPS, BEATS_HZ = 250.0, 40.0, 20.0, 2.0
LASTS_S = 0.045  # of quick phases of 10 deg


def sharp(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """A quick phase that sets out and lands smoothly: minimum jerk."""
    u = np.clip(u, 0, 1)
    return 10 * u**3 - 15 * u**4 + 6 * u**5


def soft(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """One that sets out at once and lands ever more slowly."""
    return (1 - np.exp(-5 * np.clip(u, 0, 1))) / (1 - np.exp(-5))


def swinging(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """One that goes 8 % too far and comes back within its own duration."""
    return sharp(u) + np.where(u > 0.9, 0.08 * np.exp(-np.maximum(u - 0.9, 0) * 3), 0.0)


def drifting(
    course: Course, sign: float, seed: int, seconds: float = SECONDS, noise_deg: float = 0.1
) -> Trace:
    """Beats of one velocity: `sign` 1 drifts to the right."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, seconds, 1 / RATE_HZ)
    place = SLOW_DPS * time
    for begins_s in np.arange(0.3, seconds, 1 / BEATS_HZ) + rng.uniform(-0.1, 0.1, int(seconds * BEATS_HZ)):
        place = place - SLOW_DPS / BEATS_HZ * course((time - begins_s) / LASTS_S)
    position = np.column_stack((sign * place, np.zeros((time.size, 2))))
    return trace_from_arrays("right", time, position + rng.normal(0, noise_deg, position.shape))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("course", [sharp, soft])
def test_how_quick_phases_land_does_not_bend_the_slow_phases(course: Course, sign: float) -> None:
    """The truth is the drift; a soft landing taken for slow phase would make it 0.24 % too slow."""
    off = []
    for seed in range(12):
        trace = drifting(course, sign, seed)
        found = velocity_in(trace, find_beats(trace), 0, 0.0, SECONDS)
        assert found is not None
        off.append(found.value / (sign * SLOW_DPS) - 1.0)
    assert abs(np.mean(off)) < 0.0012


def test_ten_swinging_beats_are_enough_by_hand() -> None:
    """The truth is the drift; taken for slow phase, the way back would make it 0.2 % too fast."""
    traces = [drifting(swinging, 1.0, seed, 6.0, 0.01) for seed in range(4)]
    found = [np.mean([b.slow_phase_velocity_dps[0] for b in find_beats(t)[1:]]) for t in traces]
    assert np.mean(found) == pytest.approx(SLOW_DPS, rel=0.0015)


def seen_behind(late_s: float, share: float, bent_dps2: float = 0.0) -> tuple:
    """20 quick phases of 10 deg and 50 ms; each is `share` of it short for `late_s` into its slow phase.

    1,000 samples/s without noise (0.01 deg is believed); slow phases of 0.2 s at -20 deg/s that bend; torsion
    cannot be read in every second sample, the last slow phase is too short to tell.
    """
    time = np.arange(0, 6.0, 0.001)
    fast = np.zeros(20, STEP_DTYPE)
    fast["start_s"] = 0.25 * np.arange(20) + 0.2
    fast["end_s"] = fast["start_s"] + 0.05
    fast["step_deg"] = [10.0, 0.0, 2.0]
    begin_s, end_s = np.r_[0.0, fast["end_s"][:-1]], fast["start_s"].copy()
    end_s[-1] = begin_s[-1] + 0.004
    since_s = np.maximum(time[:, None] - begin_s, 0.0)
    inside = (since_s > 0) & (since_s <= 0.2)
    each = np.where(inside, -20.0 * since_s + bent_dps2 * since_s * (since_s - 0.2), 0.0)
    each -= np.where(inside & (since_s < late_s), 10.0 * share, 0.0)
    place = each.sum(axis=1)
    position = np.column_stack((place, np.zeros(time.size), 0.2 * place))
    position[::2, 2] = np.nan
    velocity = np.tile([-20.0, 0.0, -4.0], (20, 1))
    return time, position, np.full(3, 0.01), fast, (begin_s, end_s), velocity


@pytest.mark.parametrize(("late_s", "tenths"), [(0.0099, 2), (0.0249, 5), (0.0, 0)])
@pytest.mark.parametrize("share", [0.02, -0.02])
def test_the_landing_by_hand(late_s: float, tenths: int, share: float) -> None:
    """Short of its end, or beyond it, for 10 or 25 ms of 50: two and five tenths of the duration later."""
    assert landing_share(*seen_behind(late_s, share)) == pytest.approx(tenths / 10)


def test_a_slow_phase_that_bends_is_no_landing() -> None:
    """It strays from its line at both ends alike, by 0.2 deg in the middle."""
    assert landing_share(*seen_behind(0.0, 0.0, 20.0)) == 0.0


def test_a_single_quick_phase_tells_nothing_of_landings() -> None:
    time, position, noise, fast, spans_s, velocity = seen_behind(0.0099, 0.02)
    one = (spans_s[0][:1], spans_s[1][:1])
    assert landing_share(time, position, noise, fast[:1], one, velocity[:1]) == 0.0


def test_an_axis_whose_velocity_is_not_known_does_not_hide_the_landing() -> None:
    """Torsion that was not read: the horizontal axis alone tells 10 ms of 50."""
    time, position, noise, fast, spans_s, velocity = seen_behind(0.0099, 0.02)
    velocity[:, 2] = np.nan
    assert landing_share(time, position, noise, fast, spans_s, velocity) == pytest.approx(0.2)
