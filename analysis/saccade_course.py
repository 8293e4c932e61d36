"""The smooth course of saccades: when each begins and ends, and how fast it is at its peak.

Speed grows as u^a and ends as (1 - u)^b of the time u from 0 to 1; a = b = 2 is minimum jerk (Flash & Hogan,
J Neurosci 1985;5:1688-1703, from memory). How softly an eye starts and lands is not known beforehand, and a
wrong guess moves the start by milliseconds and the peak by a tenth; a few frames of one saccade do not tell
it. So saccades of one direction and about one size share it: each is fitted by itself first, then again about
what all of them say together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import betainc, betaln

from analysis.trace import Trace

Floats = NDArray[np.float64]
FLANK_FRAMES, LEAST_INSIDE = 6, 4  # frames beside a movement, and within it, that its course is fitted to
MINIMUM_JERK = np.log([2.0, 2.0])
UNKNOWN, ALIKE = 0.35, 0.1  # SD of ln a and ln b: of all eyes, and of one eye's saccades (design choices)
NEAR = 1.5  # times the size: so much larger or smaller ones are of about one size (design choice)
GREATEST = np.log([0.15, 12.0])  # beyond these softness tells nothing more
MOVED, LONGER = 0.3, 0.5  # SD of the start, of the duration given, and of its logarithm: far beyond any doubt
LEAST_NOISE_DEG = 0.02
STEP, TINY = 1e-4, 1e-12  # for slopes, against 0
STILL = 0.001  # of its peak: a saccade that lands so slowly has ended (design choice)


@dataclass(frozen=True, slots=True)
class Course:
    """A smooth course fitted to one saccade."""

    start_s: float
    end_s: float
    peak_s: float
    peak_dps: float
    peak_error: float  # standard error of its peak by the noise of the samples, as a share


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
    alone = [_fit(piece, noise, MINIMUM_JERK, UNKNOWN) for piece in pieces]
    sizes = np.array([piece.size_deg for piece in pieces])
    found = []
    for piece in pieces:
        near = (sizes / piece.size_deg >= 1 / NEAR) & (sizes / piece.size_deg <= NEAR)
        together = _together([alone[k] for k in np.flatnonzero(near)])
        found.append(_course(piece, _fit(piece, noise, together, ALIKE), noise))
    return found


def _fit(piece: Moved, noise_deg: float, believed: Floats, doubt: float) -> Fitted:
    def off(at: Floats) -> Floats:
        way = _way(piece, at)
        rest = piece.place_deg - way * (way @ piece.place_deg) / max(float(way @ way), TINY)
        return np.concatenate((rest / noise_deg, at[:2] / (MOVED, LONGER), (at[2:] - believed) / doubt))

    found = least_squares(off, np.r_[0.0, 0.0, believed], method="lm", xtol=1e-4, ftol=1e-6)
    slopes = found.jac[:-2]
    whole = slopes.T @ slopes
    certain = whole[2:, 2:] - whole[2:, :2] @ np.linalg.inv(whole[:2, :2]) @ whole[:2, 2:]
    return Fitted(found.x, np.linalg.inv(found.jac.T @ found.jac), certain, believed, doubt)


def _way(piece: Moved, at: Floats) -> Floats:
    """Share of the way at each sample, about its mean."""
    a, b = np.exp(np.clip(at[2:], *GREATEST))
    share = (piece.time_s - at[0] * piece.lasts_s) / _lasts_s(piece, at)
    way = betainc(a + 1, b + 1, np.clip(share, 0.0, 1.0))
    return way - way.mean()


def _together(fitted: Sequence[Fitted]) -> Floats:
    """What ln a and ln b are by all samples together, by their certainty, and by what eyes usually do."""
    certain, told = np.eye(2) / UNKNOWN**2, MINIMUM_JERK / UNKNOWN**2
    for one in fitted:
        certain = certain + one.certain
        told = told + one.certain @ one.at[2:] + (one.at[2:] - one.believed) / one.doubt**2
    return np.clip(np.linalg.solve(certain, told), *GREATEST).astype(np.float64)


def _course(piece: Moved, fitted: Fitted, noise_deg: float) -> Course:
    at = fitted.at
    a, b = np.exp(np.clip(at[2:], *GREATEST))
    way, u = _way(piece, at), np.linspace(0.0, 1.0, 401)[1:-1]
    start_s = piece.start_s + float(at[0]) * piece.lasts_s
    lasts_s = _lasts_s(piece, at)
    speed = a * np.log(u) + b * np.log1p(-u)
    last = float(u[speed >= speed.max() + np.log(STILL)][-1])
    steps = STEP * np.eye(4)
    peak, *moved = np.log([_peak_dps(piece, at + step) for step in (np.zeros(4), *steps)])
    grows = (np.array(moved) - peak) / STEP
    sized = noise_deg**2 * float(way @ way) / max(float(way @ piece.place_deg) ** 2, TINY)
    return Course(
        start_s,
        start_s + last * lasts_s,
        start_s + float(a / (a + b)) * lasts_s,
        float(np.exp(peak)),
        float(np.sqrt(grows @ fitted.spread @ grows + sized)),
    )


def _lasts_s(piece: Moved, at: Floats) -> float:
    return piece.lasts_s * float(np.exp(np.clip(at[1], -1.0, 1.0)))


def _peak_dps(piece: Moved, at: Floats) -> float:
    a, b = np.exp(np.clip(at[2:], *GREATEST))
    way, u = _way(piece, at), a / (a + b)
    size_deg = max(abs(float(way @ piece.place_deg)), TINY) / max(float(way @ way), TINY)
    return size_deg / _lasts_s(piece, at) * float(u**a * (1 - u) ** b * np.exp(-betaln(a + 1, b + 1)))
