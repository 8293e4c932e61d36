"""Starts the window."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable
from functools import partial
from types import TracebackType

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.ctrl_c import ctrl_c_asks
from ui.keys import Keys, keys_file
from ui.visit.visit import Visit
from ui.window import theme
from ui.window.note import Note
from ui.window.page import Page
from ui.window.shell import Shell

ExceptHook = Callable[[type[BaseException], BaseException, TracebackType | None], None]
PAINTED_MS = 50  # by then the first painting is done or under way; nothing else may come before it
ASKED_EVERY_MS = 100  # whether Ctrl-C was struck
TOLD_MS = 60_000  # that words in a window of their own stay
LOGGER = logging.getLogger(__name__)


def make_pages(visit: Visit, keys: Keys | None = None) -> tuple[Page, ...]:
    """Every page, in the order of a visit. Adding one is one file here and one name in this tuple."""
    from ui.window.battery_page import BatteryPage
    from ui.window.calibration_page import CalibrationPage
    from ui.window.cameras_page import CamerasPage
    from ui.window.keys_page import KeysPage
    from ui.window.start_page import StartPage
    from ui.window.training_page import TrainingPage

    return (
        StartPage(visit),
        CamerasPage(visit),
        CalibrationPage(visit),
        BatteryPage(visit),
        TrainingPage(visit),
        KeysPage(visit, keys or Keys()),
    )


def application() -> QtWidgets.QApplication:
    """The one Qt application, with the fonts that Driftbeat brings."""
    known = QtWidgets.QApplication.instance()
    app = known if isinstance(known, QtWidgets.QApplication) else QtWidgets.QApplication(sys.argv[:1])
    for file in sorted(theme.FONTS.glob("*.ttf")):
        QtGui.QFontDatabase.addApplicationFont(str(file))
    return app


def run(visit: Visit, begin: Callable[[], None]) -> int:
    """Show the window, then `begin`, and stay until it is closed; the exit code."""
    app = application()
    sys.excepthook = survive(visit)
    try:
        keys = Keys(keys_file())
        visit.tell("keys", keys.problem)
        shell = Shell(visit, make_pages(visit, keys))
        shell.aliases = keys.aliases
        if (screen := app.primaryScreen()) is not None:
            shell.setGeometry(screen.availableGeometry())  # for a screen without a window manager
        shell.showMaximized()
        QtCore.QTimer.singleShot(PAINTED_MS, begin)
        shell.run()
        with ctrl_c_asks() as asked:  # the terminal that began it ends it as the window's own cross does
            asking = QtCore.QTimer()
            asking.timeout.connect(partial(_close_if, asked, shell))
            asking.start(ASKED_EVERY_MS)
            return app.exec()
    finally:
        sys.excepthook = sys.__excepthook__


def tell(state: str, words: str) -> None:
    """Words in a window of their own until a key or a click closes it: a starter icon has no terminal."""
    app = application()
    note = Note(state, words)
    note.show()
    closing, asking = QtCore.QTimer(), QtCore.QTimer()
    with ctrl_c_asks() as asked:
        closing.timeout.connect(partial(_close_if, None, note))
        closing.start(TOLD_MS)
        asking.timeout.connect(partial(_close_if, asked, note))
        asking.start(ASKED_EVERY_MS)
        app.exec()


def _close_if(asked: threading.Event | None, window: QtWidgets.QWidget) -> None:
    if asked is None or asked.is_set():
        window.close()


def survive(visit: Visit) -> ExceptHook:
    """A fault in the window is told in its strip and logged once; without this Qt would end the program."""

    def tell(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        text = (
            f"Something went wrong that Driftbeat did not expect ({kind.__name__}). What is recorded is "
            "safe, and a recording goes on. Close the window when the patient is safe, and start again."
        )
        if visit.strip.get("fault") != text:
            LOGGER.error("fault in the window", exc_info=(kind, error, trace))
            visit.tell("fault", text)

    return tell
