"""A test guided step by step: what to do and say now, what is waited for, how long it has lasted.

    preparation -> step: moving -> confirming -> holding -> next step ... -> done
                         (where the step moves the patient, or the patient says something first)

Nothing ends a step but a key: the technician's hands are on the patient, and a countdown that went on to the
next position by itself would say so to a room that is not there yet. "Enough" is said, by word and tone, when
a step has lasted long enough; where the step waits for nystagmus, not before this has stopped. Until then the
main key does nothing, so that a foot on the switch twice does not cut a position short; another key ends the
step all the same.

An engine for any `Procedure`: nothing here knows a test by name.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from analysis.procedure import Procedure, Step
from recordings.event import Event, EventKind

# After nystagmus was seen last: only an eye that stays quiet shows when it ended. The analysis wants 3 s
# without a beat and slow beats come seconds apart (design choice).
QUIET_S = 5.0

Phase = Literal["preparation", "moving", "confirming", "holding", "done"]


@dataclass(frozen=True, slots=True)
class Shown:
    """What a window shows of a test at one moment."""

    phase: Phase
    step: Step | None  # None before the first and after the last
    number: int  # of the step, from 1
    of: int
    action: str  # what the technician does now
    say: str  # what the patient is told now
    state: str  # in the largest letters
    main: str  # what the main key does now; empty: nothing
    held_s: float | None = None  # since the position was reached, the patient confirmed, or the step began
    enough: bool = False  # the step has lasted long enough

    @property
    def spoken(self) -> str:
        """What is said aloud when it changes: to the technician, then to the patient."""
        return " ".join(text for text in (self.action, self.say) if text)


class GuidedTest:
    """One try of one procedure. Times are on the host's clock; `emit` gets the events as they are known.

    A step's event is emitted when the step ends, with its start; that it began is emitted as a note, so that
    a recording that breaks off in the middle tells it too.
    """

    def __init__(self, procedure: Procedure, emit: Callable[[Event], None]) -> None:
        self.procedure = procedure
        self.phase: Phase = "preparation"
        self.stopped_in = ""  # title of the step in which the test was stopped early
        self._emit = emit
        self._at = 0  # index of the step
        self._start_s = self._since_s = 0.0
        self._seen = self._running = False  # nystagmus in this position; now
        self._ran_s = -math.inf  # when it was seen last

    @property
    def step(self) -> Step | None:
        """The step that goes on."""
        return None if self.phase in ("preparation", "done") else self.procedure.steps[self._at]

    def begin(self, now_s: float) -> None:
        """Start the first step; the recording runs already."""
        if self.phase == "preparation":
            self._enter(0, now_s)

    def press(self, now_s: float) -> None:
        """The main key: reached, confirmed, or on to the next step once this one has lasted long enough."""
        if self.phase == "moving":
            self._say("reached", now_s)
            self._go_on(now_s, moved=True)
        elif self.phase == "confirming":
            self._say("confirmed", now_s)
            self._go_on(now_s, moved=True, confirmed=True)
        elif self.phase == "holding" and self._enough(now_s):
            self.end_step(now_s)

    def end_step(self, now_s: float) -> None:
        """End the step whatever is missing, and go on to the next."""
        if self.step is None:
            return
        self._close_step(now_s)
        if self._at + 1 < len(self.procedure.steps):
            self._enter(self._at + 1, now_s)
        else:
            self.phase = "done"

    def redo_step(self, now_s: float) -> None:
        """Do the step again from its beginning; the earlier try stays in the recording."""
        if self.step is not None:
            self._close_step(now_s)
            self._enter(self._at, now_s)

    def back(self, now_s: float) -> None:
        """Do the step before this one again; what there was of both stays in the recording."""
        if self.step is not None:
            self._close_step(now_s)
            self._enter(max(self._at - 1, 0), now_s)

    def stop(self, now_s: float) -> None:
        """End the test now. Everything so far is kept."""
        if (step := self.step) is not None:
            self.stopped_in = step.title
            self._close_step(now_s)
        self.phase = "done"

    def note(self, text: str, now_s: float) -> None:
        """A marker that the technician typed."""
        self._emit(Event(now_s, now_s, "note", text))

    def tick(self, now_s: float, running: bool) -> Shown:
        """What to show. `running`: nystagmus is seen now."""
        self._running = running
        if running:
            self._ran_s = now_s
        self._seen = self._seen or (running and self.phase == "holding")
        step = self.step
        if step is None:
            return self._without_step()
        number, of = self._at + 1, len(self.procedure.steps)
        if self.phase == "moving":
            reached = "Position reached"
            return Shown("moving", step, number, of, step.action, step.instruction, "MOVE NOW", reached)
        if self.phase == "confirming":
            state = f"PATIENT SAYS: {step.confirm}"
            return Shown(
                "confirming", step, number, of, step.action, step.instruction, state, "Patient said so"
            )
        held_s, enough = now_s - self._since_s, self._enough(now_s)
        return Shown(
            phase="holding",
            step=step,
            number=number,
            of=of,
            action="" if step.moves else step.action,
            say=still_to_say(step) if step.moves else step.instruction,
            state=self._hold_state(step, held_s, enough),
            main=self._next_name() if enough else "",
            held_s=held_s,
            enough=enough,
        )

    def _without_step(self) -> Shown:
        of = len(self.procedure.steps)
        if self.phase == "preparation":
            return Shown("preparation", None, 0, of, "", "", "READY", "Begin")
        state = f"STOPPED IN: {self.stopped_in}" if self.stopped_in else "TEST DONE"
        return Shown("done", None, of, of, "", "", state, "")

    def _hold_state(self, step: Step, held_s: float, enough: bool) -> str:
        if enough:
            return "ENOUGH"
        if step.waits_for_nystagmus and held_s >= self._needed_s(step):
            return "HOLD: NYSTAGMUS GOES ON" if self._running else "HOLD: IS IT OVER?"
        return f"HOLD: {max(self._needed_s(step) - held_s, 0.0):.0f} s MORE"

    def _needed_s(self, step: Step) -> float:
        """Where nothing is seen a position that waits for nystagmus is held for longest."""
        return step.longest_s if step.waits_for_nystagmus and not self._seen else step.shortest_s

    def _enough(self, now_s: float) -> bool:
        step = self.step
        if step is None or (step.waits_for_nystagmus and now_s - self._ran_s < QUIET_S):
            return False
        return now_s - self._since_s >= self._needed_s(step)

    def _next_name(self) -> str:
        last = self._at + 1 == len(self.procedure.steps)
        return "End of the test" if last else f"On: {self.procedure.steps[self._at + 1].title}"

    def _enter(self, at: int, now_s: float) -> None:
        self._at, self._start_s = at, now_s
        self._emit(Event(now_s, now_s, "note", f"step begins: {self.procedure.steps[at].key}"))
        self._go_on(now_s)

    def _go_on(self, now_s: float, *, moved: bool = False, confirmed: bool = False) -> None:
        step = self.procedure.steps[self._at]
        if step.moves and not moved:
            self.phase = "moving"
        elif step.confirm and not confirmed:
            self.phase = "confirming"
        else:
            self.phase, self._seen = "holding", False
        self._since_s = now_s

    def _close_step(self, now_s: float) -> None:
        self._emit(Event(self._start_s, now_s, "step", self.procedure.steps[self._at].key))

    def _say(self, kind: EventKind, now_s: float) -> None:
        self._emit(Event(now_s, now_s, kind, self.procedure.steps[self._at].key))


def still_to_say(step: Step) -> str:
    """What the patient is told once the position is reached: "I turn your head ..." is done by then."""
    sentences = step.instruction.replace(". ", ".\n").splitlines()
    return " ".join(one for one in sentences if not one.startswith("I "))
