"""The rarer positional tests: head hanging, static positions, lying down, bow and lean, null point."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from analysis.battery.null_point import with_null_angle
from analysis.battery.positional import positional_test
from analysis.battery.positional_steps import baseline, hold, sitting_up
from analysis.battery.safety import (
    FLAT,
    NECK_ABSOLUTE,
    NECK_ARTERY,
    NECK_RELATIVE,
    RETINA,
    STIFF_NECK,
    TURN_TEST,
    UNSTABLE_NECK,
)
from analysis.battery.static_positions import with_positions
from analysis.procedure import Procedure, Step
from capture.samples import Eye

REACHED = "Press the key when the position is reached."

HEAD_HANGING = positional_test(
    "head_hanging",
    "Head hanging, straight",
    "Looks for nystagmus from an anterior canal; central nystagmus shows here as well.",
    (
        baseline("sitting on the couch, legs along it, head straight", "Cover the goggles."),
        hold(
            "head hanging",
            "Head hanging",
            "lying, head straight, 30 degrees below the horizontal",
            f"Support head and neck. Lay the patient down, head straight, 30 degrees back. {REACHED}",
            "I lay you down and your head goes back. I hold your head.",
            None,
        ),
        sitting_up("Sit the patient up. Press the key when up. Hold on."),
    ),
    NECK_ABSOLUTE + NECK_RELATIVE,
    (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, TURN_TEST, RETINA),
)

LYING_DOWN = positional_test(
    "lying_down",
    "Lying down",
    "The direction of nystagmus on lying down supports the side of a horizontal canal; it never decides it "
    "alone (56 % agreed: Oh et al., BMC Ophthalmol 2014;14:136, abstract).",
    (
        baseline("sitting, head straight", "Cover the goggles."),
        hold(
            "lying down",
            "Lying down",
            "lying on the back, head straight, raised 30 degrees",
            f"Lay the patient on the back, head straight. {REACHED}",
            "I lay you down on your back.",
            None,
        ),
        sitting_up("Sit the patient up. Press the key when up. Hold on."),
    ),
    NECK_RELATIVE,
    (RETINA, FLAT),
)

BOW_AND_LEAN = positional_test(
    "bow_and_lean",
    "Bow and lean",
    "Supports the side of a horizontal canal (Choung 2006, from memory); vertical nystagmus may come from a "
    "posterior canal (Sci Rep 2020, PMC7162897, abstract).",
    (
        baseline("sitting, head straight", "Cover the goggles."),
        hold(
            "bow",
            "Bow",
            "sitting, head bowed 90 degrees, face down",
            f"Bend the patient's head forward until the face looks down. {REACHED}",
            "I bend your head forward.",
            None,
        ),
        hold(
            "lean",
            "Lean",
            "sitting, head leaned back 45 degrees",
            f"Lean the patient's head back 45 degrees. {REACHED}",
            "I lean your head back. I hold it.",
            None,
        ),
    ),
    NECK_ABSOLUTE + NECK_RELATIVE,
    (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, RETINA),
)


def _still(key: str, posture: str, ear_down: Eye | None = None) -> Step:
    return hold(
        key,
        key.capitalize(),
        posture,
        f"{posture[0].upper()}{posture[1:]}. {REACHED}",
        "I help you to turn.",
        ear_down,
    )


_POSITIONS = positional_test(
    "static_positions",
    "Static positions",
    "Looks for nystagmus that stays in a position. Many healthy people have some.",
    (
        baseline("sitting, head straight", "Cover the goggles."),
        _still("supine", "lying on the back, head straight"),
        _still("head right", "lying on the back, head turned to the right, right ear down", "right"),
        _still("head left", "lying on the back, head turned to the left, left ear down", "left"),
        _still("body right", "lying on the right side, head in line, right ear down", "right"),
        _still("body left", "lying on the left side, head in line, left ear down", "left"),
        _still("head hanging", "lying, head straight, 30 degrees below the horizontal"),
        _still("head raised", "lying on the back, head raised 30 degrees"),
    ),
    NECK_ABSOLUTE + NECK_RELATIVE,
    (STIFF_NECK, UNSTABLE_NECK, NECK_ARTERY, RETINA, FLAT),
)

STATIC_POSITIONS = replace(_POSITIONS, analyse=partial(with_positions, _POSITIONS.analyse))

_ANGLES = positional_test(
    "null_point",
    "Null point",
    "Looks for the head angle at which a lasting nystagmus stops. Note each angle.",
    (
        baseline("lying on the back, head raised 30 degrees, nose up", "Cover the goggles."),
        *(
            hold(
                f"{angle} degrees {side}",
                f"{angle} degrees to the {side}",
                f"lying on the back, head raised 30 degrees and turned {angle} degrees to the {side}",
                f"Turn the head slowly to {angle} degrees to the patient's {side}. {REACHED}",
                f"I turn your head a little to the {side}.",
                None,
            )
            for side in ("right", "left")
            for angle in (10, 20, 30, 40)
        ),
    ),
    NECK_RELATIVE,
    (STIFF_NECK, RETINA, FLAT),
)

NULL_POINT = replace(_ANGLES, analyse=partial(with_null_angle, _ANGLES.analyse))

OTHER_POSITIONAL: tuple[Procedure, ...] = (
    HEAD_HANGING,
    STATIC_POSITIONS,
    LYING_DOWN,
    BOW_AND_LEAN,
    NULL_POINT,
)
