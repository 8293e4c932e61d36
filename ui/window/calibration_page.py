"""The patient looks at crosses: one key a cross, the grade at once."""

from __future__ import annotations

import math
from dataclasses import replace

from pyqtgraph.Qt import QtWidgets

from capture.samples import EYES, Eye
from ui.crosses.places import ANGLES_DEG, name_of
from ui.visit.calibrating import Calibrating, Plan
from ui.visit.visit import Visit
from ui.window.eye_view import EyePicture
from ui.window.page import Action, Page, restyle, text

GRADES = {
    "good": "CALIBRATED: GOOD",
    "usable": "CALIBRATED: USABLE WITH CAUTION",
    "refused": "REFUSED",
    "default": "NOT CALIBRATED",
}
AGAIN = (
    "Calibrate again after the goggles were touched, from sitting to lying, and before irrigation. Crosses "
    "true to size are printed by: driftbeat crosses --distance-m 1.2 FILE.pdf"
)


class CalibrationPage(Page):
    """Preparing, then cross by cross between the two eyes, then the result with each cross."""

    key, title = "calibration", "Calibration"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
        self._plan = Plan()
        self.doing: Calibrating | None = None  # None: how it is to be done is being chosen
        self._code = ""  # of the patient whose calibration is shown
        self._chosen = 0
        self._proposed = False  # nystagmus was proposed once; the technician may say no
        self._state, self._words, self._more = text("", "state"), text("", "instruction"), text("")
        self._rows: list[QtWidgets.QLabel] = [text("", "choice") for _ in range(10)]
        self._pictures: dict[Eye, EyePicture] = {eye: EyePicture(eye) for eye in EYES}
        words = QtWidgets.QVBoxLayout()
        for widget in (self._state, self._words, self._more, *self._rows):
            words.addWidget(widget)
        words.addStretch(1)
        across = QtWidgets.QHBoxLayout()
        across.addWidget(self._pictures["right"], 3)
        across.addLayout(words, 6)
        across.addWidget(self._pictures["left"], 3)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(across, 1)
        layout.addWidget(text(AGAIN, "small"))

    def key_actions(self) -> tuple[Action, ...]:
        """By what is going on."""
        doing = self.doing
        if doing is None:
            return self._preparing_actions()
        if doing.phase == "done":
            return self._done_actions(doing)
        clock = self.visit.clock
        main = Action("Patient looks at it", "Space", lambda: doing.press(clock.now_s()))
        before = max((n for n in range(doing.at) if doing.seen(n)), default=None)
        return (
            *((main,) if doing.phase == "looking" else ()),
            Action("Stop", "Esc", self._stop),
            Action("Leave this cross out", "N", doing.leave_out),
            *(() if before is None else (Action("Previous cross again", "B", lambda: doing.redo(before)),)),
        )

    def enter(self) -> None:
        """Pictures of the goggles that are in use now."""
        for picture in self._pictures.values():
            picture.follow(self.visit.plan.profile)
        if self._code != self.visit.patient.patient_code:
            self.doing, self._proposed = None, False
            self._code = self.visit.patient.patient_code

    def leave(self) -> None:
        """What is being said is no longer of use."""
        self.visit.sounds.say("")

    def busy(self) -> str:
        """Between the first cross and the grade the page stays."""
        going_on = self.doing is not None and self.doing.phase != "done"
        return "A calibration is going on: Esc stops it." if going_on else ""

    def tick(self, now_s: float) -> None:
        """Follow the eyes, the clock and the fit."""
        self._show_eyes(now_s)
        if self.doing is None:
            self._show_preparing()
            return
        self.doing.tick(now_s)
        self._show(self.doing, now_s)

    def _preparing_actions(self) -> tuple[Action, ...]:
        plan = self._plan
        other_deg = ANGLES_DEG[1 - ANGLES_DEG.index(plan.angle_deg)]
        surface = "wall" if plan.surface == "ceiling" else "ceiling"
        count = "Five crosses" if plan.nine else "Nine crosses"
        return (
            Action("Begin", "Space", self._begin),
            Action("No nystagmus" if plan.nystagmus else "Nystagmus: longer", "L", self._toggle_nystagmus),
            Action(f"Crosses on the {surface}", "C", lambda: self._change(surface=surface)),
            Action(count, "K", lambda: self._change(nine=not plan.nine)),
            Action(f"Crosses at {other_deg:g} deg", "A", lambda: self._change(angle_deg=other_deg)),
        )

    def _done_actions(self, doing: Calibrating) -> tuple[Action, ...]:
        refused = [eye for eye, one in doing.result.items() if not one.calibrated]
        chosen = name_of(*doing.plan.looks[self._chosen])
        again = Action("All again", "G", self._begin)
        on = Action("Go on", "Space", self._go_on)
        if len(refused) == len(doing.result):
            again, on = again._replace(key="Space"), Action("Go on uncalibrated", "U", self._go_on)
        return (
            *((again, on) if again.key == "Space" else (on, again)),
            Action(f"Again: {chosen}", "R", lambda: doing.redo(self._chosen)),
            Action("Next cross", "Down", lambda: self._choose(1)),
            Action("Previous cross", "Up", lambda: self._choose(-1)),
            Action("Change how", "Esc", self._stop),
        )

    def _begin(self) -> None:
        if self.visit.eyes is None:
            self.visit.tell("calibration", "No cameras yet: the calibration cannot begin.")
            return
        self.visit.tell("calibration", "")
        self._chosen = 0
        self.doing = Calibrating(self.visit, self._plan)

    def _stop(self) -> None:
        self.doing, self.visit.looks_at_deg = None, (0.0, 0.0)
        self.visit.sounds.say("")

    def _go_on(self) -> None:
        self.go("test")

    def _change(self, **what: object) -> None:
        self._plan = replace(self._plan, **what)  # type: ignore[arg-type]

    def _toggle_nystagmus(self) -> None:
        self._proposed = True
        self._change(nystagmus=not self._plan.nystagmus)

    def _choose(self, by: int) -> None:
        assert self.doing is not None
        self._chosen = (self._chosen + by) % len(self.doing.plan.looks)

    def _show_eyes(self, now_s: float) -> None:
        eyes = self.visit.eyes
        if eyes is None:
            return
        if eyes.running() and self.doing is None and not self._proposed:
            self._toggle_nystagmus()
        for eye, picture in self._pictures.items():
            if eye in eyes.eyes:
                live = eyes.eyes[eye]
                picture.show_eye(live.picture, live.kept.rows, eyes.trouble(eye, now_s))

    def _show_preparing(self) -> None:
        plan = self._plan
        self._state.setText("HANG THE CROSSES")
        where = "on the ceiling above the lying patient" if plan.surface == "ceiling" else "on the wall"
        crosses = f"{len(plan.looks)} looks at crosses {where}, at {plan.angle_deg:g} deg to the sides."
        self._words.setText(
            f"{crosses} Glasses off, head still, goggles tight. All crosses must be seen through the goggles."
        )
        beats = ": the eyes beat, and only moments right after quick phases count" if plan.nystagmus else ""
        self._more.setText(f"Each is held for {plan.hold_s:g} s{beats}.")
        for row in self._rows:
            row.hide()

    def _show(self, doing: Calibrating, now_s: float) -> None:
        done = doing.phase == "done"
        states = {
            "looking": "PATIENT LOOKS? PRESS",
            "holding": f"HOLD: {doing.left_s(now_s):.0f} s",
            "working": "WORKING IT OUT",
            "done": GRADES[doing.grade],
        }
        self._state.setText(states[doing.phase])
        restyle(self._state, "state good" if done and doing.grade == "good" else "state")
        self._words.setText("" if done or doing.phase == "working" else f"Say: “{doing.words}”")
        self._words.setVisible(bool(self._words.text()))
        reasons = (
            [f"{eye.capitalize()} eye: {one.reason}" for eye, one in doing.result.items()] if done else []
        )
        self._more.setText("\n".join(reasons))
        for look, row in enumerate(self._rows):
            row.setVisible(look < len(doing.plan.looks))
            if look < len(doing.plan.looks):
                row.setText(self._row_words(doing, look))
                marked = look == (self._chosen if done else doing.at)
                restyle(row, "chosen" if marked else "choice")

    def _row_words(self, doing: Calibrating, look: int) -> str:
        name = name_of(*doing.plan.looks[look])
        name += " again" if look == len(doing.plan.looks) - 1 else ""
        if doing.phase != "done":
            stands = "left out" if look in doing.left_out else "seen" if doing.seen(look) else ""
            return f"{name}:  {stands}" if stands else name
        return f"{name}:  " + ",  ".join(self._off_words(doing, eye, look) for eye in doing.result)

    def _off_words(self, doing: Calibrating, eye: Eye, look: int) -> str:
        row = doing.residual(eye, look)
        if row is None:
            return f"{eye} left out"
        if not row.used:
            return f"{eye} not used ({row.reason})"
        return f"{eye} fits nowhere" if math.isnan(row.off_deg) else f"{eye} off by {row.off_deg:.1f} deg"
