"""What is shown while a test goes on: the eyes beside the words, the curves below."""

from __future__ import annotations

from pyqtgraph.Qt import QtWidgets

from capture.samples import AXES, EYES, Eye
from ui.visit.live_eyes import LiveEye, LiveEyes
from ui.visit.rates import rate_words
from ui.visit.run import Run
from ui.visit.visit import Visit
from ui.window.eye_view import EyePicture
from ui.window.page import restyle, text
from ui.window.traces import Traces

LINES_BELOW = len(AXES) + 2  # under an eye: its beats on every axis, of torsion two lines; its pictures


class Leading(QtWidgets.QWidget):
    """Draws a run at every tick."""

    def __init__(self, visit: Visit) -> None:
        super().__init__()
        self._visit = visit
        self._pictures: dict[Eye, EyePicture] = {eye: EyePicture(eye, LINES_BELOW) for eye in EYES}
        self._step, self._action, self._say = text("", "title"), text("", "instruction"), text("", "say")
        self._state, self._held = text("", "state"), text("", "state")
        self._held.setWordWrap(False)
        self._stop_signs = text("", "small")
        self.traces = Traces()
        words = QtWidgets.QVBoxLayout()
        words.setSpacing(2)  # the longest words fit 768 px with a strip above them
        for widget in (self._step, self._action, self._say):
            words.addWidget(widget)
        words.addStretch(1)
        state = QtWidgets.QHBoxLayout()
        state.addWidget(self._state, 1)
        state.addWidget(self._held)
        words.addLayout(state)
        top = QtWidgets.QHBoxLayout()
        top.addWidget(self._pictures["right"], 5)
        top.addLayout(words, 9)
        top.addWidget(self._pictures["left"], 5)
        outer = QtWidgets.QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addLayout(top, 3)
        outer.addWidget(self.traces, 2)
        outer.addWidget(self._stop_signs)

    def show_run(self, run: Run, now_s: float) -> None:
        """Everything that changes from tick to tick."""
        shown = run.shown
        self._step.setText(
            f"{shown.number} of {shown.of}: {shown.step.title}" if shown.step else run.procedure.title
        )
        self._action.setText(shown.action)
        self._action.setVisible(bool(shown.action))
        self._say.setText(f"Say: “{shown.say}”" if shown.say else "")
        self._state.setText(shown.state)
        restyle(self._state, "state good" if shown.enough else "state")
        self._held.setText("" if shown.held_s is None else f"{shown.held_s:.0f} s")
        self._stop_signs.setText("Stop if: " + " ".join(run.procedure.stop_signs))
        if self._visit.eyes is not None:
            self._show_eyes(self._visit.eyes, now_s)

    def _show_eyes(self, eyes: LiveEyes, now_s: float) -> None:
        for eye, picture in self._pictures.items():
            picture.follow(self._visit.plan.profile)
            live = eyes.eyes[eye]
            below = "\n".join(part for part in (beats_in_words(live), self._rate(eye)) if part)
            picture.show_eye(live.picture, live.kept.rows, eyes.trouble(eye, now_s), below)
        self.traces.show_eyes(eyes.eyes, now_s)

    def _rate(self, eye: Eye) -> str:
        """Such as "250 pictures/s, 0 lost"."""
        status = self._visit.status
        camera = next((c for c in status.cameras if eye in c.eyes), None) if status is not None else None
        return "" if camera is None else rate_words(camera)


def beats_in_words(live: LiveEye) -> str:
    """What an eye does now, a line for each axis on which it beats."""
    if not live.nystagmus.running:
        return ""
    if not live.proven:
        return "nystagmus (direction not proven)"
    return "\n".join(live.nystagmus.words())
