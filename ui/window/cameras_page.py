"""Both eyes large, what to change at the goggles, and the two checks before a test."""

from __future__ import annotations

from pyqtgraph.Qt import QtWidgets

from capture.samples import EYES, Eye
from ui.visit.checking import CoverCheck, DirectionCheck
from ui.visit.rates import rate_words
from ui.visit.visit import Visit
from ui.window.eye_view import EyePicture
from ui.window.page import Action, Page, restyle, text


class CamerasPage(Page):
    """The right eye at the left, as one sees the patient's face; under each eye what to change."""

    key, title = "cameras", "Cameras"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
        self.check: DirectionCheck | CoverCheck | None = None
        self._cover_next = 0  # of EYES
        self._pictures: dict[Eye, EyePicture] = {eye: EyePicture(eye) for eye in EYES}
        self._hints = {eye: text("", "instruction attention") for eye in EYES}
        self._rates = {eye: text("", "soft") for eye in EYES}
        self._state, self._words, self._result = text("", "state"), text("", "instruction"), text("")
        eyes = QtWidgets.QHBoxLayout()
        for eye in EYES:
            side = QtWidgets.QVBoxLayout()
            side.addWidget(self._pictures[eye], 1)
            side.addWidget(self._hints[eye])
            side.addWidget(self._rates[eye])
            eyes.addLayout(side, 1)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(eyes, 1)
        for widget in (self._state, self._words, self._result):
            layout.addWidget(widget)

    def key_actions(self) -> tuple[Action, ...]:
        """During a check its key and Esc; else the checks and the way on."""
        if self.visit.recorder is None:
            return () if self.visit.opening else (Action("Open the cameras again", "Space", self.visit.open),)
        check = self.check
        if check is not None and check.phase != "done":
            clock = self.visit.clock
            main = (Action(check.main, "Space", lambda: check.press(clock.now_s())),) if check.main else ()
            return (*main, Action("Stop the check", "Esc", self._stop))
        eye = EYES[self._cover_next]
        direction = Action("Direction check", "D", self._direction)
        on = Action("Go on: calibration", "Space", lambda: self.go("calibration"))
        if "direction right" not in self.visit.checked and "direction left" not in self.visit.checked:
            direction, on = direction._replace(key="Space"), on._replace(key="G")
        return (
            *((direction, on) if direction.key == "Space" else (on, direction)),
            Action(f"Which eye is which: cover {eye}", "C", lambda: self._cover(eye)),
        )

    def enter(self) -> None:
        """Pictures of the goggles that are in use now."""
        self.check = None
        for picture in self._pictures.values():
            picture.follow(self.visit.plan.profile)

    def leave(self) -> None:
        """A check that was not ended is given up."""
        self._stop()

    def tick(self, now_s: float) -> None:
        """Follow the eyes and the check."""
        if self.visit.recorder is None:
            self.check = None
        if self.check is not None:
            self.check.tick(now_s)
        self._show_eyes(now_s)
        self._show_check()

    def _show_eyes(self, now_s: float) -> None:
        eyes, hints = self.visit.eyes, self.visit.hints
        for eye, picture in self._pictures.items():
            if eyes is None or eye not in eyes.eyes:
                continue
            live = eyes.eyes[eye]
            picture.show_eye(live.picture, live.kept.rows, eyes.trouble(eye, now_s))
            words = hints.words.get(eye, ())
            self._hints[eye].setText(words[0] if words else "Well seen.")
            restyle(self._hints[eye], "instruction attention" if words else "instruction good")
            self._rates[eye].setText(self._rate_words(eye))

    def _rate_words(self, eye: Eye) -> str:
        """True rate, lost frames, what the rate rules out."""
        status = self.visit.status
        camera = next((c for c in status.cameras if eye in c.eyes), None) if status is not None else None
        counted = "" if camera is None else rate_words(camera, 1)
        if camera is None or not counted:
            return "measuring the rate"
        return "  ".join((f"{counted}.", *camera.cautions, *camera.ruled_out))

    def _show_check(self) -> None:
        check = self.check
        if self.visit.recorder is None:
            self._state.setText("OPENING THE CAMERAS" if self.visit.opening else "NO CAMERAS")
            self._words.setText("")
            self._result.setText("")
            restyle(self._state, "state")
            return
        if check is None:
            self._state.setText("GOGGLES ON, EYES OPEN")
            self._words.setText("Both pupils in the middle, sharp, with their outline drawn.")
            self._result.setText("\n".join(self.visit.checked.values()))
            restyle(self._state, "state")
            return
        done = check.phase == "done"
        verdict = "PASSED" if check.passed else "NOT PROVEN"
        self._state.setText(verdict if done else check.title.upper())
        restyle(self._state, "state good" if done and check.passed else "state")
        said = f"Say: “{check.words}”" if isinstance(check, DirectionCheck) else check.words
        self._words.setText("" if done else said)
        self._result.setText("\n".join(check.result))

    def _direction(self) -> None:
        self.check = DirectionCheck(self.visit)

    def _cover(self, eye: Eye) -> None:
        self._cover_next = 1 - self._cover_next
        self.check = CoverCheck(self.visit, eye)

    def _stop(self) -> None:
        if self.check is not None and self.check.phase != "done":
            self.check = None
        self.visit.sounds.say("")
