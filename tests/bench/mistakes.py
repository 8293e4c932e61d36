"""Puts single mistakes into a copy of the committed code and says which of them the tests catch.

`python -m tests.bench.mistakes [kind ...]`, about six minutes; ends with 1 where one is not caught. The
mistakes were written down from the code alone, before the tests were read. One whose text is no longer there
stops the run: put it where its line has gone.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]


class Mistake(NamedTuple):
    """One change of the code, and the file of tests that has to notice it."""

    what: str
    kind: str
    file: str
    right: str
    wrong: str
    tests: str


MISTAKES = (
    Mistake(
        "side of a quick phase on an axis turned",
        "sign",
        "analysis/nystagmus.py",
        "return (1 if quick > 0 else -1) if slow",
        "return (-1 if quick > 0 else 1) if slow",
        "analysis/test_nystagmus.py",
    ),
    Mistake(
        "level of the screen taken off instead of added",
        "sign",
        "analysis/visual_vertical.py",
        "return reading_deg + float(",
        "return reading_deg - float(",
        "analysis/test_visual_vertical.py",
    ),
    Mistake(
        "gain asymmetry adds the spontaneous part",
        "sign",
        "analysis/caloric.py",
        "absolute_preponderance(responses).value - sum(known)",
        "absolute_preponderance(responses).value + sum(known)",
        "analysis/test_caloric.py",
    ),
    Mistake(
        "vertical kind named by the slow phase",
        "sign",
        "analysis/positional_kinds.py",
        "up = shares[VERTICAL] < 0",
        "up = shares[VERTICAL] > 0",
        "analysis/test_positional_patterns.py",
    ),
    Mistake(
        "phase positive where the eye lags",
        "sign",
        "analysis/pursuit.py",
        "phase = math.degrees(lead_rad",
        "phase = -math.degrees(lead_rad",
        "analysis/test_pursuit.py",
    ),
    Mistake(
        "torsion turned round",
        "sign",
        "capture/calibration.py",
        "calibration.torsion_zero_deg - turned_deg",
        "calibration.torsion_zero_deg + turned_deg",
        "capture/test_calibration_signs.py",
    ),
    Mistake(
        "baseline added to the beats after head shaking",
        "sign",
        "analysis/battery/shaken.py",
        "FIRST_S], axis) - before.value",
        "FIRST_S], axis) + before.value",
        "analysis/test_provoked.py",
    ),
    Mistake(
        "spontaneous nystagmus taken off the wrong way to the left",
        "sign",
        "analysis/optokinetic.py",
        "rest.value - to_left.value",
        "-rest.value - to_left.value",
        "analysis/test_pursuit.py",
    ),
    Mistake(
        "right minus left with the eyes exchanged",
        "eye",
        "analysis/battery/spontaneous.py",
        "right, left = (_beats_or_drift(found, step, eye, axis) for eye in EYES)",
        "left, right = (_beats_or_drift(found, step, eye, axis) for eye in EYES)",
        "analysis/test_spontaneous.py",
    ),
    Mistake(
        "abducting and adducting eye exchanged",
        "eye",
        "analysis/battery/dysconjugacy.py",
        "pair if sign > 0 else pair[::-1]",
        "pair[::-1] if sign > 0 else pair",
        "analysis/test_saccade_procedure.py",
    ),
    Mistake(
        "cover begins on the wrong eye",
        "eye",
        "analysis/cover.py",
        '"right" if k % 2 == 0 else "left"',
        '"left" if k % 2 == 0 else "right"',
        "analysis/test_cover.py",
    ),
    Mistake(
        "linear paresis names the stronger ear",
        "eye",
        "analysis/caloric.py",
        'weaker: Eye = "right" if sums["right"].value < sums',
        'weaker: Eye = "right" if sums["right"].value > sums',
        "analysis/test_caloric.py",
    ),
    Mistake(
        "apogeotropic named by the stronger side",
        "eye",
        "analysis/positional_patterns.py",
        "weaker = OPPOSITE[stronger] if stronger",
        "weaker = stronger if stronger",
        "analysis/test_supine_roll.py",
    ),
    Mistake(
        "latency in s under the unit ms",
        "unit",
        "analysis/battery/saccades.py",
        "1000 * a.latency_s",
        "a.latency_s",
        "analysis/test_saccade_procedure.py",
    ),
    Mistake(
        "cycles per second taken for radians per second in the saccade share",
        "unit",
        "analysis/pursuit.py",
        "peak_dps = 2 * np.pi * target",
        "peak_dps = target",
        "analysis/test_pursuit.py",
    ),
    Mistake(
        "degrees of torsion given as radians",
        "unit",
        "capture/calibration.py",
        "gaze_rad, np.radians(torsion_deg))",
        "gaze_rad, torsion_deg)",
        "capture/test_calibration_signs.py",
    ),
    Mistake(
        "seconds seen, by an assumed 250 frames a second",
        "unit",
        "analysis/nystagmus.py",
        "return float(count) / trace.rate_hz if count",
        "return float(count) / 250.0 if count",
        "analysis/test_nystagmus.py",
    ),
    Mistake(
        "velocity for flutter in deg per frame",
        "unit",
        "analysis/square_wave_jerks.py",
        "/ (time[2 * reach :] - time[: -2 * reach])",
        "/ (2 * reach)",
        "analysis/test_square_wave_jerks.py",
    ),
    Mistake(
        "last run of beats not looked at",
        "off by one",
        "analysis/nystagmus.py",
        "range(len(beats) - beats_wanted + 1)",
        "range(len(beats) - beats_wanted)",
        "analysis/test_nystagmus.py",
    ),
    Mistake(
        "jump one place too early",
        "off by one",
        "analysis/stimulus.py",
        ">= LEAST_JUMP_DEG) + 1",
        ">= LEAST_JUMP_DEG)",
        "analysis/test_stimulus_tests.py",
    ),
    Mistake(
        "way back of a jerk used as the way out of the next",
        "off by one",
        "analysis/square_wave_jerks.py",
        "            after = 0.0\n",
        "            pass\n",
        "analysis/test_jerk_trains.py",
    ),
    Mistake(
        "frames expected one too few",
        "off by one",
        "analysis/nystagmus.py",
        "* trace.rate_hz) + 1\n",
        "* trace.rate_hz)\n",
        "analysis/test_nystagmus.py",
    ),
    Mistake(
        "every eye judged by the right eye's calibration",
        "calibration",
        "analysis/trace.py",
        "recording.calibrations.get(eye)",
        'recording.calibrations.get("right")',
        "analysis/test_trace.py",
    ),
    Mistake(
        "zero of torsion left at the average eye's",
        "calibration",
        "capture/calibration.py",
        "        torsion_zero_deg=_torsion_zero_deg(kept.fixations, kept.fit.vector),\n",
        "",
        "capture/test_calibration_signs.py",
    ),
    Mistake(
        "fixations upright by the stale view after a found flip",
        "calibration",
        "capture/calibration.py",
        "    if flip.view != view:\n        fixations = find_fixations(targets, samples, flip.view,",
        "    if flip.view != view:\n        fixations = find_fixations(targets, samples, view,",
        "capture/test_calibration_signs.py",
    ),
    Mistake(
        "first instead of last mark that the position was reached",
        "window",
        "analysis/windows.py",
        "used_from_s = max(window.used_from_s, times[-1])",
        "used_from_s = max(window.used_from_s, times[0])",
        "analysis/test_battery.py",
    ),
    Mistake(
        "last 5 s of a gaze taken as the second 5 s",
        "window",
        "analysis/battery/gaze_holding.py",
        "(part.window.end_s - 5, part.window.end_s),",
        "(part.window.used_from_s + 5, part.window.used_from_s + 10),",
        "analysis/test_parts_of_steps.py",
    ),
    Mistake(
        "first seconds of the field not dropped",
        "window",
        "analysis/battery/optokinetic.py",
        "max(window.used_from_s, window.start_s + dropped_s)",
        "max(window.used_from_s, window.start_s)",
        "analysis/test_parts_of_steps.py",
    ),
    Mistake(
        "bilateral by one weak ear",
        "window",
        "analysis/caloric.py",
        "if max(sums) < BILATERAL_SUM_DPS",
        "if min(sums) < BILATERAL_SUM_DPS",
        "analysis/test_caloric.py",
    ),
    Mistake(
        "latency from the start of the step, not from reaching the position",
        "window",
        "analysis/positional_responses.py",
        "run, reached_s = self.run(axis), self.part.window.reached_s",
        "run, reached_s = self.run(axis), self.part.window.start_s",
        "analysis/test_positional.py",
    ),
)


def main(kinds: list[str]) -> int:
    """Try the mistakes of these kinds, all when empty; 1 where one is missed."""
    chosen = [one for one in MISTAKES if not kinds or one.kind in kinds]
    missed = 0
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "copy"
        subprocess.run(["git", "clone", "-q", str(ROOT), str(copy)], check=True)
        for one in chosen:
            _placed(copy, one)
        for tests in dict.fromkeys(one.tests for one in chosen):
            if _failed(copy, tests):
                raise SystemExit(f"{tests} fails on the code as it is")
        for one in chosen:
            found = _caught(copy, one)
            missed += not found
            print(f"{'caught' if found else 'MISSED'}: {one.kind}: {one.what} ({one.file})", flush=True)
    print(f"{len(chosen) - missed} of {len(chosen)} caught")
    return int(missed > 0)


def _placed(copy: Path, one: Mistake) -> str:
    """The file with the mistake in it."""
    text = (copy / one.file).read_text(encoding="utf-8")
    if text.count(one.right) != 1:
        raise SystemExit(f"{one.file} holds {text.count(one.right)} times, not once: {one.right!r}")
    return text.replace(one.right, one.wrong)


def _caught(copy: Path, one: Mistake) -> bool:
    file = copy / one.file
    text = file.read_text(encoding="utf-8")
    file.write_text(_placed(copy, one), encoding="utf-8")
    try:
        return _failed(copy, one.tests)
    finally:
        file.write_text(text, encoding="utf-8")


def _failed(copy: Path, tests: str) -> bool:
    """Whether a test of the file fails; a run that comes to no result is none."""
    own = os.environ | {"PYTHONPATH": str(copy), "NUMBA_CACHE_DIR": str(copy / ".numba")}
    words = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", f"tests/{tests}"]
    ended = subprocess.run(words, cwd=copy, env=own, capture_output=True, text=True, check=False)
    if ended.returncode not in (0, 1):
        raise SystemExit(ended.stdout + ended.stderr)
    return ended.returncode == 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "kinds", nargs="*", choices=[[], *dict.fromkeys(one.kind for one in MISTAKES)], metavar="kind"
    )
    raise SystemExit(main(parser.parse_args().kinds))
