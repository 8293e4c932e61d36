"""One fast movement measured: how large, how certain, when it began and ended.

Before and after it the eye moves along straight lines, fitted to the samples within a window on each side.
The step is the distance between the two lines. How far the movement has come at each sample (0 before, 1
after) is that sample's share of the step; where it passes a quarter, a half and three quarters gives its
middle and, with the smooth speed profile of a saccade, its start and end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.step_fits import CORE_S, RAW_DTYPE, measure

STEP_DTYPE = np.dtype(
    [
        ("start_s", "<f8"),
        ("middle_s", "<f8"),  # half of the step is done
        ("end_s", "<f8"),
        ("measured_s", "<f8"),  # duration from its own samples; NaN where frames are too far apart for it
        ("usual_s", "<f8"),  # duration that the main sequence gives for its size
        ("fastest", "<f8"),  # greatest speed along the step, as a share of the step in a second
        ("amplitude_deg", "<f8", (3,)),  # from start to end
        ("step_deg", "<f8", (3,)),  # at the middle, between the lines before and after: free of slow movement
        ("slow_dps", "<f8", (3,)),  # mean of the slow velocities before and after
        ("measured", "u1", (3,)),  # 0: step and slow velocity of this axis are not known, and stand as 0
        ("strength", "<f8"),  # step over its standard error, all axes together
        ("gap_share", "<f8"),  # largest share of the step that happened where a frame is missing
        ("least_gap", "<f8"),  # between the lines at the ends of the jump, share of the step: 1 if parallel
        ("before", "<i8"),  # last sample before, first after: index into the valid samples
        ("after", "<i8"),
    ]
)
CORE_OF_DURATION = 0.744  # its part of a minimum-jerk movement: u^2 (1 - u)^2 = 0.2 / 16
# From 1/4 to 3/4 of the way, of the duration of a minimum-jerk movement: solves 10 u^3 - 15 u^4 + 6 u^5 = 1/4
# (Flash & Hogan, J Neurosci 1985;5:1688-1703, from memory).
QUARTERS_OF_DURATION = 0.2812


def saccade_duration_s(amplitude_deg: NDArray[np.float64], torsion_share: NDArray[np.float64]):
    """Usual duration of a fast movement: 37 ms + 2.7 ms a degree (Baloh 1975, as in clinical 9.4).

    `torsion_share` (0 to 1) is torsion's part of the amplitude; torsional quick phases reach about 0.6 of the
    speed of others (from memory), so they last longer.
    """
    return (0.037 + 0.0027 * amplitude_deg) * (1.0 + torsion_share * (1.0 / 0.6 - 1.0))


def _usual_s(
    size: NDArray[np.float64], torsion: NDArray[np.float64], against_dps: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Usual duration of the eye's own part, size - against_dps * duration, of a step of this `size`."""
    own = np.maximum((size - 0.037 * against_dps) / (1.0 + 0.0027 * against_dps), 0.1 * size)
    return saccade_duration_s(own, torsion / np.maximum(size, 1e-9))


def _smooth_s(
    quarters_s: NDArray[np.float64], size: NDArray[np.float64], against_dps: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Duration D from the time between a quarter and three quarters of the step.

    That part of the step which undoes the slow movement, r = against_dps D / size, grows evenly, the rest
    smoothly: together the quarters are 0.5 D / ((1 - r) 0.5 / QUARTERS_OF_DURATION + r) apart.
    """
    steep = 0.5 / QUARTERS_OF_DURATION
    slower = 2.0 * (steep - 1.0) * quarters_s * against_dps / np.maximum(size, 1e-9)
    return 2.0 * steep * quarters_s / np.maximum(1.0 + slower, 0.5)


def too_slow(steps: NDArray[np.void], longest_share: float) -> NDArray[np.bool_]:
    """Whether a movement took longer than `longest_share` of the usual duration; false where not measured."""
    return steps["measured_s"] > longest_share * steps["usual_s"]


def as_fast_as_saccades(steps: NDArray[np.void]) -> NDArray[np.bool_]:
    """Whether a movement is as fast as a saccade of its size; true where that cannot be measured.

    A saccade of A deg lasts 21 ms + 2.2 ms a degree, up to 60 % longer (clinical 1.8), and its peak is about
    1.6 times its mean speed (clinical 9): the peak is at least A / (21 ms + 2.2 ms a degree).
    """
    size = np.linalg.norm(steps["step_deg"], axis=1)
    return np.isnan(steps["measured_s"]) | (steps["fastest"] >= 1.0 / (0.021 + 0.0022 * size))


def measure_steps(
    time_s: NDArray[np.float64],
    position_deg: NDArray[np.float64],
    steady_deg: NDArray[np.float64],
    noise_deg: NDArray[np.float64],
    correlation: NDArray[np.float64],
    proposals: NDArray[np.int64],
    interval_s: float,
    window_s: float,
) -> NDArray[np.void]:
    """Measure the fast movements at the places proposed.

    `time_s` (n,) and `position_deg` (n, 3), NaN only in the third column; `steady_deg` (n, 3) the same with
    NaN where a sample must not shape the lines; `noise_deg` (n, 3) SD of a sample, infinite for an axis
    that is not to be used, and `correlation` (3,) of neighbours, which widens the error of a line but not
    that of the way from one sample to the next; `proposals` (k, 4): last sample before, first sample after,
    first and last sample that the lines may use.
    Returns (k,) rows of STEP_DTYPE. A step that could not be measured has a strength of 0.
    """
    steps = np.zeros(len(proposals), STEP_DTYPE)
    noise_deg = noise_deg[proposals[:, 0]]
    wide_deg = noise_deg * np.sqrt((1 + correlation) / (1 - correlation))
    raw = measure(
        time_s,
        position_deg,
        steady_deg,
        wide_deg,
        proposals,
        interval_s,
        window_s,
        np.zeros(len(proposals), RAW_DTYPE),
    )
    for name in ("step_deg", "slow_dps", "measured", "strength", "middle_s", "gap_share", "fastest"):
        steps[name] = raw[name]
    steps["before"], steps["after"] = proposals[:, 0], proposals[:, 1]
    _set_times(steps, raw, noise_deg * np.sqrt(1 - correlation), interval_s)
    return steps


def _set_times(
    steps: NDArray[np.void], raw: NDArray[np.void], noise_deg: NDArray[np.float64], interval_s: float
) -> None:
    """Fill in start and end, and what follows from them.

    At a low rate or in noise the main sequence tells how long the movement was, centred on its middle. Where
    frames are closer and the step clearer its own quarters do, and where it stands far out of the noise the
    times between which it was fast: these heed no overshoot, and no drag before or after.
    """
    size = np.linalg.norm(steps["step_deg"], axis=1)
    against_dps = -(steps["slow_dps"] * steps["step_deg"]).sum(axis=1) / np.maximum(size, 1e-9)
    usual_s = _usual_s(size, np.abs(steps["step_deg"][:, 2]), against_dps)
    clear = np.linalg.norm(steps["step_deg"] / noise_deg, axis=1)
    close = np.clip(usual_s / interval_s / 2 - 1, 0, 1)  # none at 2 frames a movement, full at 4
    by_shape = close * np.clip(clear / 8 - 1, 0, 1)  # none at 8 noise SDs, full at 16
    closer = np.clip(usual_s / interval_s / 8 - 1, 0, 1)  # none at 8 frames, full at 16
    by_core = closer * np.clip(clear / 12 - 1, 0, 1)  # none at 12 noise SDs, full at 24
    shape_s = _smooth_s(raw["quarters_s"], size, against_dps)
    even = np.clip(against_dps * usual_s / np.maximum(size, 1e-9), 0, 1)
    long_s = np.ptp(raw["core_s"], axis=1) + interval_s - 0.5 * max(CORE_S, 2 * interval_s)
    fast_s = long_s / (CORE_OF_DURATION + (1 - CORE_OF_DURATION) * even)
    measured_s = by_core * fast_s + (1 - by_core) * shape_s
    duration_s = np.clip(by_shape * measured_s + (1 - by_shape) * usual_s, 0.35 * usual_s, 2.5 * usual_s)
    middle_s = by_core * raw["core_s"].mean(axis=1) + (1 - by_core) * steps["middle_s"]
    steps["start_s"], steps["end_s"] = middle_s - duration_s / 2, middle_s + duration_s / 2
    steps["measured_s"] = np.where(by_shape > 0.5, measured_s, np.nan)
    steps["usual_s"] = usual_s
    steps["least_gap"] = 1.0 - 0.5 * raw["closing_hz"] * np.maximum(duration_s, 2 * interval_s)
    steps["amplitude_deg"] = steps["step_deg"] + steps["slow_dps"] * duration_s[:, None]
