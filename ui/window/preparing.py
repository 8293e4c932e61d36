"""Before a test: what is asked, who may not be tested, what to prepare, when to stop."""

from __future__ import annotations

from pyqtgraph.Qt import QtCore, QtWidgets

from analysis.battery import procedure_named
from analysis.procedure import Procedure
from ui.visit.questions import Asked, asked
from ui.visit.visit import Visit
from ui.window.page import Action, text


class Preparing(QtWidgets.QWidget):
    """One question at a time; then the preparation, beside the stop signs."""

    def __init__(self, visit: Visit) -> None:
        super().__init__()
        self._visit = visit
        self.procedure: Procedure | None = None
        self._title, self._head, self._body = text("", "title"), text("", "state"), text("", "instruction")
        self._more, self._stop_signs = text(""), text("", "attention")
        self._decision = QtWidgets.QLineEdit()
        self._decision.setPlaceholderText(
            "Doctor's code, and why: such as  DR-12 neck examined, no risk seen"
        )
        self._decision.setMaxLength(160)
        layout = QtWidgets.QVBoxLayout(self)
        for widget in (self._title, self._head, self._body, self._decision, self._more):
            layout.addWidget(widget)
        layout.addStretch(1)
        layout.addWidget(self._stop_signs)
        self._decision.clearFocus()
        self._decision.hide()

    def prepare(self, procedure: Procedure) -> None:
        """Show this test from its first open question on."""
        self.procedure = procedure
        self._decision.clearFocus()
        self._decision.hide()

    @property
    def stands(self) -> Asked:
        """How things stand with its questions."""
        assert self.procedure is not None
        return asked(self.procedure, self._visit.answers, self._visit.decisions, procedure_named)

    def question_actions(self) -> tuple[Action, ...]:
        """What keys do while a question is open or speaks against the test; none when it may begin."""
        stands = self.stands
        if stands.next is not None:
            return (
                Action("No", "N", lambda: self._answer(False)),
                Action("Yes", "Y", lambda: self._answer(True)),
            )
        if stands.may_start:
            return ()
        if self._decision.isVisible():
            return (Action("Store the doctor's decision", "Return", self._decide),)
        others = tuple(
            Action(f"Instead: {procedure_named(key).title}", str(n), lambda key=key: self._instead(key))
            for n, key in enumerate(stands.instead, 1)
        )
        return (
            *others,
            Action("A doctor decides", "D", self._ask_doctor),
            Action("Answer again", "A", self._again),
        )

    def tick(self) -> None:
        """Follow the answers."""
        if self.procedure is None:
            return
        stands = self.stands
        self._title.setText(self.procedure.title)
        self._stop_signs.setText("Stop if: " + " ".join(self.procedure.stop_signs))
        if stands.next is not None:
            self._set("ASK THE PATIENT", stands.next.text, f"Source of the question: {stands.next.source}")
        elif stands.against:
            reasons = "\n".join(f"Yes: {question.text}" for question in stands.against)
            self._set(
                "NOT AS IT STANDS", reasons, "Choose another test, or a doctor decides and gives a code."
            )
        else:
            never = "\n".join(f"Not with: {text}" for text in self.procedure.contraindications)
            self._set("PREPARE", "\n".join(self.procedure.preparation), never)

    def _set(self, head: str, body: str, more: str) -> None:
        self._head.setText(head)
        self._body.setText(body)
        self._more.setText(more)

    def _answer(self, yes: bool) -> None:
        question = self.stands.next
        if question is not None:
            self._visit.answers[question.key] = yes

    def _again(self) -> None:
        for question in self.stands.against:
            self._visit.answers.pop(question.key, None)

    def _instead(self, key: str) -> None:
        self.prepare(procedure_named(key))

    def _ask_doctor(self) -> None:
        self._decision.clear()
        self._decision.show()
        self._decision.setFocus(QtCore.Qt.FocusReason.OtherFocusReason)

    def _decide(self) -> None:
        words = self._decision.text().strip()
        self._decision.clearFocus()
        self._decision.hide()
        if words and words.isprintable():
            for question in self.stands.against:
                self._visit.decisions[question.key] = words
