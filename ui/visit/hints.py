"""What to change at the goggles, kept up to date: a look at one eye at a time, far from thirty a second."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from capture.picture_checks import picture_hints
from capture.samples import Eye
from ui.visit.live_eyes import LiveEye, LiveEyes

if TYPE_CHECKING:
    from ui.visit.visit import Visit

LOOK_S = 0.5  # between two looks at an eye
LAST_S = 1.0  # of samples that a hint rests on


class Hints:
    """Words for each eye; a slip of the goggles stays in the strip until the next calibration."""

    def __init__(self) -> None:
        self.words: dict[Eye, tuple[str, ...]] = {}
        self._looked_s: dict[Eye, float] = {}

    def tick(self, visit: Visit, now_s: float) -> None:
        """Look at the eye that was not looked at for longest, when it is time."""
        if visit.eyes is None:
            self.words = {}
            return
        for eye, live in visit.eyes.eyes.items():
            visit.tell(f"slip {eye}", slip_words(live))
        waiting = min(visit.eyes.eyes, key=lambda eye: self._looked_s.get(eye, -math.inf))
        if now_s - self._looked_s.get(waiting, -math.inf) >= LOOK_S:
            self._looked_s[waiting] = now_s
            self._look(visit, visit.eyes, visit.eyes.eyes[waiting], now_s)

    def _look(self, visit: Visit, eyes: LiveEyes, live: LiveEye, now_s: float) -> None:
        if eyes.trouble(live.eye, now_s) == "no picture" or live.picture is None:
            self.words[live.eye] = ("No picture: check the cable of this camera.",)
            return
        view = visit.plan.profile.view(live.eye)
        rows = live.since(live.newest_s - LAST_S)
        self.words[live.eye] = picture_hints(live.picture.image, rows, view)


def slip_words(live: LiveEye) -> str:
    """What is told of goggles that moved since the calibration; empty where they did not."""
    if not live.calibration.calibrated:
        return ""
    if live.moving:
        return f"The goggles are moving in front of the {live.eye} eye: hold them still."
    if live.slip is None:
        return ""
    moved = f"The goggles moved by what looks like {live.slip.size_deg:.1f} deg of gaze of the {live.eye} eye"
    return f"{moved}: tighten them; calibrate again after this test."
