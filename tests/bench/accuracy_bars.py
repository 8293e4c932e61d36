"""Prints how exact the measures are on made eyes, beside the goal of each.

`python -m tests.bench.accuracy_bars [--cases 40] [--first 0] [name ...]`; names: beats, blinks, saccades,
weakness, detection, velocity, pursuit, optokinetic. Slow phases vary from beat to beat by 10 %, noise is 0.1
deg, blinks come and eyes wander; the truth is the slope that slow phases really had, or what drives the eyes
where that is said.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf, pi

import numpy as np

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.battery.caloric_summary import summarise
from analysis.battery.stimulus_steps import FIELD_DPS
from analysis.beats import find_beats
from analysis.nystagmus import drift, middle
from analysis.pursuit import Sine, pursuit
from analysis.saccades import answers
from analysis.stimulus import Jump
from capture.samples import AXES
from capture.simulation.patterns import Course, Pattern, irrigations
from capture.simulation.traces import Seeing
from tests.analysis.interval_draw import finding
from tests.analysis.led_patient import Led, lead
from tests.analysis.movement import matches, nystagmus, steady_gaze
from tests.analysis.stimulus_traces import Eyed, answering, following, trace_of

NOISE = (0.1, 0.1, 0.15)
RATES_HZ = (250.0, 100.0, 60.0)
SPEEDS_DPS = (1, 2, 5, 15, 40, 60, 100, 150)
NOISES_DEG = (0.05, 0.1, 0.2)
LEAST_SDS = 5  # of the noise: a smaller quick phase is told as a curve


def _told(name: str, value: float, goal: str) -> None:
    print(f"  {name:52s} {value:9.3f}   goal {goal}", flush=True)


def _half(led: Led) -> Led:
    rows = {eye: samples[::2] for eye, samples in led.recording.samples.items()}
    for samples in rows.values():
        samples["frame"] //= 2
    info = led.recording.info
    for stream in info.eyes.values():
        stream.measured_rate_hz /= 2
    return replace(led, recording=replace(led.recording, samples=rows, info=info))


def beats(numbers: range) -> None:
    """F1 of quick phases of at least 5 noise SDs, by speed and noise; of smaller ones the share found."""
    small: list[tuple[float, bool]] = []  # size in noise SDs, and whether it was found
    for speed in SPEEDS_DPS:
        for noise_deg in NOISES_DEG:
            hits, misses, false = 0, 0, 0
            for number in numbers:
                rng = np.random.default_rng([number, 10, speed, int(100 * noise_deg)])
                blinks = [(t, t + 0.15) for t in np.arange(3, 38, 4.0)]
                made = nystagmus([-speed, 0, 0], 40, rng, max(rng.uniform(1, 4), speed / 18), 0.05, blinks)
                trace = made.trace(250, [noise_deg, noise_deg, 2 * noise_deg], rng, jitter_s=0.0004)
                pairs, missed, wrong = matches(made, find_beats(trace), 250, 0)
                known = [(true, True) for true, _ in pairs] + [(true, False) for true in missed]
                sizes = [(abs(true.amplitude_deg[0]) / noise_deg, found) for true, found in known]
                small += [one for one in sizes if one[0] < LEAST_SDS]
                hits += sum(found for size, found in sizes if size >= LEAST_SDS)
                misses += sum(not found for size, found in sizes if size >= LEAST_SDS)
                false += len(wrong)
            f1 = 2 * hits / max(2 * hits + misses + false, 1)
            _told(f"{speed} deg/s, noise {noise_deg} deg, F1", f1, "0.98" if speed <= 60 else "0.95")
    for least in range(LEAST_SDS):
        found = [was for size, was in small if least <= size < least + 1]
        if found:
            _told(f"quick phases of {least} to {least + 1} SDs found, %", 100 * float(np.mean(found)), "none")


def blinked(numbers: range) -> None:
    """False beats of an eye that rests and blinks, with ten square-wave jerks a minute."""
    false, blinks = 0, 0
    for number in numbers:
        rng = np.random.default_rng([number, 11])
        made = steady_gaze(100.0, rng, 10.0)
        false += sum(b.accepted for b in find_beats(made.trace(250, NOISE, rng)))
        blinks += len(made.blinks_s)
    _told("false beats a hundred blinks, with square-wave jerks", 100 * false / blinks, "1")


def saccades(numbers: range) -> None:
    """Medians of thirty at 250 pictures a second; the 95th percentile over the cases."""
    for size_deg, goal in ((5.0, "0.05"), (10.0, "0.03"), (20.0, "0.03"), (40.0, "0.03")):
        late, gains, peaks = [], [], []
        for number in numbers:
            rng = np.random.default_rng([number, 12, int(size_deg)])
            asked = [
                Jump(1 + 1.5 * k, 2.5 + 1.5 * k, size_deg * (k % 2), size_deg * ((k + 1) % 2))
                for k in range(30)
            ]
            path, true = answering(asked, 0, rng, gain=1.0, correct=False)
            known = [(a, t) for a, t in zip(answers(trace_of(path, 48.0, Eyed(), rng), asked, 0), true,
                     strict=True) if a.outcome == "used"]  # fmt: skip
            late.append(abs(np.median([a.latency_s - (t.start_s - a.jump.at_s) for a, t in known])))
            gains.append(abs(np.median([a.amplitude_deg / t.size_deg for a, t in known]) - 1))
            peaks.append(abs(np.median([a.peak_velocity_dps / t.peak_dps for a, t in known]) - 1))
        for name, values, bar in (("latency, s", late, "0.002"), ("gain", gains, "0.01"),
                                  ("peak velocity", peaks, goal)):  # fmt: skip
            _told(f"{size_deg:g} deg, {name}, 95 % within", float(np.quantile(values, 0.95)), bar)


def weakness(numbers: range) -> None:
    """Four irrigations of ears of 15 to 40 deg/s at 250, 100 or 60 pictures a second, and at half of that."""
    off, late, moved = [], [], []
    for number in numbers:
        rng = np.random.default_rng([number, 5])
        right, left = rng.uniform(15, 40, 2).tolist()
        made = Pattern(variation=0.1, provoked=irrigations(right, left))
        found: list[list] = [[], []]
        for k, name in enumerate(("right_warm", "left_warm", "right_cool", "left_cool")):
            procedure = procedure_named(f"caloric_{name}")
            led = lead(procedure, made, 4 * number + k, {"right": Seeing(RATES_HZ[number % 3], NOISE)})
            found[0].append(analyse_recording(led.recording, 1960).results[0])  # type: ignore[arg-type]
            found[1].append(analyse_recording(_half(led).recording, 1960).results[0])  # type: ignore[arg-type]
            when = finding(found[0][-1], "culmination_time", axis=AXES[0])
            late += [when.value - 60.0] if when and when.value is not None else []
        values = [finding(summarise(some), "unilateral_weakness") for some in found]
        whole, half = (f.value if f and f.value is not None else np.nan for f in values)
        off.append(whole - 100 * (right - left) / (right + left))
        moved.append(half - whole)
    _told("weakness, mean error, points", float(np.mean(off)), "within 0.3")
    _told("weakness, 95 % of errors within, points", float(np.quantile(np.abs(off), 0.95)), "2.5")
    _told("time of the peak, 95 % of errors within, s", float(np.quantile(np.abs(late), 0.95)), "3")
    _told("half the pictures move weakness by (largest), points", float(np.max(np.abs(moved))), "1.5")


def detection(numbers: range) -> None:
    """30 s of 0.5 deg/s, and of none: the size of the velocity tells them apart at 5 % false alarms."""
    sizes = {0.0: [], 0.5: []}
    for number in range(2 * numbers.start, 2 * numbers.stop):
        for speed, found in sizes.items():
            rng = np.random.default_rng([number, 6, int(10 * speed)])
            blinks = [(t, t + 0.15) for t in np.arange(3.0, 28.0, 4.0) + rng.uniform(0, 1)]
            made = nystagmus([-speed, 0, 0], 30, rng, 0.8, 0.05, blinks)
            trace = made.trace(250, NOISE, rng)
            beats = [b for b in find_beats(trace) if b.accepted]
            speeds = np.array([b.slow_phase_velocity_dps[0] for b in beats])
            errors = np.array([b.slow_phase_velocity_se_dps[0] for b in beats])
            known = middle(speeds, errors) if len(beats) >= 3 else drift(trace, 0.0, 30.0, 0, 0.25)
            found.append(abs(known.median) if known else 0.0)
    limit = float(np.quantile(sizes[0.0], 0.95))
    _told("0.5 deg/s in 30 s found, %", 100 * float(np.mean(np.array(sizes[0.5]) > limit)), "90")


def velocity(numbers: range) -> None:
    """Median of 10 s against the median slope of its true slow phases."""
    for speed, goal in ((2.0, 0.4), (10.0, 0.4), (50.0, 2.0)):
        off = []
        for number in numbers:
            rng = np.random.default_rng([number, 7, int(speed)])
            made = nystagmus([-speed, 0, 0], 12, rng, 2.0, 0.1, [(4.0, 4.15), (8.0, 8.15)])
            beats = [b for b in find_beats(made.trace(250, NOISE, rng)) if b.accepted]
            true = [b.velocity_dps[0] for b in made.beats]
            off.append(np.median([b.slow_phase_velocity_dps[0] for b in beats]) - np.median(true))
        _told(f"{speed:g} deg/s in 10 s, mean error, deg/s", float(np.mean(off)), f"within {goal / 4:g}")
        _told(
            f"{speed:g} deg/s in 10 s, 95 % within, deg/s", float(np.quantile(np.abs(off), 0.95)), f"{goal:g}"
        )


def pursued(numbers: range) -> None:
    """Gain of 0.85, lag of 20 ms, gains that do not vary: mean of the tries at each frequency."""
    for hz in (0.1, 0.2, 0.3, 0.4):
        gains, phases = [], []
        for number in numbers:
            rng = np.random.default_rng([number, 8])
            path = following(hz, 15.0, 1.0, 1 + 5 / hz, rng, (0.85, 0.85))
            trace = trace_of(path, 1 + 5 / hz, Eyed(250.0, 0.1, 0.03), rng)
            found = pursuit(trace, Sine(15.0, hz, -2 * pi * hz), 1.0, 1 + 5 / hz)
            if not isinstance(found, str):
                gains.append(abs(found.gain.value - 0.85))
                phases.append(abs(found.phase_deg.value + 7.2 * hz))
        _told(f"{hz:g} Hz, 95 % of gains within", float(np.quantile(gains, 0.95)), "0.01")
        _told(f"{hz:g} Hz, 95 % of phases within, deg", float(np.quantile(phases, 0.95)), "1")


def optokinetic(numbers: range) -> None:
    """Gains of 0.5 to 1 to each side, against the true slow phases after the first 3 s of each field."""
    off = []
    for number in numbers:
        rng = np.random.default_rng([number, 9])
        places = {
            k: (Course((dps * rng.uniform(0.5, 1.0), 0.0, 0.0), 0.0, 0.3, inf),)
            for k, dps in FIELD_DPS.items()
        }
        made = Pattern(in_light=1.0, variation=0.1, provoked=places)
        led = lead(procedure_named("optokinetic"), made, number, {"right": Seeing(250.0, NOISE)})
        result = analyse_recording(led.recording, 1960).results[0]  # type: ignore[arg-type]
        for key, dps in FIELD_DPS.items():
            event = next(e for e in led.recording.events if e.text == key)
            true = [
                b.slow_phase_velocity_dps[0] / dps
                for b in led.patient.true_beats()
                if event.start_s + 3 < b.slow_start_s and b.quick_end_s < event.end_s
            ]
            found = finding(result, "optokinetic_gain", key, AXES[0])
            if found is not None and found.value is not None:
                off.append(abs(found.value - float(np.median(true))))
    _told("optokinetic gain, 95 % within", float(np.quantile(off, 0.95)), "0.02")


BARS: dict[str, Callable[[range], None]] = {
    "beats": beats,
    "blinks": blinked,
    "saccades": saccades,
    "weakness": weakness,
    "detection": detection,
    "velocity": velocity,
    "pursuit": pursued,
    "optokinetic": optokinetic,
}


def main(numbers: range, wanted: Sequence[str]) -> None:
    """Print these bars."""
    for name in wanted or BARS:
        print(f"{name} ({len(numbers)} cases)", flush=True)
        BARS[name](numbers)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("names", nargs="*")
    given = parser.parse_args()
    main(range(given.first, given.first + given.cases), given.names)
