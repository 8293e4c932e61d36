"""How a reflection on the cornea follows the pupil when the eye turns, learned from the samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RelationSettings:
    """What is known before the first sample. None was chosen on a recording."""

    bin_s: float = 0.05  # samples are averaged over this long
    apart_s: float = 2.0  # differences over this long: pupils change within it, slips are rare in it
    fewest_pairs: int = 40  # two seconds
    least_visible: float = 0.7  # share of the pupil, for its centre to count
    around_gap_s: float = 0.1  # beside a hole of this length a lid may touch pupil or reflection
    # Own ray traces as in slip.SlipSettings: 0.505, SD 0.04; what it follows across is 0, SD 0.006.
    follow: float = 0.505
    follow_sd: float = 0.05
    across_sd: float = 0.02
    curve_sd: float = 0.015  # mm per mm^2, same
    size_sd: float = 0.1  # mm of reflection for each mm of size: half of the 0.15 mm/mm of 5 deg over 6 mm
    size_curve_sd: float = 0.02  # mm per mm^2
    error_mm: float = 0.01  # of a pair, at least: a tenth of a pixel
    alike_pairs: float = 8.0  # neighbouring pairs err alike: a fixation of 0.4 s


class Pairs(NamedTuple):
    """Pupil and reflection at the same time, averaged over short times; lengths in mm in the picture."""

    time_s: Floats  # (m,)
    pupil_mm: Floats  # (m, 2) from their median
    glint_mm: Floats  # (m, 2) from their median
    size_mm: Floats  # (m,) diameter of the pupil
    all_sizes_mm: Floats  # of all good pupils, with a reflection or without
    seen_share: float  # of the good pupils with a reflection
    good_s: float  # from the first good pupil to the last


class Relation(NamedTuple):
    """glint = coefficients of (pupil x, y, curvature 3, size 2), see `_terms`."""

    size_mm: float  # the size that shifts nothing
    coefficients: Floats  # (7, 2)
    covariance: Floats  # (7, 7) of one axis
    error_mm: float  # of a pair, each axis

    @property
    def follow(self) -> Floats:
        """(2, 2) how the reflection follows the pupil in the middle of its range."""
        return self.coefficients[:2].T

    def unsure_mm(self, pairs: Pairs) -> Floats:
        """(m,) standard error of `left_over_mm`, each axis, against that at the pairs' usual place."""
        terms = _terms(pairs.pupil_mm, pairs.size_mm - self.size_mm)
        away = terms - np.median(terms, axis=0)
        return np.sqrt(np.einsum("ki,ij,kj->k", away, self.covariance, away))

    def left_over_mm(self, pairs: Pairs) -> Floats:
        """(m, 2) the reflection's place less what pupil and size explain."""
        return pairs.glint_mm - _terms(pairs.pupil_mm, pairs.size_mm - self.size_mm) @ self.coefficients

    def shift_error_mm(self, size_mm: Floats) -> Floats:
        """(k,) standard error of `shift_of_size_mm`, each axis."""
        off = size_mm - self.size_mm
        terms = np.column_stack((off, off**2))
        variance = np.einsum("ki,ij,kj->k", terms, self.covariance[5:, 5:], terms)
        return np.sqrt(2.0 * variance) / np.sqrt(abs(np.linalg.det(self.follow)))


def shift_of_size_mm(relation: Relation, size_mm: Floats) -> Floats:
    """(k, 2) how far a pupil of this size lies from where one of the calibrated size would."""
    off = size_mm - relation.size_mm
    moved = np.column_stack((off, off**2)) @ relation.coefficients[5:]
    return -moved @ np.linalg.inv(relation.follow).T


def pairs_of(samples: NDArray[np.void], mm_per_px: float, settings: RelationSettings) -> Pairs:
    """Average the good samples (SAMPLE_DTYPE rows of one eye) over short times."""
    good, both = good_and_both(samples, settings)
    rows = samples[both]
    sizes_mm = 2.0 * mm_per_px * samples["major_px"][good]
    share = len(rows) / max(int(good.sum()), 1)
    good_s = float(np.ptp(samples["time_s"][good])) if good.any() else 0.0
    if not len(rows):
        empty = np.zeros((0, 2))
        return Pairs(np.zeros(0), empty, empty, np.zeros(0), sizes_mm, share, good_s)
    time_s, *places = averages(rows, float(rows["time_s"][0]), settings.bin_s).T
    x, y, glint_x, glint_y, size = (mm_per_px * place for place in places)
    pupil, glint = np.column_stack((x, y)), np.column_stack((glint_x, glint_y))
    return Pairs(
        time_s,
        pupil - np.median(pupil, axis=0),
        glint - np.median(glint, axis=0),
        2.0 * size,
        sizes_mm,
        share,
        good_s,
    )


def good_and_both(
    samples: NDArray[np.void], settings: RelationSettings
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(n,) which samples have a good pupil, and which of them a measured reflection as well."""
    good = np.isfinite(samples["x_px"] + samples["y_px"] + samples["major_px"] + samples["time_s"])
    good &= (samples["repeated"] == 0) & ~(samples["visible_share"] < settings.least_visible)
    good &= ~_beside_gap(samples["time_s"], good, settings.around_gap_s)
    both = good & np.isfinite(samples["glint_x_px"] + samples["glint_y_px"])
    if both.any() and np.ptp(samples["glint_x_px"][both]) == 0.0:  # the same to the last digit: not measured
        both[:] = False
    return good, both


def averages(rows: NDArray[np.void], origin_s: float, bin_s: float) -> Floats:
    """(m, 6) means of time (s), pupil x, y, reflection x, y and half width (px), one row a bin that has any.

    `rows` hold both pupil and reflection; bins are counted from `origin_s`.
    """
    names = ("time_s", "x_px", "y_px", "glint_x_px", "glint_y_px", "major_px")
    bins = np.floor((rows["time_s"] - origin_s) / bin_s)
    starts = np.flatnonzero(np.diff(bins, prepend=-np.inf))
    counts = np.diff(starts, append=len(rows))
    sums = np.add.reduceat(np.column_stack([rows[name] for name in names]), starts)
    return sums / counts[:, None]


def _beside_gap(time_s: Floats, good: NDArray[np.bool_], around_s: float) -> NDArray[np.bool_]:
    """Samples within `around_s` of a hole of at least that length in what is good."""
    places = np.flatnonzero(good)
    beside = np.zeros(len(time_s), dtype=bool)
    for end in np.flatnonzero(np.diff(time_s[places]) >= around_s):
        before_s, after_s = time_s[places[end]], time_s[places[end + 1]]
        first, stop = np.searchsorted(time_s, (before_s - around_s, after_s + around_s))
        beside[first:stop] = True
    return beside


def _terms(pupil_mm: Floats, off_mm: Floats) -> Floats:
    x, y = pupil_mm.T
    return np.column_stack((x, y, x * x, x * y, y * y, off_mm, off_mm * off_mm))


def fit_relation(pairs: Pairs, size_mm: float, settings: RelationSettings) -> Relation:
    """Robust least squares on differences, with what is known of eyes as prior."""
    later = np.searchsorted(pairs.time_s, pairs.time_s + settings.apart_s)
    first = np.flatnonzero(later < len(pairs.time_s))
    later = later[first]
    terms = _terms(pairs.pupil_mm, pairs.size_mm - size_mm)
    change, moved = terms[later] - terms[first], pairs.glint_mm[later] - pairs.glint_mm[first]
    sd = np.array([0.0, 0.0, *[settings.curve_sd] * 3, settings.size_sd, settings.size_curve_sd])
    known, columns = np.zeros((7, 2)), []
    known[0, 0] = known[1, 1] = settings.follow
    error = 3.0 * np.median(np.abs(moved - change @ known)) + settings.error_mm
    covariance = np.zeros((7, 7))
    found = known
    for _ in range(12):
        off = np.linalg.norm(moved - change @ found, axis=1)
        error = max(float(np.median(off)) / 1.18, settings.error_mm)  # median of a Rayleigh distribution
        weight = 1.0 / (1.0 + (off / (2.385 * error)) ** 2) / settings.alike_pairs  # Cauchy
        columns = []
        for axis in (0, 1):
            sd[:2] = settings.across_sd
            sd[axis] = settings.follow_sd
            weighed = change.T * (weight / error**2)
            covariance = np.linalg.inv(weighed @ change + np.diag(sd**-2))
            columns.append(covariance @ (weighed @ moved[:, axis] + known[:, axis] / sd**2))
        found = np.column_stack(columns)
    return Relation(size_mm, found, covariance, error)
