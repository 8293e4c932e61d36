"""Eyes that answer a stimulus with known truth: saccades to jumps, pursuit of a sine, square-wave jerks.

Made for these tests alone. A saccade is a minimum-jerk movement whose peak, 1.875 A / D, lies on
V = 551 (1 - exp(-A / 14)) deg/s times a factor; `skew` lets it reach that peak early, at the same speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.analyse import analyse_recording
from analysis.procedure import Procedure, Result
from analysis.stimulus import Jump
from analysis.trace import Trace, trace_from_arrays
from capture.samples import SAMPLE_DTYPE, Eye, Target
from recordings.event import Event
from tests.analysis.led_patient import recording_of
from tests.analysis.movement import duration_s, smooth
from tests.analysis.sawtooth import MadeRecording

Floats = NDArray[np.float64]
STARTS_S = 3.0  # of the first step, behind the targets of a calibration


@dataclass(frozen=True)
class TrueSaccade:
    """One movement along an axis."""

    start_s: float
    size_deg: float
    speed: float = 1.0  # factor on the main sequence

    @property
    def lasts_s(self) -> float:
        return duration_s(self.size_deg) / self.speed

    @property
    def peak_dps(self) -> float:
        return 1.875 * abs(self.size_deg) / self.lasts_s


@dataclass
class EyePath:
    """Where an eye looks: saccades on each axis, and slow movement added to them."""

    saccades: tuple[list[TrueSaccade], list[TrueSaccade]] = field(default_factory=lambda: ([], []))
    slow: list[tuple[int, object]] = field(default_factory=list)  # (axis, function of time)

    def at(self, time: Floats) -> Floats:
        """(n, 3) position."""
        place = np.zeros((time.size, 3))
        for axis, moves in enumerate(self.saccades):
            for one in moves:
                place[:, axis] += one.size_deg * smooth((time - one.start_s) / one.lasts_s)
        for axis, moved in self.slow:
            place[:, axis] += moved(time)  # type: ignore[operator]
        return place


@dataclass(frozen=True)
class Eyed:
    """How the eye is seen."""

    rate_hz: float = 250.0
    noise_deg: float = 0.1
    wander_deg: float = 0.0
    blinks_s: tuple[tuple[float, float], ...] = ()
    jitter_s: float = 0.0


def frames(end_s: float, seen: Eyed, rng: np.random.Generator) -> Floats:
    time = np.arange(0.0, end_s, 1 / seen.rate_hz)
    return np.sort(time + rng.uniform(-1, 1, time.size) * seen.jitter_s) + seen.jitter_s


def positions(path: EyePath, time: Floats, seen: Eyed, rng: np.random.Generator) -> Floats:
    place = path.at(time) + rng.normal(0, seen.noise_deg, (time.size, 3))
    for axis in range(3):
        for hz, phase in zip(rng.uniform(0.05, 0.4, 3), rng.uniform(0, 2 * np.pi, 3), strict=True):
            place[:, axis] += seen.wander_deg * np.sin(2 * np.pi * hz * time + phase) / np.sqrt(1.5)
    return place


def trace_of(path: EyePath, end_s: float, seen: Eyed, rng: np.random.Generator, eye: Eye = "right") -> Trace:
    time = frames(end_s, seen, rng)
    closed = np.array(seen.blinks_s, dtype=float).reshape(-1, 2)
    return trace_from_arrays(eye, time, positions(path, time, seen, rng), blinks_s=closed)


def rows_of(path: EyePath, end_s: float, seen: Eyed, rng: np.random.Generator) -> NDArray[np.void]:
    """Rows as a tracker leaves them; the pupil is lost in a blink."""
    time = frames(end_s, seen, rng)
    place = positions(path, time, seen, rng)
    rows = np.zeros(time.size, SAMPLE_DTYPE)
    rows["frame"], rows["time_s"], rows["device_time_s"] = np.arange(time.size), time, np.nan
    rows["x_px"], rows["y_px"], rows["major_px"], rows["minor_px"] = 160, 120, 30, 29
    rows["visible_share"], rows["pupil_quality"], rows["torsion_quality"] = 1.0, 0.95, 0.9
    for axis, name in enumerate(("horizontal", "vertical", "torsional")):
        rows[f"{name}_deg"] = place[:, axis]
    for start_s, end in seen.blinks_s:
        shut = (time >= start_s) & (time <= end)
        rows["pupil_quality"][shut] = rows["visible_share"][shut] = 0.0
        for name in ("x_px", "y_px", "horizontal_deg", "vertical_deg", "torsional_deg"):
            rows[name][shut] = np.nan
    return rows


def recorded(
    procedure: Procedure,
    paths: dict[Eye, EyePath],
    seen: Eyed,
    rng: np.random.Generator,
    seconds: Sequence[float] | None = None,
    notes: Sequence[str] = (),
) -> MadeRecording:
    """The steps one after the other from `STARTS_S` on, each as long as asked."""
    now_s, events = STARTS_S, []
    for step, lasts_s in zip(procedure.steps, seconds or [s.longest_s for s in procedure.steps], strict=True):
        events.append(Event(now_s, now_s + lasts_s, "step", step.key))
        now_s += lasts_s
    events += [Event(STARTS_S + 1 + k, STARTS_S + 1 + k, "note", text) for k, text in enumerate(notes)]
    rows: dict[Eye, NDArray[np.void]] = {eye: rows_of(path, now_s, seen, rng) for eye, path in paths.items()}
    return recording_of(rows, tuple(events), procedure.key)


def result_of(recording: MadeRecording) -> Result:
    return analyse_recording(recording, 1960).results[0]  # type: ignore[arg-type]


def jumps_of(targets: Sequence[Target], axis: int, later_s: float = 0.0) -> list[Jump]:
    """Jumps of targets, taken off by hand."""
    places = [t[2 + axis] for t in targets]
    return [
        Jump(b.start_s + later_s, b.end_s + later_s, p, q)
        for b, p, q in zip(targets[1:], places, places[1:], strict=False)
    ]


def answering(
    jumps: Sequence[Jump],
    axis: int,
    rng: np.random.Generator,
    latency_s: tuple[float, float] = (0.2, 0.025),
    gain: ArrayLike = 0.93,
    gain_sd: float = 0.03,
    speed: float = 1.0,
    speed_sd: float = 0.05,
    correct: bool = True,
) -> tuple[EyePath, list[TrueSaccade]]:
    """A saccade to each jump and, 0.15 s after it, one to the target; returns the path and the primaries."""
    path, primaries = EyePath(), []
    here = 0.0
    for jump in jumps:
        start_s = jump.at_s + max(rng.normal(*latency_s), 0.1)
        size = jump.size_deg * (float(np.asarray(gain)) + rng.normal(0, gain_sd))
        one = TrueSaccade(start_s, size, speed * max(1 + rng.normal(0, speed_sd), 0.5))
        primaries.append(one)
        path.saccades[axis].append(one)
        here += size
        left = jump.to_deg - here
        if correct and abs(left) > 0.3:
            path.saccades[axis].append(TrueSaccade(start_s + one.lasts_s + 0.15, left))
            here += left
    return path, primaries


def following(
    frequency_hz: float,
    amplitude_deg: float,
    start_s: float,
    end_s: float,
    rng: np.random.Generator,
    gain: tuple[float, float] = (0.85, 0.85),
    lag_s: float = 0.02,
    bias_dps: float = 0.0,
    vary: float = 0.0,
    catch_up: bool = True,
) -> EyePath:
    """Pursuit of a sine that rises at `start_s`, gain to the right and to the left, catch-up saccades.

    `vary`: the gain of each half cycle differs from that by this much, standard deviation.
    """
    w = 2 * np.pi * frequency_hz
    fine = np.arange(start_s, end_s, 0.001)
    angle = w * (fine - start_s - lag_s)
    half = np.floor((angle + np.pi / 2) / np.pi).astype(int)
    varied = rng.normal(0, vary, half.max() - half.min() + 1)[half - half.min()]
    own = np.where(np.cos(angle) > 0, gain[0], gain[1]) + varied
    speed = amplitude_deg * w * np.cos(angle) * own + bias_dps
    slow = np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) / 2) * 0.001))
    path = EyePath(slow=[(0, lambda time: np.interp(time, fine, slow))])
    moved, last_s = 0.0, start_s
    for k in range(0, fine.size, 10):
        off = amplitude_deg * np.sin(w * (fine[k] - start_s)) - slow[k] - moved
        if catch_up and abs(off) > 1.2 and fine[k] - last_s > 0.25:
            path.saccades[0].append(TrueSaccade(float(fine[k]), float(off)))
            moved, last_s = moved + off, float(fine[k])
    return path
