"""What is heard during a test: what to do and say now, a tone when a hold is over or a pupil is lost."""

from __future__ import annotations

from typing import Literal, Protocol

from capture.samples import EYES
from ui.visit.live_eyes import LiveEyes
from ui.visit.run import Run

AGAIN_S = 5.0  # between two tones for a pupil that stays lost
TOLD_S = 20.0  # that a trouble with the sound is told; the window's head goes on to say that there is none


class Sounds(Protocol):
    """Speaks and sounds; `ui.voice.Aloud`, or nothing at all."""

    on: bool

    @property
    def problem(self) -> str: ...  # noqa: D102
    def say(self, text: str) -> None: ...  # noqa: D102
    def tone(self, tone: Literal["end", "lost"]) -> None: ...  # noqa: D102
    def tick(self) -> None: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class Silence:
    """Neither speaks nor sounds."""

    on = False
    problem = ""

    def say(self, text: str) -> None:
        """Nothing."""

    def tone(self, tone: Literal["end", "lost"]) -> None:
        """Nothing."""

    def tick(self) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


class Cues:
    """Follows a run and lets what changes be heard."""

    def __init__(self, sounds: Sounds) -> None:
        self._sounds = sounds
        self._said = ""
        self._enough = False
        self._lost_s = -AGAIN_S
        self._trouble, self._trouble_s = "", 0.0

    def trouble(self, now_s: float) -> str:
        """What cannot be heard and why, for a while; empty when all can, or it was told for long enough."""
        if self._sounds.problem != self._trouble:
            self._trouble, self._trouble_s = self._sounds.problem, now_s
        return self._trouble if now_s - self._trouble_s < TOLD_S else ""

    def tick(self, run: Run | None, eyes: LiveEyes | None, now_s: float) -> None:
        """`run`: the test that goes on."""
        self._sounds.tick()
        shown = run.shown if run is not None else None
        words = f"{shown.number} {shown.phase} {shown.spoken}" if shown is not None else ""
        if words != self._said:
            self._said = words
            self._sounds.say(shown.spoken if shown is not None else "")
        enough = shown is not None and shown.enough
        if enough and not self._enough:
            self._sounds.tone("end")
        self._enough = enough
        if run is None or run.state != "running" or eyes is None:
            return
        lost = any(eye in eyes.eyes and eyes.trouble(eye, now_s) for eye in EYES)
        if lost and now_s - self._lost_s >= AGAIN_S:
            self._lost_s = now_s
            self._sounds.tone("lost")
