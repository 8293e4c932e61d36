"""When the pupil is steady again after a change of light: until then its own shift looks like a drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.samples import Eye

if TYPE_CHECKING:
    from analysis.procedure import Recorded


@dataclass(frozen=True, slots=True)
class SettlingSettings:
    """Clinical reference 27.6 unless marked as a design choice."""

    steady_mm_per_s: float = 0.1  # of its diameter
    steady_over_s: float = 2.0  # over which it is taken (design choice)
    steady_block_s: float = 0.25  # whose median is one size (design choice)
    steady_quality: float = 0.6  # 0..1 (design choice)
    steady_visible: float = 0.9  # 0..1; a lid over the pupil makes it look smaller (design choice)


def steady_from_s(
    recording: Recorded, start_s: float, end_s: float, settings: SettlingSettings
) -> float | None:
    """The first time from `start_s` to `end_s`, s, at which both pupils are steady; None without one.

    Of each eye the first time from which its diameter, in the millimetres of its calibration, changes by less
    than `steady_mm_per_s` over the `steady_over_s` that follow; the later eye decides. An eye whose size is
    not known decides nothing.
    """
    steady_s = start_s
    for eye, calibration in recording.calibrations.items():
        if getattr(calibration, "model", None) is None or eye not in recording.samples:
            continue
        at_s, size_mm = _sizes(recording, eye, start_s, end_s, settings)
        first_s = _first_steady_s(at_s, size_mm, end_s, settings) if at_s.size else start_s
        if first_s is None:
            return None
        steady_s = max(steady_s, first_s)
    return steady_s


def _sizes(
    recording: Recorded, eye: Eye, start_s: float, end_s: float, settings: SettlingSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Start (k,) of the blocks in which a pupil was seen, s, and its diameter in them, mm."""
    rows = recording.samples[eye]
    seen = (rows["time_s"] >= start_s) & (rows["time_s"] < end_s + settings.steady_over_s)
    seen &= (rows["pupil_quality"] >= settings.steady_quality) & (
        rows["visible_share"] >= settings.steady_visible
    )
    block = np.asarray((rows["time_s"][seen] - start_s) / settings.steady_block_s, np.int64)
    size_mm = 2 * recording.calibrations[eye].model.mm_per_px * rows["major_px"][seen]
    blocks, first = np.unique(block, return_index=True)
    medians = [float(np.median(part)) for part in np.split(size_mm, first[1:])] if blocks.size else []
    return np.asarray(start_s + settings.steady_block_s * blocks, np.float64), np.array(medians)


def _first_steady_s(
    at_s: NDArray[np.float64], size_mm: NDArray[np.float64], end_s: float, settings: SettlingSettings
) -> float | None:
    needed = round(settings.steady_over_s / settings.steady_block_s / 2)
    for start_s in at_s[at_s <= end_s]:
        part = (at_s >= start_s) & (at_s < start_s + settings.steady_over_s)
        if np.count_nonzero(part) < needed:
            continue
        slope = np.polyfit(at_s[part] - start_s, size_mm[part], 1)[0]
        if abs(slope) < settings.steady_mm_per_s:
            return float(start_s)
    return None
