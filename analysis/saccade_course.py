"""The smooth course of saccades: when each begins and ends, and how fast it is at its peak.

Speed grows as u^a and ends as (1 - u)^b of the time u from 0 to 1; a = b = 2 is minimum jerk (Flash & Hogan,
J Neurosci 1985;5:1688-1703, from memory). How softly an eye starts and lands is not known beforehand, and a
wrong guess moves the start by milliseconds and the peak by a tenth; a few frames of one saccade do not tell
it. So saccades of one direction and about one size share it: each is fitted by itself first, then again about
what all of them say together. What they all leave of it (`saccade_form`) is added to the speed at the peak.
An eye that sets off more softly than minimum jerk has no first moment that a trace could show: it begins
where one that grows as u^2 would begin to be as fast, and as fast growing, at a twentieth of its peak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import betainc, betaln

from analysis.saccade_form import Form, Left, form, left
from analysis.trace import Trace

Floats = NDArray[np.float64]
FLANK_FRAMES, LEAST_INSIDE = 6, 2  # frames beside a movement, and within it, that its course is fitted to
MINIMUM_JERK = np.log([2.0, 2.0])
UNKNOWN, ALIKE = 0.35, 0.1  # SD of ln a and ln b: of all eyes, and of one eye's saccades (design choices)
NEAR = 1.5  # times the size: so much larger or smaller ones are of about one size (design choice)
GREATEST = np.log([0.15, 12.0])  # beyond these softness tells nothing more
MOVED, LONGER = 0.3, 0.5  # SD of the start, of the duration given, and of its logarithm: far beyond any doubt
LEAST_NOISE_DEG = 0.02
STEP, TINY = 1e-4, 1e-12  # for slopes, against 0
SET_OFF = 0.05  # of its peak: a saccade that is so fast is surely seen to move (design choice)
STILL = 0.001  # of its peak: a saccade that lands so slowly has ended (design choice)


@dataclass(frozen=True, slots=True)
class Course:
    """A smooth course fitted to one saccade."""

    start_s: float
    end_s: float
    peak_s: float
    peak_dps: float
    peak_error: float  # standard error of its peak, by noise and by what all have in common; a share


class Moved(NamedTuple):
    """Where the eye was about one movement that begins at `start_s` and lasts for about `lasts_s`."""

    time_s: Floats  # (n,) from `start_s` on
    place_deg: Floats  # (n,) about its mean
    start_s: float
    lasts_s: float
    size_deg: float


class Fitted(NamedTuple):
    """Start and ln duration, in `lasts_s`, ln a and ln b (4,); what the samples alone say of the latter."""

    at: Floats
    spread: Floats  # (4, 4) covariance
    certain: Floats  # (2, 2) inverse covariance
    believed: Floats  # (2,) what was taken of a and b beforehand ...
    doubt: float  # ... and its standard deviation


def moved(trace: Trace, axis: int, start_s: float, end_s: float, size_deg: float) -> Moved | None:
    """The samples of one movement of this signed size along an axis; None with too few of them."""
    reach_s = FLANK_FRAMES / trace.rate_hz
    inside = (trace.time_s >= start_s - reach_s) & (trace.time_s <= end_s + reach_s) & trace.valid
    time, place = trace.time_s[inside] - start_s, trace.position_deg[inside, axis]
    if np.count_nonzero((time > 0) & (time < end_s - start_s)) < LEAST_INSIDE:
        return None
    return Moved(time, place - place.mean(), start_s, end_s - start_s, size_deg)


def courses(pieces: Sequence[Moved], noise_deg: float) -> list[Course]:
    """The course of each movement; `noise_deg` is the standard deviation of a sample, NaN where not known."""
    noise = noise_deg if noise_deg > LEAST_NOISE_DEG else LEAST_NOISE_DEG
    alone = [_fit(piece, noise, np.zeros(2), MINIMUM_JERK, UNKNOWN) for piece in pieces]
    sizes = np.array([piece.size_deg for piece in pieces])
    near = [np.flatnonzero(np.abs(np.log(sizes / size)) <= np.log(NEAR)) for size in sizes]
    fitted = [
        _fit(piece, noise, first.at[:2], _together([alone[k] for k in those]), ALIKE)
        for piece, first, those in zip(pieces, alone, near, strict=True)
    ]
    rests = [_left(piece, one, noise) for piece, one in zip(pieces, fitted, strict=True)]
    return [
        _course(piece, one, form([rests[k] for k in those]), noise)
        for piece, one, those in zip(pieces, fitted, near, strict=True)
    ]


def _fit(piece: Moved, noise_deg: float, since: Floats, believed: Floats, doubt: float) -> Fitted:
    """Fit a course, sought from a start and a ln duration `since` (2,) on."""

    def off(at: Floats) -> Floats:
        way = _way(piece, at)
        rest = piece.place_deg - way * (way @ piece.place_deg) / max(float(way @ way), TINY)
        return np.concatenate((rest / noise_deg, at[:2] / (MOVED, LONGER), (at[2:] - believed) / doubt))

    found = least_squares(off, np.r_[since, believed], method="lm", xtol=1e-4, ftol=1e-6)
    slopes = found.jac[:-2]
    whole = slopes.T @ slopes
    certain = whole[2:, 2:] - whole[2:, :2] @ np.linalg.inv(whole[:2, :2]) @ whole[:2, 2:]
    return Fitted(found.x, np.linalg.inv(found.jac.T @ found.jac), certain, believed, doubt)


def _together(fitted: Sequence[Fitted]) -> Floats:
    """What ln a and ln b are by all samples together, by their certainty, and by what eyes usually do."""
    certain, told = np.eye(2) / UNKNOWN**2, MINIMUM_JERK / UNKNOWN**2
    for one in fitted:
        certain = certain + one.certain
        told = told + one.certain @ one.at[2:] + (one.at[2:] - one.believed) / one.doubt**2
    return np.clip(np.linalg.solve(certain, told), *GREATEST).astype(np.float64)


def _left(piece: Moved, fitted: Fitted, noise_deg: float) -> Left:
    """What one fit leaves, in shares of the movement's size."""
    size_deg, (middle, sd) = _size_deg(piece, fitted.at), _middle(fitted.at)
    rest = piece.place_deg / size_deg - _way(piece, fitted.at)
    return left((_share(piece, fitted.at) - middle) / sd, rest, noise_deg / abs(size_deg))


def _course(piece: Moved, fitted: Fitted, common: Form, noise_deg: float) -> Course:
    at, u = fitted.at, np.linspace(0.0, 1.0, 401)[1:-1]
    (a, b), (middle, sd) = _softness(at), _middle(at)
    top = a / (a + b)
    speed, z = _speed(u, at) / _speed(top, at), (top - middle) / sd
    last, moving = float(u[speed >= STILL][-1]), float(u[speed >= SET_OFF][0])
    first = max(moving - 2.0 / (a / moving - b / (1 - moving)), 0.0)
    added, added_error = np.array([common.slope(z), common.slope_error(z)]) / sd / _speed(top, at)
    start_s, lasts_s = piece.start_s + float(at[0]) * piece.lasts_s, _lasts_s(piece, at)
    return Course(
        start_s + first * lasts_s,
        start_s + last * lasts_s,
        start_s + top * lasts_s,
        _peak_dps(piece, at) * float(1 + added),
        float(np.hypot(_peak_error(piece, fitted, noise_deg), added_error)),
    )


def _peak_error(piece: Moved, fitted: Fitted, noise_deg: float) -> float:
    """Standard error of the fitted peak by noise, as a share."""
    at, way = fitted.at, _way(piece, fitted.at)
    peak, *moved = np.log([_peak_dps(piece, at + step) for step in (np.zeros(4), *(STEP * np.eye(4)))])
    grows = (np.array(moved) - peak) / STEP
    sized = noise_deg**2 * float(way @ way) / max(float(way @ piece.place_deg) ** 2, TINY)
    return float(np.sqrt(grows @ fitted.spread @ grows + sized))


def _softness(at: Floats) -> tuple[float, float]:
    a, b = np.exp(np.clip(at[2:], *GREATEST)).tolist()
    return a, b


def _middle(at: Floats) -> tuple[float, float]:
    """Mean and standard deviation of the share of time at which the way is covered."""
    a, b = _softness(at)
    n = a + b + 2
    return (a + 1) / n, float(np.sqrt((a + 1) * (b + 1) / (n + 1)) / n)


def _lasts_s(piece: Moved, at: Floats) -> float:
    return piece.lasts_s * float(np.exp(np.clip(at[1], -1.0, 1.0)))


def _share(piece: Moved, at: Floats) -> Floats:
    """Share of the movement's time at each sample, beyond 0 to 1 where it does not move."""
    return (piece.time_s - at[0] * piece.lasts_s) / _lasts_s(piece, at)


def _way(piece: Moved, at: Floats) -> Floats:
    """Share of the way at each sample, about its mean."""
    a, b = _softness(at)
    way = betainc(a + 1, b + 1, np.clip(_share(piece, at), 0.0, 1.0))
    return way - way.mean()


def _speed(u: Floats | float, at: Floats) -> Floats:
    """Speed of a movement of size 1 in the time 1."""
    a, b = _softness(at)
    return np.asarray(u**a * (1 - u) ** b * np.exp(-betaln(a + 1, b + 1)))


def _size_deg(piece: Moved, at: Floats) -> float:
    way = _way(piece, at)
    size_deg = float(way @ piece.place_deg) / max(float(way @ way), TINY)
    return size_deg if abs(size_deg) > TINY else TINY


def _peak_dps(piece: Moved, at: Floats) -> float:
    a, b = _softness(at)
    return abs(_size_deg(piece, at)) / _lasts_s(piece, at) * float(_speed(a / (a + b), at))
