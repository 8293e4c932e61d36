"""Teaching a foot switch or a clicker: choose what it is to do, then press it."""

from __future__ import annotations

from pyqtgraph.Qt import QtWidgets

from ui.keys import ROLES, Keys
from ui.visit.visit import Visit
from ui.window.page import Action, Page, restyle, text


class KeysPage(Page):
    """A row for each key that others can stand for."""

    key, title = "keys", "Keys"

    def __init__(self, visit: Visit, keys: Keys) -> None:
        super().__init__(visit)
        self._keys, self._at, self._teaching = keys, 0, False
        self._state, self._words = text("", "state"), text("", "instruction")
        self._rows = [text("") for _ in ROLES]
        self._said = text("", "attention")
        layout = QtWidgets.QVBoxLayout(self)
        for widget in (self._state, self._words, *self._rows, self._said):
            layout.addWidget(widget)
        layout.addStretch(1)
        layout.addWidget(
            text("A switch or clicker types keys; only the window in front hears them.", "small")
        )

    def key_actions(self) -> tuple[Action, ...]:
        """While a key is taught, Esc alone has its usual meaning."""
        if self._teaching:
            return (Action("Teach nothing", "Esc", self._stop),)
        role = ROLES[self._at]
        return (
            Action(f"Teach a key for: {role.name}", "Space", self._teach),
            Action("Next", "Down", lambda: self._go(1)),
            Action("Previous", "Up", lambda: self._go(-1)),
            Action("Forget its keys", "Del", lambda: self._keys.forget(role)),
        )

    def hear(self, key: str) -> bool:
        """While a key is taught, it is the next one whatever it does elsewhere."""
        if not self._teaching or key == "Esc":
            return False
        self._said.setText(self._keys.teach(key, ROLES[self._at]))
        self._teaching = bool(self._said.text())  # until one is taken, or Esc
        return True

    def leave(self) -> None:
        """Nothing is taught on another page."""
        self._stop()

    def tick(self, now_s: float) -> None:
        """Follow what was taught."""
        role = ROLES[self._at]
        self._state.setText("PRESS THE SWITCH NOW" if self._teaching else "FOOT SWITCH OR CLICKER")
        self._words.setText(
            f"The key that it types will stand for: {role.name}."
            if self._teaching
            else "Choose what it is to do."
        )
        for at, (one, row) in enumerate(zip(ROLES, self._rows, strict=True)):
            taught = ", ".join(self._keys.taught(one)) or "nothing taught"
            row.setText(f"{'▶' if at == self._at else '   '}  {one.key}:  {one.name}   ({taught})")
            restyle(row, "chosen" if at == self._at else "choice")
        self.visit.tell("keys", self._keys.problem)

    def _go(self, by: int) -> None:
        self._at = (self._at + by) % len(ROLES)
        self._said.setText("")

    def _teach(self) -> None:
        self._teaching = True
        self._said.setText("")

    def _stop(self) -> None:
        self._teaching = False
        self._said.setText("")
