"""Positional recordings with the right ear down, analysed, and what is found in them."""

from __future__ import annotations

from analysis.analyse import analyse_recording
from analysis.finding import Finding
from analysis.procedure import Result
from capture.samples import AXES, Eye
from tests.analysis.paroxysm import Course, Position, positional

BORN = 1966
BOTH = ("right", "left")
BASELINE = Position("baseline", 20, reached_after_s=None)
UP = Position("sitting up", 30)
RIGHT_POSTERIOR = (8.0, -40.0, -36.0)  # slow phase: down, upper pole toward the left
LEFT_POSTERIOR = (-8.0, -40.0, 36.0)
HORIZONTAL, VERTICAL, TORSIONAL = AXES


def right_down(course: Course, seconds: float = 40, **more: object) -> Position:
    return Position("right ear down", seconds, course, **more)  # type: ignore[arg-type]


def analysed(*positions: Position, **made: object) -> Result:
    return analyse_recording(positional(*positions, **made), BORN).results[0]


def found(
    result: Result, key: str, axis: str = VERTICAL, step: str = "right ear down", eye: Eye = "right"
) -> Finding:
    return next(f for f in result.findings if (f.key, f.step, f.eye, f.axis) == (key, step, eye, axis))


def words(result: Result) -> str:
    return " ".join((*result.fits, *(flag.text for flag in result.red_flags)))
