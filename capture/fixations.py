"""Where the pupil was while the patient looked at each target: the steady part of each fixation.

The eye arrives 0.2 to 0.4 s after the target, corrects, wanders, blinks. On true times, at any rate: the
trace is cut at jumps into stretches; those that began after the target appeared, at the place where the eye
stayed longest, count. An eye with nystagmus never rests: there the positions right after quick phases count
(foveation).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from capture.direction import upright, upright_angle_deg, upright_rotation_deg
from capture.profile import EyeView
from capture.samples import NAN, Target

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FixationSettings:
    """How the steady part of a fixation is found. From physiology; none was chosen on a recording."""

    around_s: float = 1.0  # before the first and after the last target, to see the eye come and go
    shortest_latency_s: float = 0.1  # no saccade answers a target sooner (express saccades, from memory)
    foresight_s: float = 0.05  # an eye that rests since before this cannot have known the target
    likely_latency_s: float = 0.4  # by then most eyes have arrived (0.2 s plus a correction, from memory)
    correction_s: float = 0.25  # after landing: a saccade that fell short is corrected by then (from memory)
    # A larger move within jump_time_s is a saccade (microsaccades reach 0.5, from memory).
    jump_deg: float = 0.35
    jump_time_s: float = 0.035  # a saccade of 6 deg lasts that long (2.2 ms/deg + 21 ms, from memory)
    unrest_factor: float = 5.0  # a jump also stands out this far above the trace's own unrest
    shortest_stretch_s: float = 0.06  # less is the pause between a saccade and its correction
    longest_gap_s: float = 0.08  # a longer hole in the trace (blink) ends a stretch
    before_blink_s: float = 0.05  # clinical.md 27.19
    after_blink_s: float = 0.1  # clinical.md 27.19
    least_close_share: float = 0.5  # of a fixation's samples inside that radius; else it was not steady
    same_place_deg: float = 0.7  # stretches closer than this are one fixation with a microsaccade in it
    radius_deg: float = 1.0  # samples this far from the rest are lid edges or square waves
    enough_s: float = 0.12  # of rest is used in any case, corrected or not
    least_visible_share: float = 0.5  # of the pupil, for its centre to count
    shape_visible_share: float = 0.85  # of the pupil, for its shape to count
    unrest_time_s: float = 0.2  # over which the wander of a fixating eye is alike (common practice)
    drift_dps: float = 1.2  # a common drift above this is nystagmus (fixating eyes: below 1, from memory)
    foveation_error_deg: float = 0.7  # of one quick phase's landing (10 % of 5 to 10 deg, from memory)


class Fixation(NamedTuple):
    """The pupil on one target, in the upright picture. NaN where it was not seen steadily."""

    target: Target
    x_px: float
    y_px: float
    standard_error_deg: float  # from the trace's own unrest; without the error of the patient's aim
    shape: tuple[float, float]  # see eye_geometry.pupil_shape
    rotation_deg: float  # of the iris in the upright picture
    share_used: float  # of the target's samples
    kind: Literal["steady", "foveation", "none"]
    reason: str = ""  # why there is none


class _Trace(NamedTuple):
    """One eye in the upright picture, without missing samples, cut into stretches."""

    time_s: Floats
    position_deg: Floats  # (n, 2) pixels over px_per_deg: enough to tell a jump from wander
    shape: Floats  # (n, 2)
    rotation_deg: Floats
    stretches: NDArray[np.int64]  # (m, 2) first sample, one past the last
    interval_s: float


class _Place(NamedTuple):
    """Where the eye was (deg, (2,)), the samples that say so, and the error of that."""

    rows: NDArray[np.int64]
    place: Floats
    error_deg: float


_NOWHERE = _Place(np.zeros(0, dtype=np.int64), np.full(2, NAN), NAN)


def rough_px_per_deg(targets: Sequence[Target], xy_px: Floats, time_s: Floats, default: float) -> float:
    """Scale from where the eye was late in each target: the median over pairs of targets far enough apart."""
    places: list[Floats] = []
    for target in targets:
        late = (time_s > 0.5 * (target.start_s + target.end_s)) & (time_s < target.end_s + 0.1)
        places.append(np.median(xy_px[late], axis=0) if late.any() else np.full(2, NAN))
    angles = np.array([target[2:] for target in targets])
    first, second = np.triu_indices(len(targets), 1)
    apart_deg = np.linalg.norm(angles[first] - angles[second], axis=1)
    apart_px = np.linalg.norm(np.array(places)[first] - np.array(places)[second], axis=1)
    good = (apart_deg > 4.0) & np.isfinite(apart_px)
    scale = float(np.median(apart_px[good] / apart_deg[good])) if good.any() else default
    return min(max(scale, default / 3.0), default * 3.0)


def find_fixations(
    targets: Sequence[Target],
    samples: NDArray[np.void],
    view: EyeView,
    picture_size_px: tuple[int, int],
    default_px_per_deg: float,
    settings: FixationSettings = FixationSettings(),
) -> tuple[Fixation, ...]:
    """The steady position of the pupil on each target, in the order given.

    Args:
        targets: in the time of the samples.
        samples: SAMPLE_DTYPE rows of one eye; missing ones are NaN.
        view: of this eye; positions come out in its upright picture, from the picture's middle.
        picture_size_px: width, height of the full picture.
        default_px_per_deg: scale to assume when the targets do not show one.
        settings: limits.
    """
    good = np.isfinite(samples["x_px"] + samples["y_px"] + samples["time_s"]) & (samples["repeated"] == 0)
    good &= ~(samples["visible_share"] < settings.least_visible_share)
    good &= samples["time_s"] > min(target.start_s for target in targets) - settings.around_s
    good &= samples["time_s"] < max(target.end_s for target in targets) + settings.around_s
    seen = samples[good]
    xy_px = upright(view, np.column_stack((seen["x_px"], seen["y_px"])), picture_size_px)
    scale = rough_px_per_deg(targets, xy_px, seen["time_s"], default_px_per_deg)
    rotation = upright_rotation_deg(view, _measured(seen["rotation_deg"]))
    trace = _cut(seen["time_s"], xy_px / scale, _shapes(seen, view, settings), rotation, settings)
    found = [_on_target(trace, targets, i, settings) for i in range(len(targets))]
    nystagmus = _common_drift(trace, found, settings)
    return tuple(
        _fixation(trace, target, stretches, nystagmus, scale, settings, _filmed(target, samples))
        for target, stretches in zip(targets, found, strict=True)
    )


def _shapes(seen: NDArray[np.void], view: EyeView, settings: FixationSettings) -> Floats:
    """(n, 2) shape of each outline, NaN where a lid hides too much of it or none was measured."""
    with np.errstate(invalid="ignore", divide="ignore"):
        narrow = np.log(seen["major_px"] / seen["minor_px"])
    twice = 2.0 * np.radians(upright_angle_deg(view, seen["angle_deg"]))
    shape = np.column_stack((narrow * np.cos(twice), narrow * np.sin(twice)))
    hidden = (seen["visible_share"] < settings.shape_visible_share) | ~np.isfinite(_measured(narrow))
    return np.where(hidden[:, None], NAN, shape)


def _measured(values: Floats) -> Floats:
    """The values, or NaN when all are the same to the last digit: such were not measured."""
    there = np.isfinite(values)
    return values if there.any() and np.ptp(values[there]) > 1e-9 else np.full(len(values), NAN)


def _cut(
    time_s: Floats, position: Floats, shape: Floats, rotation: Floats, settings: FixationSettings
) -> _Trace:
    """Cut the trace at jumps and holes. A jump: the means of the 35 ms on both sides of an instant differ."""
    if len(time_s) < 2:
        return _Trace(time_s, position, shape, rotation, np.zeros((0, 2), dtype=np.int64), NAN)
    sums = np.vstack((np.zeros(2), np.cumsum(position, axis=0)))
    index = np.arange(1, len(time_s))
    left = np.minimum(np.searchsorted(time_s, time_s[:-1] - settings.jump_time_s, side="right"), index - 1)
    right = np.maximum(np.searchsorted(time_s, time_s[1:] + settings.jump_time_s, side="left"), index + 1)
    before = (sums[index] - sums[left]) / (index - left)[:, None]
    after = (sums[right] - sums[index]) / (right - index)[:, None]
    move = after - before
    move_deg = np.linalg.norm(move - np.median(move, axis=0), axis=1)  # a steady drift is no jump
    limit_deg = max(settings.jump_deg, settings.unrest_factor * float(np.median(move_deg)))
    gap_s = np.diff(time_s)
    cuts = index[(move_deg > limit_deg) | (gap_s > settings.longest_gap_s)]
    edges = np.concatenate(([0], cuts, [len(time_s)]))
    stretches = np.column_stack((edges[:-1], edges[1:]))
    trimmed = [_without_lid_edges(time_s, first, stop, settings) for first, stop in stretches]
    interval_s = float(np.median(gap_s))
    long = [
        (first, stop)
        for first, stop in trimmed
        if stop - first >= 2 and time_s[stop - 1] - time_s[first] + interval_s >= settings.shortest_stretch_s
    ]
    return _Trace(
        time_s, position, shape, rotation, np.array(long, dtype=np.int64).reshape(-1, 2), interval_s
    )


def _without_lid_edges(time_s: Floats, first: int, stop: int, settings: FixationSettings) -> tuple[int, int]:
    """Take off what a moving lid may have touched: the ends of a stretch beside a hole in the trace."""
    if first > 0 and time_s[first] - time_s[first - 1] > settings.longest_gap_s:
        first = int(np.searchsorted(time_s, time_s[first] + settings.after_blink_s))
    if stop < len(time_s) and time_s[stop] - time_s[stop - 1] > settings.longest_gap_s:
        stop = int(np.searchsorted(time_s, time_s[stop - 1] - settings.before_blink_s))
    return first, stop


def _on_target(
    trace: _Trace, targets: Sequence[Target], number: int, settings: FixationSettings
) -> list[slice]:
    """The stretches inside one target's time, without that in which the eye still waited on the last one."""
    target = targets[number]
    first_s, last_s = (time + settings.shortest_latency_s for time in target[:2])  # the eye leaves late, too
    found: list[slice] = []
    for first, stop in trace.stretches:
        inside = slice(
            max(first, int(np.searchsorted(trace.time_s, first_s))),
            min(stop, int(np.searchsorted(trace.time_s, last_s))),
        )
        span_s = (inside.stop - inside.start) * trace.interval_s
        if inside.stop - inside.start >= 2 and span_s >= settings.shortest_stretch_s:
            found.append(inside)
    if number == 0 or targets[number - 1][2:] == target[2:] or len(found) < 2:
        return found
    began = max(first for first, _ in trace.stretches if first <= found[0].start)
    waiting = trace.time_s[began] < target.start_s - settings.foresight_s
    away_deg = [np.linalg.norm(_middle(trace, part) - _middle(trace, found[0])) for part in found[1:]]
    return found[1:] if waiting and max(away_deg) > 2.0 * settings.same_place_deg else found


def _middle(trace: _Trace, part: slice) -> Floats:
    """Median position of a stretch."""
    return np.median(trace.position_deg[part], axis=0)


def _common_drift(trace: _Trace, found: Sequence[Sequence[slice]], settings: FixationSettings) -> bool:
    """Whether the eye drifts alike on most targets, as with nystagmus."""
    slopes = [
        _line(trace, part, settings)[1] for parts in found for part in parts if part.stop - part.start >= 3
    ]
    if len(slopes) < 3:
        return False
    drift = np.median(slopes, axis=0)
    speed_dps = float(np.linalg.norm(drift))
    along = np.array(slopes) @ (drift / max(speed_dps, 1e-9))
    return speed_dps > settings.drift_dps and float(np.mean(along > 0.5 * settings.drift_dps)) > 2.0 / 3.0


def _line(trace: _Trace, part: slice, settings: FixationSettings) -> tuple[Floats, Floats]:
    """Position (deg) as the jump before a stretch ended, of which the cut took the end, and slope (deg/s)."""
    time_s = trace.time_s[part] - trace.time_s[part.start] + settings.jump_time_s
    slope, start = np.polyfit(time_s, trace.position_deg[part], 1)
    return start, slope


def _fixation(
    trace: _Trace,
    target: Target,
    parts: list[slice],
    nystagmus: bool,
    scale: float,
    settings: FixationSettings,
    filmed: bool,
) -> Fixation:
    """One target's position from its stretches."""
    rows, place, error_deg = (_foveations if nystagmus else _rest)(trace, target, parts, settings)
    if not len(rows):
        reason = "the pupil was never steady" if filmed else "it lies outside the video's time"
        return Fixation(target, NAN, NAN, NAN, (NAN, NAN), NAN, 0.0, "none", reason)
    during = (trace.time_s >= target.start_s) & (trace.time_s < target.end_s + settings.shortest_latency_s)
    shape, turn = trace.shape[rows], trace.rotation_deg[rows]
    shape, turn = shape[np.isfinite(shape[:, 0])], turn[np.isfinite(turn)]
    middle = np.median(shape, axis=0) if len(shape) >= 0.5 * len(rows) else np.full(2, NAN)
    return Fixation(
        target,
        *(float(value) for value in place * scale),
        standard_error_deg=error_deg,
        shape=(float(middle[0]), float(middle[1])),
        rotation_deg=float(np.median(turn)) if len(turn) else NAN,
        share_used=len(rows) / max(int(during.sum()), 1),
        kind="foveation" if nystagmus else "steady",
    )


def _filmed(target: Target, samples: NDArray[np.void]) -> bool:
    """Whether pictures were taken during the target, with a pupil in them or not."""
    time_s = samples["time_s"]
    return bool(np.any((time_s >= target.start_s) & (time_s <= target.end_s)))


def _foveations(trace: _Trace, target: Target, parts: list[slice], settings: FixationSettings) -> _Place:
    """Where quick phases brought the eye."""
    if not parts:
        return _NOWHERE
    place = np.median([_line(trace, part, settings)[0] for part in parts], axis=0)
    rows = np.concatenate([np.arange(part.start, part.stop) for part in parts])
    return _Place(rows, place, settings.foveation_error_deg / math.sqrt(len(parts)))


def _rest(trace: _Trace, target: Target, parts: list[slice], settings: FixationSettings) -> _Place:
    """The place where the eye stayed longest, time soon after the target's start counting less."""
    if not parts:
        return _NOWHERE
    since_s = trace.time_s - target.start_s - settings.shortest_latency_s
    weight = np.clip(since_s / (settings.likely_latency_s - settings.shortest_latency_s), 0.0, 1.0)
    main = max(parts, key=lambda part: float(weight[part].sum()))
    centre = _middle(trace, main)
    near = [part for part in parts if np.linalg.norm(_middle(trace, part) - centre) < settings.same_place_deg]
    rows = np.concatenate([np.arange(part.start, part.stop) for part in near or [main]])
    time_s = trace.time_s[rows]
    rows = rows[time_s >= min(time_s[0] + settings.correction_s, time_s[-1] - settings.enough_s)]
    close = rows[np.linalg.norm(trace.position_deg[rows] - centre, axis=1) < settings.radius_deg]
    if len(close) < settings.least_close_share * len(rows):
        return _NOWHERE
    at = trace.position_deg[close]
    unlike = len(close) * trace.interval_s / settings.unrest_time_s  # how many spells of wander are averaged
    error_deg = math.sqrt(float(np.var(at, axis=0).mean()) / max(1.0, unlike))
    return _Place(close, at.mean(axis=0), error_deg)
