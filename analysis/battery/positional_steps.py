"""How the positional tests are led: every step, what the technician does and what the patient hears.

Angles and times: head turned 45 deg, neck 20 deg below the horizontal (guideline on benign paroxysmal
positional vertigo of the American Academy of Otolaryngology, 2017, key statements); hold of 30 s at least
(RCEM Learning, web page) and 60 s where nothing is seen (common practice, no source); supine roll with the
head raised 30 deg (from memory). Baseline of 20 s and 30 s after sitting up: common practice, no source.
"""

from __future__ import annotations

from analysis.procedure import Step
from capture.samples import Eye

BASELINE_S = 20.0
HOLD_S = (30.0, 60.0)  # to the end of nystagmus, at least; where nothing is seen
UP_S = 30.0
OPPOSITE: dict[Eye, Eye] = {"right": "left", "left": "right"}
NONE = "none: goggles covered, no visible light"
POSITIONAL = "latency, duration, peak and course of slow-phase velocity on three axes"
OPEN = "Keep your eyes wide open. Tell me when the spinning starts and when it stops."


def baseline(posture: str, action: str) -> Step:
    """Twenty seconds of rest in the dark before anybody is moved."""
    return Step(
        key="baseline",
        title="Baseline",
        instruction="Keep your eyes wide open and look straight ahead. Can you see anything?",
        light="dark",
        posture=posture,
        stimulus=NONE,
        targets=(),
        shortest_s=BASELINE_S,
        longest_s=BASELINE_S,
        measured="nystagmus before the movement",
        action=action,
        confirm="Nothing is seen.",
    )


def hold(key: str, title: str, posture: str, action: str, instruction: str, ear_down: Eye | None) -> Step:
    """A movement into a position, which is held as long as nystagmus runs."""
    return Step(
        key=key,
        title=title,
        instruction=f"{instruction} {OPEN}",
        light="dark",
        posture=posture,
        stimulus=NONE,
        targets=(),
        shortest_s=HOLD_S[0],
        longest_s=HOLD_S[1],
        measured=POSITIONAL,
        action=action,
        moves=True,
        waits_for_nystagmus=True,
        ear_down=ear_down,
    )


def sitting_up(action: str) -> Step:
    """Thirty seconds after sitting up, in which nystagmus may come again, often reversed and weaker."""
    return Step(
        key="sitting up",
        title="Sitting up",
        instruction="I help you to sit up. Keep your eyes wide open and hold on to me.",
        light="dark",
        posture="sitting, head kept as it was turned",
        stimulus=NONE,
        targets=(),
        shortest_s=UP_S,
        longest_s=UP_S,
        measured="nystagmus after sitting up, and whether it is reversed",
        action=action,
        moves=True,
    )


def dix_hallpike_steps(side: Eye) -> tuple[Step, ...]:
    """Dix-Hallpike test of one side."""
    return (
        baseline(
            "sitting on the couch, legs along it, head straight",
            "Patient far enough up the couch that the head will lie over its end. Cover the goggles.",
        ),
        hold(
            f"{side} ear down",
            f"Dix-Hallpike, {side} ear down",
            f"lying, head turned 45 degrees to the {side}, neck 20 degrees below the horizontal",
            f"Turn the head 45 degrees to the patient's {side}. Support head and neck. Lay the patient down "
            "within 2 to 3 seconds, neck 20 degrees back. Press the key when the position is reached.",
            f"I turn your head to the {side} and lay you down quickly. I hold your head.",
            side,
        ),
        sitting_up(f"Sit the patient up, head kept turned to the {side}. Press the key when up. Hold on."),
    )


def side_lying_steps(side: Eye) -> tuple[Step, ...]:
    """Side-lying test of one side: no neck extension."""
    away = OPPOSITE[side]
    return (
        baseline("sitting sideways in the middle of the couch, head straight", "Cover the goggles."),
        hold(
            f"lying on the {side} side",
            f"Side-lying, {side} ear down",
            f"lying on the {side} side, head turned 45 degrees to the {away}, nose up",
            f"Turn the head 45 degrees to the patient's {away}, away from the tested ear. Lay the patient on "
            f"the {side} side within 2 to 3 seconds. Press the key when the position is reached.",
            f"I turn your head to the {away} and lay you on your {side} side. I hold your head.",
            side,
        ),
        sitting_up(f"Sit the patient up, head kept turned to the {away}. Press the key when up. Hold on."),
    )


def roll_steps(whole_body: bool) -> tuple[Step, ...]:
    """Supine roll to the right, back, to the left, back, up. The head or the whole body turns."""
    return (
        baseline("lying on the back, head raised 30 degrees, nose up", "Cover the goggles."),
        _roll("right", whole_body),
        _centre("centre after right"),
        _roll("left", whole_body),
        _centre("centre after left"),
        sitting_up("Sit the patient up. Press the key when up. Hold on."),
    )


def _roll(side: Eye, whole_body: bool) -> Step:
    what = "the whole body, head and neck in line with it," if whole_body else "the head"
    speed = "as fast as is tolerated" if whole_body else "within a second, as far as is tolerated"
    return hold(
        f"roll to the {side}",
        f"Roll to the {side}",
        f"lying, {'on the ' + side + ' side' if whole_body else 'head turned 90 degrees to the ' + side}, "
        f"{side} ear down",
        f"Turn {what} 90 degrees to the patient's {side}, {speed}. Press the key when the position is "
        "reached.",
        f"I roll you onto your {side} side." if whole_body else f"I turn your head to the {side}.",
        side,
    )


def _centre(key: str) -> Step:
    return hold(
        key,
        "Back to the centre",
        "lying on the back, head raised 30 degrees, nose up",
        "Turn back to the centre. Press the key when there. Wait until the eyes are quiet.",
        "I turn you back.",
        None,
    )
