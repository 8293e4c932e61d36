"""Slip of the goggles and shift of the pupil with its size, seen by pupil and reflection together.

Turning the eye moves the reflection of a lamp about half as far in the picture as the pupil. A slip of the
goggles moves both nearly alike; a pupil that opens off its centre moves alone. So what of the reflection's
place the pupil's place does not explain tells the two apart from looking around:

    reflection = M pupil + curvature + (K - M) slip - M shift(size)

M, the curvature and the shift with size are fitted to differences over a few seconds, in which a slip is a
rare outlier; what is left over has one level before a slip and another after it. A turn of the goggles
about the eye looks like the eye turning: nothing in the eye tells it apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration
from capture.samples import NAN
from capture.slip_levels import LevelSettings, Segment, find_segments
from capture.slip_relation import Pairs, Relation, RelationSettings, fit_relation, pairs_of, shift_of_size_mm

Floats = NDArray[np.float64]
FIRST_S = 10.0  # stand for the calibration where it was made before


@dataclass(frozen=True, slots=True)
class SlipSettings:
    """When pupil and reflection say that the goggles slipped or the pupil's size shifted it."""

    # A lamp of the goggles moves with them, so a slip moves the reflection a little less than the pupil: own
    # ray traces, 60 eyes, cameras 40 to 75 mm away, lamps 15 to 60 mm from the eye: 0.91, SD 0.022.
    alike: float = 0.91
    alike_sd: float = 0.025
    follow_range: tuple[float, float] = (0.3, 0.7)  # of RelationSettings.follow, 5 SD
    most_pair_error_mm: float = 0.08  # of a reflection against the pupil; usual are 0.002 to 0.02
    least_seen: float = 0.3  # share of the good pupils with a reflection, for any of this to count
    most_other_light: float = 0.2  # share of the frames; tears and lid edges mirror for moments (a choice)
    worth_s: float = 5.0  # of good pupils; less is nothing to doubt
    most_error_deg: float = 0.2  # of a shift with size that is taken out; a smaller shift is not told
    usual_shift_mm_per_mm: float = 0.05  # of the pupil's centre for each mm of size, clinical.md 3.7
    off_size_mm: float = 0.5  # from here on another size than the calibrated one is told
    levels: LevelSettings = field(default_factory=LevelSettings)
    relation: RelationSettings = field(default_factory=RelationSettings)


class Slip(NamedTuple):
    """A slip of the goggles."""

    start_s: float
    end_s: float  # it had settled by then
    size_mm: float  # in the plane of the picture
    size_deg: float  # how much eye movement it would look like
    error_deg: float  # one standard error of what is left after the correction; a turn of the goggles apart


class SizeShift(NamedTuple):
    """How the pupil's centre moves with its size, against the size when the eye was calibrated."""

    most_mm: float  # largest difference in size (95 % of the time is below)
    off_share: float  # of the time with a size more than SlipSettings.off_size_mm away
    most_deg: float  # apparent movement at that size; by common anatomy where not measured
    error_deg: float  # its standard error; NaN where not measured
    corrected: bool


@dataclass(frozen=True, slots=True)
class Steadied:
    """Pupil centres as goggles that never slipped would show those of a pupil of the calibrated size."""

    x_px: Floats  # (n,)
    y_px: Floats
    slips: tuple[Slip, ...]
    size_shift: SizeShift | None  # None: there was hardly anything to watch
    watched: bool  # False: no reflection told of slips
    reason: str  # why not watched; empty also where there was hardly anything to watch
    other_light: float  # share of the frames with more reflections than most of those at the calibration


def steady(
    samples: NDArray[np.void],
    calibration: Calibration,
    calibrated_s: Sequence[tuple[float, float]] = (),
    settings: SlipSettings = SlipSettings(),
) -> Steadied:
    """See slips and shifts with size in samples of one eye, and take them out of the pupil's centres.

    Args:
        samples: SAMPLE_DTYPE rows (n,) in order of time; the centres in them are left as they are.
        calibration: of this eye.
        calibrated_s: from when to when it was made, in the time of the samples; none: before them, so the
            first seconds stand for it.
        settings: limits.
    """
    x_px, y_px = samples["x_px"].copy(), samples["y_px"].copy()
    mm_per_px = calibration.model.mm_per_px
    pairs = pairs_of(samples, mm_per_px, settings.relation)
    reference = _when_calibrated(pairs.time_s, calibrated_s)
    reason = _not_watched(pairs, settings)
    size_mm = np.median(pairs.size_mm[reference]) if len(pairs.time_s) else NAN
    relation = None if reason else fit_relation(pairs, float(size_mm), settings.relation)
    if relation is not None and not is_a_cornea(relation, settings):
        relation, reason = None, "what looked like the reflection of a lamp did not move like one"
    if relation is None:
        shift = _unmeasured(pairs, size_mm, calibration, settings)
        return Steadied(x_px, y_px, (), shift, False, reason if shift else "", 0.0)
    into_slip = np.linalg.inv(settings.alike * np.eye(2) - relation.follow)
    trace_mm = relation.left_over_mm(pairs) @ into_slip.T
    segments = find_segments(pairs.time_s, trace_mm, settings.levels)
    home = max(segments, key=lambda part: int(np.count_nonzero(reference[part.first : part.stop])))
    shift = _size_shift(pairs, relation, calibration, settings)
    away_mm = _slipped_mm(samples["time_s"], segments, home)
    if shift.corrected:
        size = 2.0 * samples["major_px"] * mm_per_px
        away_mm = away_mm + shift_of_size_mm(
            relation, np.clip(size, *np.quantile(pairs.size_mm, (0.001, 0.999)))
        )
    away_px = away_mm / mm_per_px
    slips = tuple(
        slip_between(before, after, calibration.model.radius_mm, settings)
        for before, after in pairwise(segments)
    )
    return Steadied(
        x_px - away_px[:, 0],
        y_px - away_px[:, 1],
        slips,
        shift,
        True,
        "",
        _other_light(samples, calibrated_s),
    )


def _when_calibrated(time_s: Floats, calibrated_s: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    """Which moments belong to the calibration."""
    inside = np.zeros(len(time_s), dtype=bool)
    for start_s, end_s in calibrated_s:
        inside |= (time_s >= start_s) & (time_s <= end_s)
    return inside if inside.any() else time_s <= (time_s[0] if len(time_s) else 0.0) + FIRST_S


def _other_light(samples: NDArray[np.void], calibrated_s: Sequence[tuple[float, float]]) -> float:
    """Share of the frames with more reflections than usual: what shines beside the lamps."""
    seen = np.isfinite(samples["glint_count"])
    count, time_s = samples["glint_count"][seen], samples["time_s"][seen]
    usual = np.median(count[_when_calibrated(time_s, calibrated_s)]) if len(count) else 0.0
    return float(np.mean(count > usual)) if len(count) else 0.0


def _not_watched(pairs: Pairs, settings: SlipSettings) -> str:
    relation = settings.relation
    too_few = len(pairs.time_s) < relation.fewest_pairs or np.ptp(pairs.time_s) <= relation.apart_s
    if pairs.seen_share < settings.least_seen or too_few:
        return f"a reflection of a lamp was seen in {pairs.seen_share:.0%} of the frames with a pupil"
    return ""


def is_a_cornea(relation: Relation, settings: SlipSettings) -> bool:
    """Whether the reflection follows the pupil as that on an eye does."""
    along = np.linalg.eigvalsh(0.5 * (relation.follow + relation.follow.T))
    low, high = settings.follow_range
    return bool(low <= along[0] and along[1] <= high and relation.error_mm <= settings.most_pair_error_mm)


def _size_shift(
    pairs: Pairs, relation: Relation, calibration: Calibration, settings: SlipSettings
) -> SizeShift:
    """The shift at the size that is farthest from the calibrated one."""
    off_mm = np.abs(pairs.size_mm - relation.size_mm)
    most_mm = float(np.quantile(off_mm, 0.95))
    ends = np.quantile(pairs.size_mm, (0.025, 0.975))
    mm_per_deg = calibration.model.radius_mm * math.pi / 180.0
    shifts_deg = np.linalg.norm(shift_of_size_mm(relation, ends), axis=1) / mm_per_deg
    errors_deg = relation.shift_error_mm(ends) / mm_per_deg
    worst = int(np.argmax(shifts_deg))
    measured = bool((errors_deg <= settings.most_error_deg).all())
    return SizeShift(
        most_mm,
        float(np.mean(off_mm > settings.off_size_mm)),
        float(shifts_deg[worst]) if measured else settings.usual_shift_mm_per_mm * most_mm / mm_per_deg,
        float(errors_deg.max()) if measured else NAN,
        # an uncertain shift as well: the fit knows what is usual, so its best guess is nearer than none
        measured and most_mm > settings.off_size_mm,
    )


def _unmeasured(
    pairs: Pairs, size_mm: float, calibration: Calibration, settings: SlipSettings
) -> SizeShift | None:
    """What common anatomy says of the sizes of pupils without a reflection."""
    sizes = pairs.all_sizes_mm
    if pairs.good_s < settings.worth_s:
        return None
    off_mm = np.abs(sizes - (size_mm if math.isfinite(size_mm) else float(np.median(sizes))))
    most_mm = float(np.quantile(off_mm, 0.95))
    most_deg = settings.usual_shift_mm_per_mm * most_mm / (calibration.model.radius_mm * math.pi / 180.0)
    return SizeShift(most_mm, float(np.mean(off_mm > settings.off_size_mm)), most_deg, NAN, False)


def _slipped_mm(time_s: Floats, segments: list[Segment], home: Segment) -> Floats:
    """(n, 2) how far the goggles had slipped since the calibration; straight between two levels."""
    times = [time for part in segments for time in (part.start_s, part.end_s)]
    levels = np.array([part.level_mm for part in segments for _ in range(2)]) - home.level_mm
    return np.column_stack([np.interp(time_s, times, levels[:, axis]) for axis in (0, 1)])


def slip_between(before: Segment, after: Segment, radius_mm: float, settings: SlipSettings) -> Slip:
    """The slip that leads from one level to the next."""
    mm_per_deg = radius_mm * math.pi / 180.0
    size_mm = float(np.linalg.norm(after.level_mm - before.level_mm))
    unsure_mm = size_mm * settings.alike_sd / (settings.alike - 0.5)
    error_deg = math.hypot(unsure_mm, before.error_mm, after.error_mm) / mm_per_deg
    return Slip(before.end_s, after.start_s, size_mm, size_mm / mm_per_deg, error_deg)


def doubts(
    steadied: Steadied, settings: SlipSettings = SlipSettings()
) -> tuple[tuple[float, float, str], ...]:
    """What a reader must know of it: from when to when (NaN: all the time) and the text."""
    found = [(slip.start_s, slip.end_s, _of_slip(slip)) for slip in steadied.slips]
    if steadied.reason:
        found.append((NAN, NAN, f"slips of the goggles could not be seen: {steadied.reason}"))
    if steadied.other_light > settings.most_other_light:
        share = f"{steadied.other_light:.0%}"
        text = (
            f"a light beside the lamps was mirrored on the cornea in {share} of the frames: darken the room"
        )
        found.append((NAN, NAN, text))
    shift = steadied.size_shift
    if shift and (text := _of_size(shift, settings)):
        found.append((NAN, NAN, text))
    return tuple(found)


def _of_slip(slip: Slip) -> str:
    return (
        f"the goggles slipped by {slip.size_mm:.1f} mm, which looks like {slip.size_deg:.1f} deg; degrees "
        f"after it are corrected, their zero is uncertain by {2.0 * slip.error_deg:.1f} deg and by any turn "
        "of the goggles: calibrate again"
    )


def _of_size(shift: SizeShift, settings: SlipSettings) -> str:
    if shift.corrected:
        if max(shift.most_deg, 2.0 * shift.error_deg) <= settings.most_error_deg:
            return ""
        return (
            f"the pupil's centre moved by up to {shift.most_deg:.1f} deg as its size changed by up to "
            f"{shift.most_mm:.1f} mm; corrected, uncertain by {2.0 * shift.error_deg:.1f} deg"
        )
    if math.isfinite(shift.error_deg) or shift.most_mm < settings.off_size_mm:
        return ""
    return (
        f"the pupil was up to {shift.most_mm:.1f} mm off its size at the calibration, {shift.off_share:.0%} "
        f"of the time by more than {settings.off_size_mm:g} mm; that alone may look like "
        f"{shift.most_deg:.1f} deg of eye movement (commonly; more in some eyes) and is not corrected"
    )
