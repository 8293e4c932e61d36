"""How gaze holding is led: each gaze for 20 s, and back to the centre for 20 s after each."""

from __future__ import annotations

from dataclasses import replace

from analysis.procedure import Step
from capture.samples import Target

HORIZONTAL_DEG, VERTICAL_DEG = 25.0, 20.0  # 30 deg and more give end-point nystagmus in healthy people
HOLD_S = 20.0
GAZES: dict[str, tuple[float, float]] = {
    "right": (HORIZONTAL_DEG, 0.0),
    "left": (-HORIZONTAL_DEG, 0.0),
    "up": (0.0, VERTICAL_DEG),
    "down": (0.0, -VERTICAL_DEG),
}  # horizontal and vertical target, deg


def gaze_key(way: str) -> str:
    """Key of the step in which the patient looks that way."""
    return f"gaze {way}"


def centre_key(way: str) -> str:
    """Key of the step at the centre after that gaze."""
    return f"centre after {way}"


def _look(key: str, title: str, told: str, at: tuple[float, float], measured: str) -> Step:
    return Step(
        key=key,
        title=title,
        instruction=f"{told} Keep your head still.",
        light="fixation",
        posture="sitting, head straight and held",
        stimulus=f"one target at {at[0]:g} deg across, {at[1]:g} deg up",
        targets=(Target(0.0, HOLD_S, *at),),
        shortest_s=HOLD_S,
        longest_s=30.0,
        measured=measured,
        action="Show the target. Watch that the head does not turn.",
    )


GAZE_STEPS: tuple[Step, ...] = (
    _look("centre", "Straight ahead", "Look straight ahead at the mark.", (0.0, 0.0), "drift at the centre"),
    *(
        step
        for way, at in GAZES.items()
        for step in (
            _look(
                gaze_key(way), f"Gaze {way}", f"Look {way} at the mark and hold it.", at,
                "drift toward the centre, direction",
            ),
            _look(
                centre_key(way), "Back to the centre", "Look straight ahead at the mark.", (0.0, 0.0),
                "rebound: drift against that of the centre before",
            ),
        )
    ),
)  # fmt: skip


def _dark(step: Step) -> Step:
    """The same without fixation: the patient looks to where the mark was."""
    told = step.instruction.replace("at the mark", "to where the mark was")
    return replace(
        step,
        instruction=told,
        light="dark",
        stimulus=f"none: goggles covered; {step.stimulus} before they were",
        action="Cover the goggles. Watch that the head does not turn.",
        confirm="Nothing is seen." if step.key == "centre" else "",
    )


GAZE_DARK_STEPS: tuple[Step, ...] = tuple(map(_dark, GAZE_STEPS))
