"""A test of the battery, guided step by step: chosen, prepared, done, judged."""

from __future__ import annotations

from pyqtgraph.Qt import QtCore, QtWidgets

from analysis.procedure import Procedure
from ui.visit.run import Run
from ui.visit.visit import Visit
from ui.window.choosing import Choosing
from ui.window.leading import Leading
from ui.window.page import Action, Page
from ui.window.preparing import Preparing


class BatteryPage(Page):
    """choosing -> preparing -> leading -> choosing, where what came of it is shown."""

    key, title = "test", "Tests"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
        self._choosing, self._preparing = Choosing(visit), Preparing(visit)
        self._leading = Leading(visit)
        self._marker, self._marker_s = QtWidgets.QLineEdit(), 0.0
        self._marker.setMaxLength(160)
        self._marker.setPlaceholderText("Marker: what happens now")
        self._stack = QtWidgets.QStackedWidget()
        for widget in (self._choosing, self._preparing, self._leading):
            self._stack.addWidget(widget)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._stack, 1)
        layout.addWidget(self._marker)
        self._marker.clearFocus()
        self._marker.hide()

    def key_actions(self) -> tuple[Action, ...]:
        """What keys do now, by what is shown."""
        if self.visit.run is not None:
            return self._leading_actions(self.visit.run)
        if self._stack.currentWidget() is self._preparing:
            return (*self._preparing_actions(), Action("Back", "Esc", self._back))
        return self._choosing_actions()

    def busy(self) -> str:
        """A test that goes on keeps its page."""
        return "A test is going on: Esc stops it." if self.visit.run is not None else ""

    def tick(self, now_s: float) -> None:
        """Draw what is going on."""
        run = self.visit.run
        self.title = BatteryPage.title if run is None else run.procedure.title
        if run is not None:
            self._stack.setCurrentWidget(self._leading)
            self._leading.show_run(run, now_s)
        elif self._stack.currentWidget() is self._leading:
            self._back()
            if self.visit.runs:  # another patient may have come meanwhile
                self._after(self.visit.runs[-1])
        self._preparing.tick()
        self._choosing.tick()

    def _after(self, run: Run) -> None:
        self._marker.clearFocus()
        self._marker.hide()
        self._stack.setCurrentWidget(self._choosing)
        self._choosing.choose(run.procedure.key)
        if not run.test.stopped_in and run.state != "failed":
            self._choosing.after(run.procedure)

    def _choosing_actions(self) -> tuple[Action, ...]:
        chosen = self._choosing.chosen
        actions = [
            Action(f"Prepare: {chosen.title}", "Space", lambda: self._prepare(chosen)),
            Action("Next", "Down", lambda: self._choosing.go(1)),
            Action("Previous", "Up", lambda: self._choosing.go(-1)),
        ]
        if self.visit.runs:
            last = self.visit.runs[-1].procedure
            actions.append(Action(f"Repeat: {last.title}", "R", lambda: self._begin(last)))
            actions.append(Action("More results", "PgDown", self._choosing.outcome.scroll_on))
        return tuple(actions)

    def _preparing_actions(self) -> tuple[Action, ...]:
        procedure = self._preparing.procedure
        if procedure is None:
            return ()
        asking = self._preparing.question_actions()
        return asking or (Action(f"Begin: {procedure.title}", "Space", lambda: self._begin(procedure)),)

    def _leading_actions(self, run: Run) -> tuple[Action, ...]:
        clock, test = self.visit.clock, run.test
        if not self._marker.isHidden():
            return (Action("Store the marker", "Return", self._store_marker), self._stop_action(run))
        main = (Action(run.shown.main, "Space", lambda: run.press(clock.now_s())),) if run.shown.main else ()
        return (
            *main,
            self._stop_action(run),
            Action("End the step now", "N", lambda: test.end_step(clock.now_s())),
            Action("Step again", "R", lambda: test.redo_step(clock.now_s())),
            Action("Previous step", "B", lambda: test.back(clock.now_s())),
            Action("Marker", "M", self._ask_marker),
            Action("Longer curves", "T", self._leading.traces.longer),
        )

    def _stop_action(self, run: Run) -> Action:
        return Action("STOP", "Esc", lambda: run.stop(self.visit.clock.now_s()))

    def _back(self) -> None:
        self._stack.setCurrentWidget(self._choosing)

    def _prepare(self, procedure: Procedure) -> None:
        self._preparing.prepare(procedure)
        self._stack.setCurrentWidget(self._preparing)

    def _begin(self, procedure: Procedure) -> None:
        if self.visit.recorder is None:
            self.visit.tell("run", "No cameras yet: the test cannot begin.")
            return
        if not self.visit.patient.patient_code:
            self.visit.tell("run", "No patient yet: state a code on the page Start.")
            return
        self.visit.tell("run", "")
        self.visit.begin(procedure)

    def _ask_marker(self) -> None:
        self._marker_s = self.visit.clock.now_s()
        self._marker.clear()
        self._marker.show()
        self._marker.setFocus(QtCore.Qt.FocusReason.OtherFocusReason)

    def _store_marker(self) -> None:
        words = self._marker.text().strip()
        self._marker.clearFocus()
        self._marker.hide()
        if words and words.isprintable() and self.visit.run is not None:
            self.visit.run.test.note(words, self._marker_s)
