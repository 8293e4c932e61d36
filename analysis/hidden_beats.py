"""Beats too small to be seen one by one: what they leave of a drift, and of the beats that were seen.

Between beats that are seen others may hide, whose quick phases turn back the slow phases that seem to span
them; where none is seen a fast nystagmus may look like an eye at rest. `shared_slope` needs to see none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.beats import Beat
from analysis.estimate import error_of
from analysis.nystagmus import Middle
from analysis.shared_slope import SharedSlope, sample_noise_deg, shared_slope
from analysis.trace import Trace

LEAST_BEATS = 3
MOST_LEFT = 0.75  # of a velocity that hidden beats turn back; an eye that drifts away makes none (a choice)
SMALL_SDS = 8.0  # of the noise: quick phases so large on the mean hide few that are not seen (design choice)


def hidden_slope(
    trace: Trace, beats: Sequence[Beat], axis: int, start_s: float, end_s: float
) -> SharedSlope | None:
    """The velocity that a span shows beside what `beats` in it tell; None where these are clearly seen."""
    if len(beats) >= LEAST_BEATS and not _are_small(trace, beats, start_s, end_s):
        return None
    return shared_slope(trace, start_s, end_s, axis)


def heeding(found: Middle, slope: SharedSlope | None) -> Middle:
    """A median of beats or of pieces that heeds beats which are not seen; where these are sure, theirs.

    They only ever slow what is seen.
    """
    if slope is None or slope.excluded:
        return found
    if slope.certain and _share_left(found.median, slope) >= 1:
        return found
    if slope.certain:
        error = error_of(slope.interval)
        return replace(found, median=slope.velocity_dps, standard_error=error, interval=slope.interval)
    ends = (*found.interval, *slope.interval)
    return replace(found, interval=(min(ends), max(ends)))


def turned_back(found: Middle | None, slope: SharedSlope) -> bool:
    """Whether hidden beats turn back most of what a drift would be."""
    return found is None or _share_left(found.median, slope) < MOST_LEFT


def _share_left(median_dps: float, slope: SharedSlope) -> float:
    """Share of a velocity that hidden beats leave of it."""
    return median_dps / slope.velocity_dps if slope.velocity_dps else 1.0


def _are_small(trace: Trace, beats: Sequence[Beat], start_s: float, end_s: float) -> bool:
    """Whether the usual quick phase is small beside the noise of the axis on which it is seen best."""
    noise = np.array([sample_noise_deg(trace, start_s, end_s, axis) for axis in range(3)])
    sizes = np.abs([b.amplitude_deg for b in beats]) / np.where(noise > 0, noise, np.inf)
    return float(np.median(np.nanmax(sizes, axis=1))) < SMALL_SDS
