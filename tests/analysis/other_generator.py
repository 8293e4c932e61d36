"""A second generator of eye movements, made apart from the product's own: findings must not hang on that one.

Taken over are only the patterns' values (what a place of the head provokes). All else is different: beats end
where the eye has gone a drawn way, not after a drawn time; quick phases are skewed, slower or faster than the
main sequence, miss their aim and are not quite opposite to the slow phase; the wander is a random walk of
velocity; blinks have other shapes; cross-talk is not symmetrical; frames are lost one by one and in rows.

`lead_other` is called as `tests.analysis.led_patient.lead` is, and answers alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, nan
from types import SimpleNamespace
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from analysis.procedure import Procedure
from capture.pose import Pose
from capture.samples import AXES, EYES, SAMPLE_DTYPE, Eye
from capture.simulation.patterns import GOES_ON, Pattern, place_of
from capture.simulation.traces import Seeing
from recordings.event import Event
from tests.analysis.led_patient import Led, lead_step, recording_of
from tests.analysis.sawtooth import TARGETS

Floats = NDArray[np.float64]
FINE_HZ = 1000
LOST_SHARE = 0.35


@dataclass(frozen=True)
class Habits:
    """What the patterns leave open, drawn anew for each recording of a seed."""

    beat_deg: float  # usual way of a slow phase at 20 deg/s
    scatter: float  # of that way, and of the velocity, from beat to beat, as a share
    slower: float  # factor on the duration of quick phases
    skew: float  # 0 minimum jerk, 1 early peak
    slant: float  # how far quick phases go beside their aim, as a share
    glissade: float  # share of a quick phase that drifts back after it
    wander_dps: float  # standard deviation
    blink_every_s: float
    blink_deg: tuple[float, float]  # horizontal and vertical movement of a closed eye
    mixed: tuple[tuple[float, ...], ...]  # (3, 3) cross-talk of each eye's camera
    lost_row: float  # chance a second that 3 to 12 frames in a row are lost

    @classmethod
    def of(cls, pattern: Pattern, rng: np.random.Generator) -> Habits:
        """Drawn; beats of 0.5 to 6 a second, of 0.5 to 25 deg."""
        every_s = pattern.blink_every_s
        talk = rng.uniform(-0.05, 0.05, (3, 3))
        np.fill_diagonal(talk, 1.0)
        return cls(
            float(np.exp(rng.uniform(np.log(2.0), np.log(20.0)))),
            rng.uniform(0.1, 0.35),
            rng.uniform(0.85, 1.5),
            rng.uniform(0, 1),
            rng.uniform(0.0, 0.12),
            rng.uniform(0.0, 0.08) * (rng.random() < 0.3),
            float(rng.choice([0.05, 0.15, 0.3])),
            inf if every_s is None else every_s * rng.uniform(0.6, 1.5),
            (rng.uniform(-0.8, 0.8), rng.uniform(-3.0, 1.0)),
            tuple(map(tuple, talk.tolist())),
            rng.uniform(0.0, 0.02),
        )


def wide_seeing(rng: np.random.Generator, rate_hz: float) -> Seeing:
    """A recording that is just still usual; 1/f noise on top of white."""
    noise, gain = rng.uniform(0.05, 0.2), rng.normal(1.0, 0.04, 3).tolist()
    return Seeing(
        rate_hz=rate_hz,
        noise_deg=(noise, noise, 1.5 * noise),
        falling_noise_deg=rng.uniform(0.0, 0.15),
        gain=(gain[0], gain[1], gain[2]),
        roll_deg=rng.uniform(-3, 3),
        jitter_s=rng.uniform(0, 0.1) / rate_hz,
        lost_share=rng.uniform(0, 0.02),
    )


class Told(NamedTuple):
    """What the patient is told, and when."""

    pose: Pose
    at_s: float


def lead_other(
    procedure: Procedure,
    pattern: Pattern,
    seed: int,
    seeing: Mapping[Eye, Seeing],
    seconds: Mapping[str, float] | None = None,
    gaze_deg: float | None = None,
) -> Led:
    """Every step of a procedure on an invented patient of this generator."""
    rng = np.random.default_rng([seed, 777])
    told, events, now_s = [Told(Pose(), 0.0)], list[Event](), TARGETS[-1].end_s
    for step in procedure.steps:
        lasts_s = (seconds or {}).get(step.key, step.longest_s)
        events += lead_step(
            step, lambda *one: told.append(Told(*one)), now_s, lasts_s, float(rng.uniform(1.0, 2.5)), gaze_deg
        )
        now_s += lasts_s
    habits = Habits.of(pattern, rng)
    places, beats = _moved(pattern, habits, told, now_s, rng)
    opening, dips = _blinks(habits, pattern, now_s, rng)
    rows: dict[Eye, NDArray[np.void]] = {
        eye: _seen(places[EYES.index(eye)] + dips, opening, how, habits, rng) for eye, how in seeing.items()
    }
    truth = SimpleNamespace(true_beats=lambda: beats)
    return Led(recording_of(rows, tuple(events), procedure.key), truth)  # type: ignore[arg-type]


def _drives(pattern: Pattern, told: list[Told], end_s: float) -> tuple[Floats, Floats, Floats]:
    """Velocity (n, 3) that the pattern asks for, place to look at (n, 2), and whether there is light (n,)."""
    time = np.arange(0, end_s, 1 / FINE_HZ)
    drive = np.tile(np.array(pattern.spontaneous_dps), (time.size, 1))
    if pattern.half_period_s < inf:
        drive *= np.cos(np.pi * time / pattern.half_period_s)[:, None]
    place, light = np.zeros((time.size, 2)), np.ones(time.size)
    visits: dict[str, int] = {}
    last, courses, share, reached_s, before = "", (), 1.0, 0.0, ""
    for k, one in enumerate(told):
        until_s = told[k + 1].at_s if k + 1 < len(told) else end_s
        now = (time >= one.at_s) & (time < until_s)
        if one.pose.position != before and one.pose.position not in GOES_ON:
            where = place_of(one.pose.position)
            where = f"up after {last}" if where == "up" else where
            last = where or last
            courses, reached_s = pattern.provoked.get(where, ()), one.at_s
            share = pattern.fatigue ** visits.get(where, 0)
            visits[where] = visits.get(where, 0) + bool(courses)
        before = one.pose.position
        place[now], light[now] = one.pose.looks_at_deg, one.pose.light != "dark"
        for course in courses:
            since = time[now] - reached_s - course.latency_s
            fade = np.exp(-np.maximum(since - course.rise_s, 0) / course.tau_s)
            grown = np.clip(since / course.rise_s, 0, 1) * fade
            drive[now] += share * grown[:, None] * np.array(course.peak_dps)
    if pattern.sleepiness:
        tired = 1 - pattern.sleepiness * np.clip(np.sin(2 * np.pi * time / 37.0 + 1.0), 0, 1) ** 2
        drive *= tired[:, None]
    left = np.where(light > 0, pattern.in_light, 1.0)
    return drive * left[:, None], place, light


def _moved(
    pattern: Pattern, habits: Habits, told: list[Told], end_s: float, rng: np.random.Generator
) -> tuple[Floats, tuple[SimpleNamespace, ...]]:
    """Where both eyes point (2, n, 3), and the beats."""
    drive, place, light = _drives(pattern, told, end_s)
    steps = rng.standard_normal((len(drive), 3)) / np.sqrt(FINE_HZ)
    speed = np.zeros(3)
    wander = np.empty_like(drive)
    _walk(steps, habits.wander_dps, speed, wander)
    slow_adduction = {"right": 0, "left": 1}.get(pattern.slow_adduction or "", -1)
    chance = rng.standard_normal((6000, 8))
    places = np.zeros((2, len(drive), 3))
    found = np.zeros((6000, 4))
    count = _move(
        drive, place, light, pattern.integrator_tau_s, pattern.rebound, pattern.in_light, pattern.alexander,
        pattern.square_wave_jerks_per_min, slow_adduction, pattern.adduction_slower, habits.beat_deg,
        habits.scatter, habits.slower, habits.skew, habits.slant, habits.glissade, chance, places, found,
    )  # fmt: skip
    drift = np.cumsum(wander, axis=0) / FINE_HZ
    drift -= np.linspace(0, 1, len(drift))[:, None] * drift[-1]
    beats = tuple(
        SimpleNamespace(slow_start_s=a, slow_end_s=b, quick_end_s=c, slow_phase_velocity_dps=(v, nan, nan))
        for a, b, c, v in found[:count]
    )
    return places + drift, beats


@numba.njit(cache=True)
def _walk(steps, deviation, speed, out) -> None:
    """Velocity that wanders about 0, with a memory of 1.5 s."""
    for k in range(len(steps)):
        for axis in range(3):
            speed[axis] += -speed[axis] / (1.5 * 1000) + deviation * np.sqrt(2 / 1.5) * steps[k, axis]
            out[k, axis] = speed[axis]


@numba.njit(cache=True)
def _profile(u, skew) -> float:
    """Share of a quick phase that is done: minimum jerk, mixed with a movement whose peak comes early."""
    if u >= 1:
        return 1.0
    even = u**3 * (10 - 15 * u + 6 * u * u)
    early = u**3 * (20 - 45 * u + 36 * u * u - 10 * u**3)
    return (1 - skew) * even + skew * early


@numba.njit(cache=True)
def _move(
    drive, place, light, tau, rebound, in_light, alexander, jerks, slow_eye, slower_adduction, beat_deg,
    scatter, slower, skew, slant, glissade, chance, places, found,
) -> int:  # fmt: skip
    """Lay down both eyes millisecond by millisecond; returns how many beats there were."""
    at = np.zeros(3)
    start, aim = np.zeros(3), np.zeros(3)
    back = np.zeros(3)
    resting, c, count = 0.0, 0, 0
    quick_from, quick_ms, is_beat = -1, 1.0, False
    slow_from, factor, wanted, gone = 0, 1.0, 0.0, 0.0
    look_ms, micro_ms = -1, 700
    v = np.zeros(3)
    for k in range(len(drive)):
        if k > 0 and (place[k, 0] != place[k - 1, 0] or place[k, 1] != place[k - 1, 1]):
            look_ms = k + 180 + int(30 * abs(chance[c % 6000, 0]))
            c += 1
        if quick_from < 0:
            toward = 0.0
            speed2 = np.hypot(drive[k, 0], drive[k, 1])
            if speed2 > 0:
                toward = -(drive[k, 0] * at[0] + drive[k, 1] * at[1]) / speed2
            grown = max(1 + alexander * toward, 0.0)
            left = in_light if light[k] > 0 else 1.0
            for axis in range(3):
                v[axis] = drive[k, axis] * grown
            v[0] -= left * (at[0] - resting) / tau
            speed = np.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
            due = False
            if look_ms >= 0 and k >= look_ms:  # a saccade to the new place
                look_ms = -1
                due = True
                aim[0], aim[1], aim[2] = place[k, 0], place[k, 1], 0.0
                is_beat = False
            elif speed < 0.3:
                slow_from, gone = k, 0.0
                if k >= micro_ms:
                    due, is_beat = True, False
                    draw = chance[c % 6000]
                    c += 1
                    for axis in range(2):
                        aim[axis] = place[k, axis] + 0.1 * draw[axis]
                    aim[2] = 0.0
                    micro_ms = k + 400 + int(1500 * abs(draw[3]))
                    if abs(draw[4]) > 2.2 and jerks > 0:
                        aim[0] += 1.5
                        micro_ms = k + 200
            else:
                if gone == 0.0:
                    draw = chance[c % 6000]
                    c += 1
                    factor = max(0.3, 1 + 0.6 * scatter * draw[0])
                    usual = beat_deg * (speed / 20) ** 0.6
                    usual = min(max(usual, 0.5, speed / 6.0), 25.0, 2 * speed)
                    wanted = min(max(usual * np.exp(scatter * draw[1]), 0.5), 25.0)
                gone += factor * speed / 1000
                late = k - slow_from > 2000 and gone > 0.5  # at least one beat in two seconds
                if (gone >= wanted and k - slow_from > 100) or late:
                    due, is_beat = True, True
                    draw = chance[c % 6000]
                    c += 1
                    lead = 0.0 if light[k] > 0 else 0.5 * wanted
                    for axis in range(3):
                        goal = (place[k, axis] if axis < 2 else 0.0) - lead * v[axis] / speed
                        aim[axis] = goal + slant * gone * draw[2 + axis]
            if due:
                size = 0.0
                for axis in range(3):
                    start[axis] = at[axis]
                    size += (aim[axis] - at[axis]) ** 2
                size = np.sqrt(size)
                if size < 0.25:
                    due = False
                    gone = 0.0
                else:
                    quick_from, quick_ms = k, slower * (23 + 2.7 * size)
                    if is_beat and count < len(found):
                        found[count, 0], found[count, 1] = slow_from / 1000, k / 1000
                        found[count, 2] = (k + quick_ms) / 1000
                        found[count, 3] = factor * v[0]
                        count += 1
            if not due:
                fix = 0.003 if speed < 0.3 else 0.0
                for axis in range(3):
                    back[axis] *= 1 - 1 / 60.0
                    at[axis] += factor * v[axis] / 1000 - back[axis] / 60.0 * 1.0
                at[2] -= fix * at[2]
        longest = quick_ms
        for eye in range(2):
            for axis in range(3):
                places[eye, k, axis] = at[axis]
        if quick_from >= 0:
            done = k - quick_from
            for eye in range(2):
                lasts = quick_ms
                inward = (aim[0] < start[0]) == (eye == 0)
                if eye == slow_eye and inward:
                    lasts *= slower_adduction
                longest = max(longest, lasts)
                share = _profile(done / lasts, skew)
                for axis in range(3):
                    places[eye, k, axis] = start[axis] + share * (aim[axis] - start[axis])
            if done >= longest:
                for axis in range(3):
                    at[axis] = aim[axis]
                    back[axis] = glissade * (aim[axis] - start[axis])
                quick_from, slow_from, gone = -1, k, 0.0
                factor = 1.0
        if rebound > 0:
            resting += (rebound * at[0] - resting) / (12.0 * 1000)
    return count


def _blinks(
    habits: Habits, pattern: Pattern, end_s: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Opening of the lids (n,) and what a blink moves the eye (n, 3)."""
    time = np.arange(0, end_s, 1 / FINE_HZ)
    opening = np.ones(time.size)
    now_s = float(rng.exponential(min(habits.blink_every_s, 1e6)))
    while now_s < end_s - 1:
        falls, shut, rises = rng.uniform(0.05, 0.1), rng.uniform(0.02, 0.12), rng.uniform(0.1, 0.25)
        since = time - now_s
        near = (since >= 0) & (since <= falls + shut + rises)
        part = since[near]
        closed = np.clip(np.minimum(part / falls, (falls + shut + rises - part) / rises), 0, 1)
        opening[near] = np.minimum(opening[near], 1 - closed)
        now_s += 0.4 + float(rng.exponential(min(habits.blink_every_s, 1e6)))
    if pattern.sleepiness:
        opening *= 1 - 0.4 * pattern.sleepiness * np.clip(np.sin(2 * np.pi * time / 37.0 + 1.0), 0, 1)
    dips = np.zeros((time.size, 3))
    dips[:, :2] = (1 - opening)[:, None] * np.array(habits.blink_deg)
    return opening, dips


def _seen(
    place: Floats, opening: Floats, how: Seeing, habits: Habits, rng: np.random.Generator
) -> NDArray[np.void]:
    """Rows of one eye: sampled, mixed by the camera, with noise and lost frames."""
    end_s = len(place) / FINE_HZ
    number = np.arange(int(end_s * how.rate_hz))
    time = number / how.rate_hz + np.clip(
        how.jitter_s * rng.standard_normal(number.size), -0.4 / how.rate_hz, 0.4 / how.rate_hz
    )
    time = np.clip(time, 0.0, end_s - 2 / FINE_HZ)
    kept = rng.random(number.size) >= how.lost_share
    for begins in np.flatnonzero(rng.random(number.size) < habits.lost_row / how.rate_hz):
        kept[begins : begins + int(rng.integers(3, 13))] = False
    kept[:1] = True
    number, time = number[kept], time[kept]
    fine = np.arange(len(place)) / FINE_HZ
    mixing = np.array(habits.mixed) @ replace(how, cross_talk=0.0).matrix()
    position = np.column_stack([np.interp(time, fine, place[:, axis]) for axis in range(3)]) @ mixing.T
    position += rng.standard_normal(position.shape) * np.array(how.noise_deg)
    if how.falling_noise_deg:
        position += how.falling_noise_deg * _falling(time.size, how.rate_hz, rng)
    if how.slip is not None:
        position[time >= how.slip.at_s] += how.slip.shift_deg
    return _rows(number, time, position, np.interp(time, fine, opening), how)


def _falling(count: int, rate_hz: float, rng: np.random.Generator) -> Floats:
    """(count, 3) noise whose power falls as 1/f down to 0.1 Hz, of variance 1: slow and fast walks."""
    total = np.zeros((count, 3))
    for hz in (0.1, 0.3, 1.0, 3.0, 10.0):
        keep = np.exp(-2 * np.pi * hz / rate_hz)
        drawn = rng.standard_normal((count, 3)) * np.sqrt(1 - keep**2)
        _smoothed(drawn, keep)
        total += drawn
    return total / np.sqrt(5)


@numba.njit(cache=True)
def _smoothed(drawn, keep) -> None:
    for k in range(1, len(drawn)):
        for axis in range(3):
            drawn[k, axis] += keep * drawn[k - 1, axis]


def _rows(
    number: NDArray[np.int64], time_s: Floats, position: Floats, opening: Floats, how: Seeing
) -> NDArray[np.void]:
    rows = np.zeros(time_s.size, SAMPLE_DTYPE)
    share = np.clip(1.4 * opening - 0.15, 0.0, 1.0)
    lost = share < LOST_SHARE
    rows["frame"], rows["time_s"], rows["device_time_s"] = number, time_s, nan
    rows["visible_share"], rows["pupil_quality"] = np.where(lost, 0.0, share), np.where(lost, 0.0, 0.95)
    rows["torsion_quality"] = np.where(lost, 0.0, how.torsion_quality)
    rows["x_px"], rows["y_px"] = 160 - 2 * position[:, 0], 120 - 2 * position[:, 1]
    rows["major_px"], rows["minor_px"], rows["rotation_deg"] = 30.0, 29.0, position[:, 2]
    for axis, name in enumerate(AXES):
        rows[f"{name}_deg"] = position[:, axis]
    for name in ("x_px", "y_px", "major_px", "minor_px", "rotation_deg", *(f"{axis}_deg" for axis in AXES)):
        rows[name][lost] = nan
    return rows
