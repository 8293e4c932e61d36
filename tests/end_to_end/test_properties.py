"""What a change of a whole recording must do to every finding of every test.

Later in time: nothing. Eyes exchanged: findings exchange their eyes. Left and right mirrored: directions as
well, and what is signed to a side turns its sign. Degrees scaled: so are degrees, and what is relative stays.
Half of the frames: nothing beyond noise.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery import EVERY, procedure_named
from analysis.beat_rules import BeatSettings
from analysis.finding import Finding
from analysis.procedure import Result
from capture.samples import Eye, Target
from tests.analysis.led_patient import lead
from tests.analysis.sawtooth import TARGETS, MadeRecording
from tests.analysis.test_golden import GOLDEN, SEEING, SHORTER
from tests.end_to_end.test_stimulus_tests import CASES

ALWAYS = ("spontaneous", "supine_roll", "caloric_left_warm", "visual_vertical")  # the others: long
OTHER = {
    "right": "left", "left": "right", "clockwise": "counter-clockwise", "counter-clockwise": "clockwise",
}  # fmt: skip
HERE = {*GOLDEN, *CASES}
KEYS = [
    pytest.param(p.key, marks=() if p.key in ALWAYS else pytest.mark.long) for p in EVERY if p.key in HERE
]
Key = tuple[str, str, str | None, str | None]  # finding, step, eye, axis

# Signed to a side of the patient on a horizontal or torsional axis, or on none.
SIDED = {
    "slow_phase_velocity", "slow_drift", "velocity_first_5_s", "velocity_last_5_s", "rebound",
    "peak_slow_phase_velocity", "reversal_peak", "side_asymmetry", "null_angle", "velocity_change",
    "late_change", "culmination_velocity", "velocity_before", "saccade_peak_asymmetry", "pursuit_asymmetry",
    "pursuit_bias", "optokinetic_asymmetry_20", "optokinetic_asymmetry_corrected_20",
    "optokinetic_asymmetry_40", "optokinetic_asymmetry_corrected_40", "vertical_mean", "vertical_median",
    "tilt_left", "second_phase_peak", "null_gaze", "after_nystagmus_velocity",
}  # fmt: skip
# Right eye less left eye: mirrored, both change places and the horizontal and torsional turn their sign too.
BETWEEN_EYES = {"eye_difference", "vertical_deviation"}
# Mirrored settings that started at the right start at the left, and both ends turn: the effect stays.


def made(key: str) -> MadeRecording:
    """The recording that the golden findings are of."""
    if key in CASES:
        return CASES[key]().recording
    free = replace(GOLDEN[key].patient, in_light=1.0) if key == "free" else GOLDEN[key].patient
    return lead(procedure_named(key), free, 1, {"right": SEEING}, SHORTER).recording


def result_of(recording: MadeRecording) -> Result:
    return analyse_recording(recording, 1960).results[0]  # type: ignore[arg-type]


def found(result: Result) -> dict[Key, Finding]:
    return {(f.key, f.step, f.eye, f.axis): f for f in result.findings}


def turned_word(text: str) -> str:
    return re.sub("right|left|(counter-)?clockwise", lambda m: OTHER[m[0]], text)


def later(recording: MadeRecording, by_s: float) -> MadeRecording:
    rows = {eye: r.copy() for eye, r in recording.samples.items()}
    for r in rows.values():
        r["time_s"] += by_s
    return replace(
        recording,
        samples=rows,
        events=tuple(e._replace(start_s=e.start_s + by_s, end_s=e.end_s + by_s) for e in recording.events),
        targets=tuple(t._replace(start_s=t.start_s + by_s, end_s=t.end_s + by_s) for t in recording.targets),
    )


def exchanged(recording: MadeRecording) -> MadeRecording:
    info = copy.copy(recording.info)
    info.eyes = {OTHER[eye]: stream for eye, stream in recording.info.eyes.items()}
    other: Callable[[Eye], Eye] = lambda eye: "left" if eye == "right" else "right"  # noqa: E731
    return replace(
        recording,
        info=info,
        samples={other(eye): rows for eye, rows in recording.samples.items()},
        calibrations={other(eye): made for eye, made in recording.calibrations.items()},
    )


def mirrored(recording: MadeRecording) -> MadeRecording:
    """Left for right: positions, eyes, steps, targets, and the noted settings of a line."""
    whole = exchanged(recording)
    rows = {eye: r.copy() for eye, r in whole.samples.items()}
    for r in rows.values():
        r["x_px"] = 320 - r["x_px"]
        for name in ("horizontal_deg", "torsional_deg", "rotation_deg"):
            r[name] = -r[name]
    whole.info.procedure = turned_word(recording.info.procedure)
    events = tuple(e._replace(text=_mirrored_note(turned_word(e.text))) for e in recording.events)
    return replace(whole, samples=rows, events=events, targets=(*TARGETS, *_mirrored_targets(recording)))


def _mirrored_note(text: str) -> str:
    return re.sub(r"[+-]\d+\.\d", lambda m: f"{-float(m[0]):+.1f}", text)


def _mirrored_targets(recording: MadeRecording) -> list[Target]:
    """Where a step shows moving targets, the same on the other side."""
    shown = {s.key: s.targets for s in procedure_named(recording.info.procedure).steps if len(s.targets) > 1}
    return [
        Target(e.start_s + t.start_s, e.start_s + t.end_s, -t.horizontal_deg, t.vertical_deg)
        for e in recording.events
        for t in shown.get(e.text, ())
        if e.kind == "step"
    ]


def scaled(recording: MadeRecording, factor: float) -> MadeRecording:
    rows = {eye: r.copy() for eye, r in recording.samples.items()}
    for r in rows.values():
        for name in ("horizontal_deg", "vertical_deg", "torsional_deg", "rotation_deg"):
            r[name] *= factor
    return replace(recording, samples=rows)


def thinned(recording: MadeRecording) -> MadeRecording:
    info = copy.deepcopy(recording.info)
    rows = {eye: r[::2].copy() for eye, r in recording.samples.items()}
    for eye, r in rows.items():
        r["frame"] = np.arange(len(r))
        info.eyes[eye].frames, info.eyes[eye].measured_rate_hz = len(r), info.eyes[eye].measured_rate_hz / 2
    return replace(recording, info=info, samples=rows)


# What the times' last digits, or an order of sums, may move; by unit.
# An asymmetry of two values that may each move by 1.2 % moves by up to 1.2 points.
ROUNDED = {"%": 1.2, "deg": 0.005, "deg/s": 0.02, "phase deg": 0.1}


def same(one: Finding, value: float | None, relative: float, absolute: float) -> bool:
    if value is None or one.value is None:
        return value is one.value
    return abs(one.value - value) <= max(relative * abs(value), absolute)


@pytest.mark.parametrize("key", KEYS)
def test_later_in_time(key: str) -> None:
    recording = made(key)
    plain, moved = found(result_of(recording)), found(result_of(later(recording, 1000.0)))
    assert plain.keys() == moved.keys()
    for which, f in plain.items():
        assert same(moved[which], f.value, 0.012, ROUNDED.get(f.unit, 2e-3)), (
            which,
            f.value,
            moved[which].value,
        )
        assert (moved[which].direction, moved[which].present) == (f.direction, f.present), which


@pytest.mark.parametrize("key", KEYS)
def test_eyes_exchanged(key: str) -> None:
    if key == "alternate_cover":
        pytest.skip("which eye the cover leaves is told by the time alone")
    recording = made(key)
    plain, other = found(result_of(recording)), found(result_of(exchanged(recording)))
    assert len(plain) == len(other)
    for (name, step, eye, axis), f in plain.items():
        one = other[name, step, OTHER.get(eye or "", eye), axis]
        value = f.value
        if value is not None and name in BETWEEN_EYES:
            value = -value
        if value is not None and name.startswith("versional_dysconjugacy"):
            value = 1 / value  # the other eye is the one that turns out
        assert same(one, value, 5e-3, ROUNDED.get(f.unit, 2e-3)), (name, step, eye, axis, value, one.value)
        assert (one.direction, one.present) == (f.direction, f.present), (name, step, eye, axis)


@pytest.mark.parametrize("key", KEYS)
def test_left_for_right(key: str) -> None:
    if key == "alternate_cover":
        pytest.skip("which eye the cover leaves is told by the time alone")
    recording = made(key)
    plain, other = found(result_of(recording)), found(result_of(mirrored(recording)))
    assert len(plain) == len(other)
    for (name, step, eye, axis), f in plain.items():
        which = (turned_word(name), turned_word(step), OTHER.get(eye or "", eye), axis)
        if name == "tilt_left":
            which = (name, *which[1:])
        one, value = other[which], f.value
        turns = name in SIDED and axis != "vertical"
        turns |= name in BETWEEN_EYES and axis == "vertical"
        if value is not None and turns:
            value = -value
        assert same(one, value, 0.012, ROUNDED.get(f.unit, 2e-3)), (which, value, one.value)
        assert (one.direction, one.present) == (turned_word(f.direction), f.present), which


# Of degrees: as the degrees. All else is relative, a time or a count; what a fixed bar in degrees decides
# (where a run ends, what covers a jump) may move a little.
TAILED = ("slow_phase_velocity", "quick_phase_amplitude")  # medians over all that was found of a decline
FIXED = ("latency", "duration", "time", "beats", "frequency", "time_share", "crescendo")


def around_the_bar(name: str, step: str, eye: str | None, findings: dict[Key, Finding]) -> bool:
    """Whether a bar in degrees decides which of the beats of a step count: they are about as slow as it."""
    speeds = [
        abs(f.value)
        for key, f in findings.items()
        if key[:3] == ("slow_phase_velocity", step, eye) and f.value is not None
    ]
    counted = name in ("time_share", "nystagmus_frequency")
    return counted and 0 < max(speeds, default=0.0) < BeatSettings().least_velocity_dps


SCALED = {"s": 0.5, "ms": 4.0, "%": 2.5, "times": 1.0, "1/min": 1.0, "head deg": 1.0, "deg/s": 0.1}
THINNED = {"s": 0.6, "ms": 8.0, "%": 6.0, "times": 1.0, "1/min": 1.0, "head deg": 2.0, "phase deg": 1.0}


@pytest.mark.parametrize("key", KEYS)
def test_degrees_scaled(key: str) -> None:
    factor = 1.1
    recording = made(key)
    plain, other = found(result_of(recording)), found(result_of(scaled(recording, factor)))
    assert plain.keys() == other.keys()
    known = 0
    for (name, *rest), f in plain.items():
        one = other[name, *rest]  # type: ignore[index]
        if f.value is None or one.value is None:
            continue  # a bar in degrees may be passed
        if around_the_bar(name, *rest[:2], plain):
            continue
        known += 1
        gain = name.startswith(("saccade_gain", "pursuit_gain", "optokinetic_gain"))
        of_degrees = f.unit in ("deg", "deg/s") and not key.startswith("visual_vertical")
        wanted = f.value * (factor if of_degrees or gain else 1.0)
        slack = SCALED.get(f.unit, 0.02)
        if name.startswith(("saccade_speed", "saccade_peak")):
            continue  # the main sequence is no straight line
        if name in ("duration", "time_share"):
            slack = max(slack, 0.3 * f.value)  # how far a decline is followed
        if any(word in name for word in FIXED):
            slack = max(slack, 0.2 * abs(f.value), 2.0 * ("beats" in name))
        slack = max(slack, 0.3 * abs(f.value) * ("correct" in name))  # those of about 0.5 deg
        relative = 0.08 if name in TAILED else 0.03
        assert same(one, wanted, relative, slack), (name, *rest, wanted, one.value)
    assert known >= min(len(plain), 5)


@pytest.mark.parametrize("key", KEYS)
def test_half_of_the_frames(key: str) -> None:
    recording = made(key)
    plain, other = found(result_of(recording)), found(result_of(thinned(recording)))
    assert plain.keys() == other.keys()
    known = 0
    for (name, *rest), f in plain.items():
        one = other[name, *rest]  # type: ignore[index]
        if f.value is None or one.value is None:
            continue  # too few frames for it, which then says so
        if around_the_bar(name, *rest[:2], plain):
            continue
        known += 1
        slack = THINNED.get(f.unit, 0.1)
        if name in ("crescendo_decrescendo", "time_to_peak"):
            continue  # of a nystagmus that lasts noise decides them
        if name in ("duration", "time_share"):
            slack = max(slack, 0.2 * f.value)  # the slow end of a decline
        slack = max(slack, 2.0 * ("beats" in name), 0.3 * (f.unit == "deg/s"))
        slack = max(slack, 12.0 * (name == "slow_phase_change"))  # of a slow nystagmus noise bends it
        assert same(one, f.value, 0.1, slack), (name, *rest, f.value, one.value)
    assert known >= min(len(plain), 5)
