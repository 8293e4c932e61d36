"""Tests with a stimulus, from sealed recordings of invented eyes through the commands to findings on paper.

Truth is what the eyes were given: see each case.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader

from analysis.battery import DRIVEN, EVERY, procedure_named
from capture.samples import EYES, Eye
from recordings.event import Event
from tests.analysis.led_patient import Led
from tests.analysis.sawtooth import MadeRecording
from tests.analysis.stimulus_traces import (
    STARTS_S,
    Eyed,
    EyePath,
    TrueSaccade,
    answering,
    following,
    jumps_of,
    recorded,
)
from tests.analysis.test_golden import GOLDEN
from tests.end_to_end.test_caloric_visit import led_folder
from tests.recordings.making import sealed
from ui.command_line import main

SEEN = Eyed(rate_hz=250.0, noise_deg=0.1, wander_deg=0.03)
SLOWER = Eyed(rate_hz=120.0, noise_deg=0.1, wander_deg=0.03)


@dataclass(frozen=True)
class Case:
    """A recording, and value and tolerance of findings of the right eye by key and step."""

    recording: MadeRecording
    values: dict[tuple[str, str], tuple[float, float]]
    said: str  # in the text of `analyse`


def both(path: EyePath) -> dict[Eye, EyePath]:
    return dict.fromkeys(EYES, path)


def saccades(slow: dict[Eye, int] | None = None) -> Case:
    """Latency 200 ms, gain 0.9, on the main sequence: 551 (1 - exp(-15 / 14)) = 362 deg/s at 15 deg."""
    rng, path, later_s = np.random.default_rng(5), EyePath(), STARTS_S
    procedure = procedure_named("saccades")
    for axis, step in enumerate(procedure.steps):
        mine, _ = answering(
            jumps_of(step.targets, axis, later_s), axis, rng, (0.2, 0.01), 0.9, 0.01, speed_sd=0.02
        )
        for one, other in zip(path.saccades, mine.saccades, strict=True):
            one.extend(other)
        later_s += step.longest_s
    across = "saccades horizontal"
    values = {
        ("saccade_latency_right", across): (200.0, 6.0),
        ("saccade_latency_left", across): (200.0, 6.0),
        ("saccade_gain_right", across): (0.9, 0.01),
        ("saccade_peak_15_left", across): (362.0, 12.0),
        ("saccade_gain_up", "saccades vertical"): (0.9, 0.02),
        ("miss_right", across): (0.0, 0.0),
    }
    paths = {eye: slowed(path, (slow or {}).get(eye, 0)) for eye in EYES}
    return Case(
        recorded(procedure, paths, SEEN, rng),
        values,
        r"latency 20\d ms, gain 0\.90.* used \d+, anticipations 0, misses 0",
    )


def slowed(path: EyePath, way: int) -> EyePath:
    """The same with horizontal saccades to the side of this sign at half their speed."""
    across = [replace(s, speed=s.speed * (0.5 if s.size_deg * way > 0 else 1.0)) for s in path.saccades[0]]
    return EyePath((across, path.saccades[1]), path.slow)


def pursuit(right: float = 0.9, left: float = 0.7, asymmetry: float = 12.5) -> Case:
    """Asymmetry 100 x 0.2 / 1.6 = 12.5 %; lag 20 ms: at 0.2 Hz 360 x 0.2 x 0.02 = 1.44 deg."""
    rng, path, procedure = np.random.default_rng(6), EyePath(), procedure_named("pursuit")
    now_s, values = STARTS_S, {}
    parts = []
    for step, hz in zip(procedure.steps, (0.1, 0.2, 0.3, 0.4), strict=True):
        part = following(hz, 15.0, now_s, now_s + step.longest_s, rng, (right, left), 0.02)
        parts.append((now_s, now_s + step.longest_s, part))
        now_s += step.longest_s
        values |= {
            ("pursuit_gain", step.key): (0.8, 0.015),
            ("pursuit_gain_right", step.key): (right, 0.03),
            ("pursuit_phase", step.key): (-360 * hz * 0.02, 1.0),
            ("pursuit_asymmetry", step.key): (asymmetry, 2.5),
        }

    def slow(time: Any) -> Any:
        place = np.zeros(time.size)
        for start_s, end_s, part in parts:
            inside = (time >= start_s) & (time < end_s)
            place[inside] = part.at(time[inside])[:, 0]
        return place

    path.slow.append((0, slow))
    return Case(recorded(procedure, both(path), SLOWER, rng), values, rf"gain 0\.\d\d \(right {right:.1f}")


def optokinetic(right: float = 0.75, left: float = 0.6, asymmetry: float = 11.1) -> Case:
    """Asymmetry 100 x 0.15 / 1.35 = 11.1 %."""
    rng, path, procedure = np.random.default_rng(7), EyePath(), procedure_named("optokinetic")
    spans, now_s, values = [], STARTS_S, {}
    for step in procedure.steps:
        if step.key.startswith("field"):
            sign, share = (1, right) if "right" in step.key else (-1, left)
            dps = sign * float(re.findall(r"(\d+) deg/s", step.key)[0]) * share
            spans.append((now_s, now_s + step.longest_s, dps))
            values["optokinetic_gain", step.key] = (share, 0.02)
        now_s += step.longest_s
    values |= {(f"optokinetic_asymmetry_{dps}", ""): (asymmetry, 2.0) for dps in (20, 40)}

    def slow(time: Any) -> Any:
        place = np.zeros(time.size)
        for start_s, end_s, dps in spans:
            inside = (time >= start_s) & (time < end_s)
            since = time[inside] - start_s
            period_s = 0.4 if abs(dps) < 20 else 0.3
            beat = np.mod(since, period_s)
            place[inside] = dps * np.where(
                beat < period_s - 0.05, beat, (period_s - beat) / 0.05 * (period_s - 0.05)
            )
        return place

    path.slow.append((0, slow))
    said = rf"1[0-2] % more for a field to the {'right' if right > left else 'left'}"
    return Case(recorded(procedure, both(path), SLOWER, rng), values, said)


def fixation() -> Case:
    """Ten square-wave jerks of 1.5 deg in 60 s."""
    rng, path, procedure = np.random.default_rng(8), EyePath(), procedure_named("fixation_stability")
    for k in range(10):
        path.saccades[0].append(TrueSaccade(STARTS_S + 4 + 5.3 * k, 1.5))
        path.saccades[0].append(TrueSaccade(STARTS_S + 4.25 + 5.3 * k, -1.5))
    values = {
        ("square_wave_jerk_rate", "fixate"): (10.0, 0.1),
        ("square_wave_jerk_size", "fixate"): (1.5, 0.1),
        ("flutter_bursts", "fixate"): (0.0, 0.0),
    }
    return Case(recorded(procedure, both(path), SLOWER, rng), values, r"square-wave jerks 10\.0 a minute")


def cover(right_deg: float = 3.0, higher: str = "right") -> Case:
    """The right eye is so much higher: uncovered it moves down by it, and up when the left is uncovered."""
    rng, path, procedure = np.random.default_rng(9), EyePath(), procedure_named("alternate_cover")
    for k in range(1, 20):
        size = -right_deg if k % 2 else right_deg
        path.saccades[1].append(TrueSaccade(STARTS_S + 2.0 * k + 0.25, size))
    step = "alternate cover"
    values = {
        ("refixation_right", step): (-right_deg, 0.1),
        ("refixation_left", step): (right_deg, 0.1),
        ("vertical_deviation", step): (right_deg, 0.1),
    }
    return Case(recorded(procedure, both(path), SEEN, rng), values, rf"{higher} eye higher by 3\.0 deg")


SETTINGS = (3.0, 2.2, 3.5, 2.9, 3.4, 1.0, 1.6, 0.8, 1.5, 1.1)  # clinical reference 18.9, less 0.8 of level
NOTES = [f"line from {'+' if k < 5 else '-'}20.0 to {s + 0.8:+.1f}" for k, s in enumerate(SETTINGS)]
LEVEL = [f"screen level at {angle:+.1f}: -0.8" for angle in (-20.0, -10.0, 0.0, 10.0, 20.0)]


def vertical() -> Case:
    rng, procedure = np.random.default_rng(10), procedure_named("visual_vertical")
    seen = Eyed(rate_hz=60.0)
    notes = [*LEVEL, "head roll +0.5", *NOTES, "line from +10.0 to +9.9 practice"]
    step = "vertical static"
    values = {
        ("vertical_mean", step): (2.10, 0.005),
        ("vertical_spread", step): (1.03, 0.005),
        ("vertical_mean_absolute", step): (2.10, 0.005),
        ("start_side_effect", step): (1.80, 0.005),
    }
    return Case(
        recorded(procedure, both(EyePath()), seen, rng, notes=notes),
        values,
        r"mean setting \+2\.1 deg, top toward the patient's right",
    )


def turning() -> Case:
    """Settings of +8.5 clockwise and -6.1 counter-clockwise: 7.3 and +1.2 (clinical reference 18.9)."""
    rng, procedure = np.random.default_rng(11), procedure_named("visual_vertical_turning")
    made = recorded(
        procedure, both(EyePath()), Eyed(rate_hz=60.0), rng, [40.0, 40.0], [*LEVEL, "head roll +0.5"]
    )
    events = [
        Event(at_s, at_s, "note", f"line from {sign}20.0 to {mean + 0.8 + off:+.1f}")
        for start_s, mean in ((4.0, 8.5), (44.0, -6.1))
        for k, off in enumerate((0.2, -0.2, 0.4, -0.4, 0.1, -0.1))
        for sign in ("+-"[k % 2],)
        for at_s in (start_s + 2 * k,)
    ]
    made = MadeRecording(**{**vars(made), "events": (*made.events, *events)})
    values = {("visual_dependence", ""): (7.3, 0.005), ("tilt_left", ""): (1.2, 0.005)}
    return Case(made, values, r"visual dependence 7\.3 deg")


CASES = {
    "saccades": saccades,
    "pursuit": pursuit,
    "optokinetic": optokinetic,
    "fixation_stability": fixation,
    "alternate_cover": cover,
    "visual_vertical": vertical,
    "visual_vertical_turning": turning,
}


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sealed(tmp_path_factory.mktemp("stimulus"))


def test_every_test_with_a_stimulus_is_here() -> None:
    assert set(CASES) == {procedure.key for procedure in DRIVEN}


def test_every_test_of_the_battery_has_golden_findings() -> None:
    """The two that are missing here have theirs in test_alternation.py and test_calibration_check.py."""
    elsewhere = {"periodic_alternation", "calibration_check"}
    assert set(CASES) | set(GOLDEN) | elsewhere == {procedure.key for procedure in EVERY}


def test_slow_adduction_from_the_recording_to_the_paper(empty: Path, tmp_path: Path) -> None:
    """The left eye turns in, to the right, at half of its speed: index 2; eight rows, not one a measure."""
    recording = saccades({"left": 1}).recording
    folder = led_folder(Path(shutil.copytree(empty, tmp_path / "r")), Led(recording, None), 3)  # type: ignore[arg-type]
    shown = run("analyse", folder)
    assert shown.exit_code == 0, shown.output
    out = tmp_path / "report.pdf"
    assert run("report", folder, "--out", out).exit_code == 0
    pages = [page.extract_text() for page in PdfReader(out).pages]
    for said in (" ".join(shown.output.split()), " ".join(" ".join(pages).split())):
        assert "Slow adduction of the left eye (index 2.0" in said
        assert "Fits internuclear ophthalmoplegia named after the left eye" in said
        assert "outside (up to 1.09)" in said
        assert said.count("saccades horizontal right right 2") == 1  # the row of one eye and direction
    assert len(pages) <= 3


# The other side: what was stronger or higher on the right is so on the left, signs turned.
TURNED = {
    "pursuit": lambda: pursuit(0.7, 0.9, -12.5),
    "optokinetic": lambda: optokinetic(0.6, 0.75, -11.1),
    "alternate_cover": lambda: cover(-3.0, "left"),
}


@pytest.mark.parametrize("key", TURNED)
def test_the_other_side_is_told_as_the_other_side(key: str, empty: Path, tmp_path: Path) -> None:
    held(TURNED[key](), key, empty, tmp_path)


@pytest.mark.parametrize("key", CASES)
def test_findings_follow_from_what_the_eyes_were_given(key: str, empty: Path, tmp_path: Path) -> None:
    held(CASES[key](), key, empty, tmp_path)


def held(case: Case, key: str, empty: Path, tmp_path: Path) -> None:
    """Whether `analyse` finds and says what the case was made of."""
    folder = led_folder(Path(shutil.copytree(empty, tmp_path / key)), Led(case.recording, None), 1)  # type: ignore[arg-type]
    shown = run("analyse", "--json", folder)
    assert shown.exit_code == 0, shown.output
    (result,) = json.loads(shown.output)["procedures"]
    assert result["procedure"] == key
    found = {(f["key"], f["step"]): f for f in result["findings"] if f["eye"] in (None, "right")}
    for which, (value, tolerance) in case.values.items():
        assert found[which]["value"] == pytest.approx(value, abs=tolerance), which
    assert re.search(case.said, " ".join(result["conclusions"]))


def test_the_terminal_and_the_paper_say_the_same(empty: Path, tmp_path: Path) -> None:
    """Gain 0.6 to the left: on the screen and in the report, with beats used and refused."""
    folder = led_folder(Path(shutil.copytree(empty, tmp_path / "r")), Led(optokinetic().recording, None), 2)  # type: ignore[arg-type]
    shown = run("analyse", folder)
    assert shown.exit_code == 0, shown.output
    out = tmp_path / "report.pdf"
    assert run("report", folder, "--out", out).exit_code == 0
    printed = " ".join("".join(page.extract_text() for page in PdfReader(out).pages).split())
    for said in (" ".join(shown.output.split()), printed):
        assert "Optokinetic nystagmus, small-field" in said
        assert re.search(r"gain \(n = \d+, \d+ refused\) 0\.(59|60|61) 0\.\d\d to \d\.\d\d", said)
