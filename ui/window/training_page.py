"""Practice on an invented patient: every screen says so, and nothing of it is stored as a patient's."""

from __future__ import annotations

from dataclasses import replace

from pyqtgraph.Qt import QtWidgets

from capture.open_source import SIMULATED
from capture.simulation.patterns import PATTERNS
from recordings.commands import GogglesPlan
from ui.live_sources import choose_sources
from ui.visit.visit import Visit
from ui.window.page import Action, Page, restyle, text

ROWS = 7  # patterns that are seen at once
LIMITS = (
    "Press “Position reached” as if you had moved the patient: the invented eyes answer to the position, to "
    "light and dark, and look at the crosses that are asked for."
)


class TrainingPage(Page):
    """What the invented patient shows, to be chosen; and the way back to the goggles."""

    key, title = "training", "Training"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
        self._at = 0
        self._goggles: GogglesPlan | None = None if visit.training else visit.plan
        self._state, self._words = text("", "state"), text("", "instruction")
        self._rows = [text("", "choice") for _ in range(ROWS)]
        layout = QtWidgets.QVBoxLayout(self)
        self._more = text("", "small")
        for widget in (self._state, self._words, *self._rows, self._more):
            layout.addWidget(widget)
        layout.addStretch(1)
        layout.addWidget(text(LIMITS, "small"))

    def key_actions(self) -> tuple[Action, ...]:
        """Begin, choose, and back to the goggles while there are any."""
        chosen = list(PATTERNS)[self._at]
        goggles = self._goggles
        back = (
            (Action("Back to the goggles", "G", lambda: self.visit.use(goggles)),)
            if goggles is not None and self.visit.training
            else ()
        )
        return (
            Action(f"Practise: {chosen}", "Space", lambda: self._practise(chosen)),
            Action("Next", "Down", lambda: self._go(1)),
            Action("Previous", "Up", lambda: self._go(-1)),
            *back,
        )

    def tick(self, now_s: float) -> None:
        """Follow what was chosen."""
        training = self.visit.training
        self._state.setText("TRAINING GOES ON" if training else "PRACTISE ON AN INVENTED PATIENT")
        self._words.setText(
            f"Invented patient: {training}."
            if training
            else "What was asked and measured so far is put away."
        )
        names = list(PATTERNS)
        first = min(max(self._at - ROWS // 2, 0), len(names) - ROWS)
        for at, row in enumerate(self._rows, first):
            row.setText(f"{'▶' if at == self._at else '   '}  {names[at]}")
            restyle(row, "chosen" if at == self._at else "choice")
        self._more.setText(f"{self._at + 1} of {len(names)}")

    def _go(self, by: int) -> None:
        self._at = (self._at + by) % len(PATTERNS)

    def _practise(self, pattern: str) -> None:
        if not self.visit.training:
            self._goggles = self.visit.plan
        profile, sources = choose_sources(
            None, f"{SIMULATED}right:{pattern}", f"{SIMULATED}left:{pattern}", None
        )
        plan = replace(self.visit.plan, profile=profile, sources=sources)
        self.visit.use(plan, training=pattern)
