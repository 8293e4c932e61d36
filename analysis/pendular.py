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
    seen_share: float = 0.75  # of a piece: one blink may lie in it
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
    """When each piece begins (k,), times in it (n,), and its places (k, n) less a line, NaN where unseen."""
    part = samples_in(trace, start_s, end_s)
    good = (trace.torsion_valid if axis == 2 else trace.valid)[part]
    bin_s = max(settings.bin_s, 1.5 / trace.rate_hz) if math.isfinite(trace.rate_hz) else settings.bin_s
    count = round(settings.piece_s / bin_s)
    bins = int((end_s - start_s) / bin_s)
    time = ((np.arange(count) + 0.5) * bin_s).astype(np.float64)
    if bins < count or not good.any():
        return np.empty(0), time, np.empty((0, count))
    number = ((trace.time_s[part][good] - start_s) / bin_s).astype(np.int64)
    inside = number < bins
    sums = np.bincount(number[inside], trace.position_deg[part, axis][good][inside], bins)
    held = np.bincount(number[inside], minlength=bins)
    first = _well_seen(held > 0, count, settings)
    place = np.full(bins, np.nan)
    np.divide(sums, held, out=place, where=held > 0)
    place = place[first[:, None] + np.arange(count)]
    place -= np.nanmean(place, axis=1, keepdims=True)
    along = np.where(np.isfinite(place), time, np.nan)
    along -= np.nanmean(along, axis=1, keepdims=True)
    slope = np.nansum(place * along, axis=1) / np.nansum(along**2, axis=1)
    return (start_s + first * bin_s).astype(np.float64), time, place - slope[:, None] * along


def _well_seen(held: NDArray[np.bool_], count: int, settings: PendularSettings) -> NDArray[np.int64]:
    """First bins of pieces of `count` bins that are well seen and do not overlap, each as early as can be.

    A fixed grid would lose every piece that a blink lies in, and with them a short step.
    """
    seen = np.convolve(held, np.ones(count), "valid") >= settings.seen_share * count
    seen &= held[: seen.size]
    found, at = [], 0
    while at < seen.size:
        if seen[at]:
            found.append(at)
        at += count if seen[at] else 1
    return np.array(found, dtype=np.int64)


def _strongest(place: Floats, time: Floats, settings: PendularSettings) -> tuple[Floats, Floats]:
    """Frequency of the strongest sine of each piece (k,), and its share of the variance."""
    count = np.isfinite(place).sum(axis=1)
    place = np.nan_to_num(place)
    spectrum = np.abs(np.fft.rfft(place, 8 * place.shape[1]))
    hz = np.fft.rfftfreq(8 * place.shape[1], time[1] - time[0])
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

    From pieces that mostly lie in one of the other eye's, whose phase is carried on to where they begin; None
    with fewer than two of them, or where their frequencies differ.
    """
    if abs(math.log(one.frequency_hz.value / other.frequency_hz.value)) > PendularSettings().alike:
        return None
    nearest = np.abs(one.start_s[:, None] - other.start_s).argmin(axis=1)
    later_s = one.start_s - other.start_s[nearest]
    near = np.abs(later_s) <= PendularSettings().piece_s / 2
    if np.count_nonzero(near) < 2:
        return None
    then = other.phase_rad[nearest] + 2 * math.pi * other.frequency_hz.value * later_s
    apart = (one.phase_rad - then)[near]
    usual = float(np.angle(np.exp(1j * apart).mean()))
    return _median(math.degrees(usual) + np.degrees(np.angle(np.exp(1j * (apart - usual)))))
