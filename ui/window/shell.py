"""The window round the pages: head, strip, page, footer, keys."""

from __future__ import annotations

from collections.abc import Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.visit.visit import Visit
from ui.window import theme
from ui.window.footer import Footer
from ui.window.page import Action, Page, text

TICK_MS = 33
SOUND, BRIGHTNESS = "F11", "F12"
STRIP_LINES = 2
BOUNCE_MS = 50  # no finger presses a key again so soon (design choice)
CLOSING = "Closing. The test is ended; what was recorded is kept and is being sealed."


class Shell(QtWidgets.QWidget):
    """Shows one page at a time. `aliases` are keys that act as other keys: a foot switch, a clicker."""

    def __init__(self, visit: Visit, pages: Sequence[Page]) -> None:
        super().__init__()
        self.visit, self.pages = visit, {page.key: page for page in pages}
        self.aliases: dict[str, str] = {}
        self.level = theme.LEVELS[0]
        self._released = (0, 0)  # the last key that was let go of, and when (ms of the window system)
        self._code, self._title, self._state = text("", "code"), text("", "title"), text("", "title")
        self._training, self._strip = text("", "urgent"), text("", "strip")
        self._training.setWordWrap(False)
        self._names = text("", "small")
        self._footer = Footer()
        self._stack = QtWidgets.QStackedWidget()
        self._keys = {f"F{n}": page.key for n, page in enumerate(pages, 1)}
        self._build(pages)
        self._timer = QtCore.QTimer(self)
        self._timer.setTimerType(QtCore.Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(lambda: self.tick(self.visit.clock.now_s()))
        self.show_page(pages[0].key)

    def run(self) -> None:
        """Tick 30 times a second from now on (a test calls `tick` itself)."""
        self._timer.start(TICK_MS)

    @property
    def page(self) -> Page:
        """The page that is shown."""
        page = self._stack.currentWidget()
        assert isinstance(page, Page)
        return page

    def show_page(self, key: str) -> None:
        """Turn to a page; stays and says why while the one that is shown cannot be left."""
        if self._stack.count() and (why := self.page.busy()):
            self.visit.tell("page", why)
            return
        self.visit.tell("page", "")
        self.page.leave()
        self._stack.setCurrentWidget(self.pages[key])
        self.page.enter()
        self.tick(self.visit.clock.now_s())

    def tick(self, now_s: float) -> None:
        """Everything that changes by itself."""
        self.visit.tick()
        self.page.tick(now_s)
        self._code.setText(self.visit.patient.patient_code or "no patient")
        self._title.setText(self.page.title)
        self._training.setText(f"TRAINING  {self.visit.training}")
        self._training.setVisible(bool(self.visit.training))
        self._strip.setText(strip_text(list(self.visit.strip.values())))
        self._strip.setVisible(bool(self.visit.strip))
        self._state.setText(self._recording())
        self._names.setText(self._page_names())
        self._footer.show_actions([self._with_taught(action) for action in self.page.key_actions()])

    def _page_names(self) -> str:
        names = [f"{key} {type(self.pages[page]).title}" for key, page in self._keys.items()]
        sounds = self.visit.sounds
        sound = ("on, with trouble" if sounds.problem else "on") if sounds.on else "off"
        return "   ".join((*names, f"{SOUND} sound: {sound}", f"{BRIGHTNESS} darker"))

    def _with_taught(self, action: Action) -> Action:
        """With the keys that stand for its own beside it."""
        taught = [pressed for pressed, key in self.aliases.items() if key == action.key]
        return action._replace(key=" or ".join((action.key, *taught)))

    def _recording(self) -> str:
        status = self.visit.recorder.status() if self.visit.recorder is not None else None
        if status is None or status.recording is None:
            return "not recording"
        return f"● recording {int(status.recorded_s)} s"

    def keyReleaseEvent(self, a0: QtGui.QKeyEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Remember when: X11 tells a held key as releases and presses, and Qt does not see through each."""
        if a0 is not None and not a0.isAutoRepeat():
            self._released = (a0.key(), a0.timestamp())

    def keyPressEvent(self, a0: QtGui.QKeyEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Run what the key does on this page; one that is held down acts once."""
        if a0 is None or a0.isAutoRepeat() or self._is_bounce(a0):
            return
        name = key_name(a0)
        if self.page.hear(name):
            self.tick(self.visit.clock.now_s())
        else:
            self.press(self.aliases.get(name, name))

    def _is_bounce(self, event: QtGui.QKeyEvent) -> bool:
        """Whether it was let go of a moment before, as no finger does: it is held, or its contact is bad."""
        key, released_ms = self._released
        return event.key() == key and 0 <= event.timestamp() - released_ms < BOUNCE_MS and released_ms > 0

    def press(self, key: str) -> None:
        """What a key does now."""
        for action in self.page.key_actions():
            if action.key == key:
                action.run()
                self.tick(self.visit.clock.now_s())
                return
        if key in self._keys:
            self.show_page(self._keys[key])
        elif key == SOUND:
            self.visit.sounds.on = not self.visit.sounds.on
            self.visit.sounds.say("")
        elif key == BRIGHTNESS:
            self.level = theme.LEVELS[(theme.LEVELS.index(self.level) + 1) % len(theme.LEVELS)]
            self._restyle()

    def resizeEvent(self, a0: QtGui.QResizeEvent | None) -> None:  # noqa: N802 (Qt's name)
        """Letters follow the window's height."""
        self._restyle()

    def closeEvent(self, a0: QtGui.QCloseEvent | None) -> None:  # noqa: N802 (Qt's name)
        """A test that goes on is ended and sealed, said in words; without one the window is gone at once."""
        self._timer.stop()
        if self.visit.run is None:
            self.hide()
        else:
            self.visit.tell("closing", CLOSING)
            self.tick(self.visit.clock.now_s())
        QtWidgets.QApplication.processEvents(QtCore.QEventLoop.ProcessEventsFlag.ExcludeUserInputEvents)
        self.visit.close()

    def _restyle(self) -> None:
        self._footer.level = self.level
        self.setStyleSheet(theme.style_sheet(theme.scale(self.height()), self.level))

    def _build(self, pages: Sequence[Page]) -> None:
        self.setWindowTitle("Driftbeat")
        for page in pages:
            page.go = self.show_page
            self._stack.addWidget(page)
        head = QtWidgets.QHBoxLayout()
        for widget, stretch in ((self._code, 2), (self._title, 2), (self._training, 0), (self._state, 1)):
            head.addWidget(widget, stretch)
        outer = QtWidgets.QVBoxLayout(self)
        outer.setContentsMargins(16, 8, 16, 8)
        # Letters follow the height: a window that grew with its letters would grow off the screen.
        outer.setSizeConstraint(QtWidgets.QLayout.SizeConstraint.SetNoConstraint)
        outer.addLayout(head)
        outer.addWidget(self._names)
        outer.addWidget(self._strip)
        outer.addWidget(self._stack, 1)
        outer.addWidget(self._footer)


def strip_text(lines: list[str]) -> str:
    """The newest lines; of the others how many there are."""
    more = len(lines) - STRIP_LINES
    return "\n".join(lines[-STRIP_LINES:]) + (f"   (and {more} more)" if more > 0 else "")


def key_name(event: QtGui.QKeyEvent) -> str:
    """The name of a key as actions write it; both Enter keys are "Return"."""
    modifiers = event.modifiers() & ~QtCore.Qt.KeyboardModifier.KeypadModifier
    name = QtGui.QKeySequence(int(event.key())).toString()
    name = "Return" if name == "Enter" else name
    held = [
        word
        for word, flag in (
            ("Ctrl", QtCore.Qt.KeyboardModifier.ControlModifier),
            ("Alt", QtCore.Qt.KeyboardModifier.AltModifier),
        )
        if modifiers & flag
    ]
    return "+".join((*held, name))
