"""What a reader should know about one eye in one window before trusting its numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.nystagmus import samples_in
from analysis.procedure import Window
from analysis.trace import Trace, unlike_an_eye
from capture.samples import Eye

if TYPE_CHECKING:
    from analysis.procedure import Recorded

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CautionSettings:
    """When a caution is printed. Common practice or design choice, no source."""

    pupil_change_per_s: float = 0.02  # share of the pupil's size: 0.1 mm/s of 5 mm, when measuring begins
    pupil_watched_s: float = 3.0
    blinks_per_min: float = 30.0
    hidden_share: float = 0.3  # of the pupil, median over the window


def window_cautions(
    recording: Recorded, trace: Trace, window: Window, settings: CautionSettings | None = None
) -> tuple[str, ...]:
    """Cautions about one eye in one window, such as a pupil that still changes size."""
    settings = settings or CautionSettings()
    rows = recording.samples[trace.eye]
    part = samples_in(trace, window.used_from_s, window.end_s)
    inside = np.flatnonzero(trace.valid[part]) + part.start
    unlike = unlike_an_eye(trace, window.used_from_s, window.end_s)
    told = (f"{window.key}: {unlike}",) if unlike else ()
    if len(inside) < 2:
        return told
    minutes = (window.end_s - window.used_from_s) / 60
    middle_s = trace.blinks_s.mean(axis=1)
    blinks = np.count_nonzero((middle_s >= window.used_from_s) & (middle_s <= window.end_s))
    change = _pupil_change(trace.time_s[inside], rows["major_px"][inside], settings.pupil_watched_s)
    hidden = 1 - float(np.median(rows["visible_share"][inside]))
    beyond = _share_beyond(recording, trace, inside)
    texts = {
        f"the pupil still changes by {abs(change):.0%} a second when measuring begins: false slow drift": (
            abs(change) > settings.pupil_change_per_s
        ),
        f"{blinks / minutes:.0f} blinks a minute": blinks / minutes > settings.blinks_per_min,
        f"{hidden:.0%} of the pupil is hidden": hidden > settings.hidden_share,
        f"{_share(beyond)} of the samples lie outside the calibrated range": beyond > 0,
    }
    said = tuple(f"{window.key}: {text}" for text, holds in texts.items() if holds)
    return told + said + _sealed_doubts(recording, trace.eye, window)


def _sealed_doubts(recording: Recorded, eye: Eye, window: Window) -> tuple[str, ...]:
    """What was doubted about this eye when it was sealed, and began before the window's end."""
    begins = f"{eye} eye: "
    return tuple(
        event.text.removeprefix(begins)
        for event in recording.events
        if event.kind == "doubt" and event.text.startswith(begins) and event.start_s <= window.end_s
    )


def _share(share: float) -> str:
    return "less than 1%" if share < 0.01 else f"{share:.0%}"


def _pupil_change(time_s: Floats, size_px: Floats, watched_s: float) -> float:
    """Change of the pupil's size in the first seconds, as a share of it, 1/s: medians of two halves."""
    half, whole = np.searchsorted(time_s - time_s[0], (watched_s / 2, watched_s), side="right")
    if not 0 < half < whole:
        return 0.0
    early, late = float(np.median(size_px[:half])), float(np.median(size_px[half:whole]))
    return (late - early) / early / (watched_s / 2)


def _share_beyond(recording: Recorded, trace: Trace, inside: NDArray[np.int64]) -> float:
    """Share of samples outside the range in which the calibration holds; 0 without a stated range."""
    calibration = recording.calibrations[trace.eye]
    ranges = (calibration.valid_horizontal_deg, calibration.valid_vertical_deg)
    beyond = np.zeros(len(inside), dtype=bool)
    for axis, limits in enumerate(ranges):
        if limits is not None:
            position = trace.position_deg[inside, axis]
            beyond |= (position < limits[0]) | (position > limits[1])
    return float(np.mean(beyond))
