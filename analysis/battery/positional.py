"""The positional tests: Dix-Hallpike, side-lying and supine roll."""

from __future__ import annotations

from functools import partial

from analysis.battery.positional_analysis import analyse
from analysis.battery.positional_steps import OPPOSITE, dix_hallpike_steps, roll_steps, side_lying_steps
from analysis.battery.safety import (
    FLAT,
    NECK_ABSOLUTE,
    NECK_ARTERY,
    NECK_RELATIVE,
    POSITIONAL_STOP,
    RETINA,
    STIFF_NECK,
    TURN_TEST,
    UNSTABLE_NECK,
)
from analysis.procedure import Procedure, Question, Step
from capture.samples import Eye

PREPARATION = (
    "After calibration and direction check. Goggles tight; no visible light inside them.",
    "Say what comes: it may spin for up to a minute, and it stops.",
    "A second person for a heavy patient. Never let the head drop. Bowl within reach.",
    "Where the history fits positional vertigo, before head-shake and vibration: both may move debris.",
)


def positional_test(
    key: str,
    title: str,
    purpose: str,
    steps: tuple[Step, ...],
    contraindications: tuple[str, ...],
    questions: tuple[Question, ...],
) -> Procedure:
    """A positional test of these steps, measured as all of them are."""
    return Procedure(
        key=key,
        title=title,
        purpose=purpose,
        preparation=PREPARATION,
        contraindications=contraindications,
        stop_signs=POSITIONAL_STOP,
        steps=steps,
        analyse=partial(analyse, key=key, title=title, steps=steps),
        questions=questions,
    )


def _dix_hallpike(side: Eye) -> Procedure:
    return positional_test(
        f"dix_hallpike_{side}",
        f"Dix-Hallpike, {side} ear",
        f"Looks for nystagmus from the {side} posterior canal; also from an anterior canal, or central.",
        dix_hallpike_steps(side),
        NECK_ABSOLUTE + NECK_RELATIVE,
        (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, TURN_TEST, RETINA),
    )


def _side_lying(side: Eye) -> Procedure:
    return positional_test(
        f"side_lying_{side}",
        f"Side-lying test, {side} ear",
        f"As Dix-Hallpike of the {side} ear, without bending the neck back. The head turns to the "
        f"{OPPOSITE[side]}.",
        side_lying_steps(side),
        NECK_ABSOLUTE + NECK_RELATIVE,
        (UNSTABLE_NECK, NECK_ARTERY, RETINA),
    )


def _roll(key: str, title: str, whole_body: bool) -> Procedure:
    return positional_test(
        key,
        title,
        "Looks for nystagmus from a horizontal canal: geotropic or apogeotropic, and which side is stronger.",
        roll_steps(whole_body),
        NECK_RELATIVE if whole_body else NECK_ABSOLUTE + NECK_RELATIVE,
        (RETINA, FLAT) if whole_body else (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, RETINA, FLAT),
    )


DIX_HALLPIKE_RIGHT, DIX_HALLPIKE_LEFT = _dix_hallpike("right"), _dix_hallpike("left")
SIDE_LYING_RIGHT, SIDE_LYING_LEFT = _side_lying("right"), _side_lying("left")
SUPINE_ROLL = _roll("supine_roll", "Supine roll", whole_body=False)
SUPINE_ROLL_WHOLE_BODY = _roll("supine_roll_whole_body", "Supine roll of the whole body", whole_body=True)
