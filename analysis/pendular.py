"""Pendular oscillations of an eye: no quick phases, so no slow-phase velocity; size, frequency and phase.

A sine of one frequency makes up nearly all of the movement. The first harmonic of a sawtooth, jerk nystagmus
of equal beats, holds 6 / pi^2 = 0.61 of its variance, that of a square wave 8 / pi^2 = 0.81.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import Estimate, must_be_finite
from analysis.nystagmus import middle, samples_in
from analysis.trace import Trace

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PendularSettings:
    """Design choices, for oscillations of 2 to 8 a second (Leigh & Zee, from memory)."""

    piece_s: float = 2.0  # over which one sine is laid
    bin_s: float = 0.02  # samples are averaged to about this
    seen_share: float = 0.9  # of a piece
    slowest_hz: float = 1.5
    fastest_hz: float = 9.0
    least_share: float = 0.85  # of the variance of a piece that its sine holds
    least_deg: float = 0.5  # peak to peak
    least_pieces: int = 3
    lasting_share: float = 0.5  # of the pieces that were seen
    alike: float = 0.15  # share by which frequencies differ from the usual one


@dataclass(frozen=True, slots=True)
class Pendular:
    """One eye and axis; the sine's phase, rad, at the beginning (k,) of each piece."""

    size_deg: Estimate  # peak to peak
    frequency_hz: Estimate
    start_s: Floats
    phase_rad: Floats


def pendular(trace: Trace, start_s: float, end_s: float, axis: int) -> Pendular | None:
    """A pendular oscillation on an axis (0, 1, 2) from `start_s` to `end_s`, None without one.

    Raises ValueError for a start or end that is not finite.
    """
    must_be_finite(start_s=start_s, end_s=end_s)
    settings = PendularSettings()
    begins, time, place = _pieces(trace, start_s, end_s, axis, settings)
    if len(begins) < settings.least_pieces:
        return None
    hz, share = _strongest(place, time, settings)
    able = share >= settings.least_share
    if not _enough(able, settings):
        return None
    able &= np.abs(hz - np.median(hz[able])) <= settings.alike * np.median(hz[able])
    sines = np.array(
        [_sine(trace, axis, at, settings.piece_s, f) for at, f in zip(begins[able], hz[able], strict=True)]
    )
    if not _enough(able, settings) or 2 * np.median(sines[:, 0]) < settings.least_deg:
        return None
    return Pendular(_median(2 * sines[:, 0]), _median(sines[:, 1]), begins[able], sines[:, 2])


def _enough(able: NDArray[np.bool_], settings: PendularSettings) -> bool:
    least = max(settings.least_pieces, settings.lasting_share * able.size)
    return int(np.count_nonzero(able)) >= least


def _pieces(
    trace: Trace, start_s: float, end_s: float, axis: int, settings: PendularSettings
) -> tuple[Floats, Floats, Floats]:
    """When each piece begins (k,), times in it (n,), and its places (k, n) less a line; those well seen."""
    part = samples_in(trace, start_s, end_s)
    good = (trace.torsion_valid if axis == 2 else trace.valid)[part]
    bin_s = max(settings.bin_s, 1.5 / trace.rate_hz) if math.isfinite(trace.rate_hz) else settings.bin_s
    count = round(settings.piece_s / bin_s)
    pieces = int((end_s - start_s) / (count * bin_s))
    time = ((np.arange(count) + 0.5) * bin_s).astype(np.float64)
    if pieces < 1 or not good.any():
        return np.empty(0), time, np.empty((0, count))
    number = ((trace.time_s[part][good] - start_s) / bin_s).astype(np.int64)
    inside = number < pieces * count
    sums = np.bincount(number[inside], trace.position_deg[part, axis][good][inside], pieces * count)
    held = np.bincount(number[inside], minlength=pieces * count)
    seen = (held > 0).reshape(pieces, count).mean(axis=1) >= settings.seen_share
    known = np.flatnonzero(held)
    place = np.interp(np.arange(pieces * count), known, sums[known] / held[known]).reshape(pieces, count)
    place = place[seen]
    place -= place.mean(axis=1, keepdims=True)
    along = time - time.mean()
    place -= (place @ along / (along @ along))[:, None] * along
    begins = (start_s + np.flatnonzero(seen) * count * bin_s).astype(np.float64)
    return begins, time, place


def _strongest(place: Floats, time: Floats, settings: PendularSettings) -> tuple[Floats, Floats]:
    """Frequency of the strongest sine of each piece (k,), and its share of the variance."""
    count = place.shape[1]
    spectrum = np.abs(np.fft.rfft(place, 8 * count))
    hz = np.fft.rfftfreq(8 * count, time[1] - time[0])
    spectrum[:, (hz < settings.slowest_hz) | (hz > settings.fastest_hz)] = 0.0
    best = hz[np.argmax(spectrum, axis=1)]
    power = np.maximum((place**2).sum(axis=1), 1e-12)
    share = np.max(spectrum, axis=1) ** 2 / (count / 2 * power)
    return best.astype(np.float64), share.astype(np.float64)


def _sine(trace: Trace, axis: int, start_s: float, piece_s: float, hz: float) -> tuple[float, float, float]:
    """Amplitude, frequency and phase at the start of a sine on a line, by least squares of the samples."""
    part = samples_in(trace, start_s, start_s + piece_s)
    good = (trace.torsion_valid if axis == 2 else trace.valid)[part]
    time = trace.time_s[part][good] - start_s
    place = trace.position_deg[part, axis][good]
    a, b = 0.0, 0.0
    for again in range(3):  # the last column moves the frequency
        sine, cosine = np.sin(2 * np.pi * hz * time), np.cos(2 * np.pi * hz * time)
        columns = np.column_stack((sine, cosine, np.ones(time.size), time, time * (a * cosine - b * sine)))
        found = np.linalg.lstsq(columns[:, : 5 if again else 4], place, rcond=None)[0]
        a, b = float(found[0]), float(found[1])
        hz += float(found[4]) / (2 * np.pi) if again else 0.0
    return math.hypot(a, b), hz, math.atan2(b, a)


def _median(values: Floats) -> Estimate:
    found = middle(values, np.full(len(values), np.nan))
    return Estimate(found.median, found.standard_error, found.interval)


def phase_between(one: Pendular, other: Pendular) -> Estimate | None:
    """By how much the first leads the second, deg (-180 to 180): 0 together, 180 against each other.

    From pieces in which both were seen; None with fewer than two of them, or where their frequencies differ.
    """
    if abs(math.log(one.frequency_hz.value / other.frequency_hz.value)) > PendularSettings().alike:
        return None
    both, mine, theirs = np.intersect1d(one.start_s, other.start_s, return_indices=True)
    if len(both) < 2:
        return None
    apart = one.phase_rad[mine] - other.phase_rad[theirs]
    usual = float(np.angle(np.exp(1j * apart).mean()))
    return _median(math.degrees(usual) + np.degrees(np.angle(np.exp(1j * (apart - usual)))))
