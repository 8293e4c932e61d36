"""Starts the window."""

from __future__ import annotations

import sys

from pyqtgraph.Qt import QtGui, QtWidgets

from ui.visit.visit import Visit
from ui.window import theme
from ui.window.page import Page
from ui.window.shell import Shell


def make_pages(visit: Visit) -> tuple[Page, ...]:
    """Every page, in the order of a visit. Adding one is one file here and one name in this tuple."""
    from ui.window.led_page import LedPage

    return (LedPage(visit),)


def application() -> QtWidgets.QApplication:
    """The one Qt application, with the fonts that Driftbeat brings."""
    known = QtWidgets.QApplication.instance()
    app = known if isinstance(known, QtWidgets.QApplication) else QtWidgets.QApplication(sys.argv[:1])
    for file in sorted(theme.FONTS.glob("*.ttf")):
        QtGui.QFontDatabase.addApplicationFont(str(file))
    return app


def run(visit: Visit) -> int:
    """Show the window and stay until it is closed; the exit code."""
    app = application()
    shell = Shell(visit, make_pages(visit))
    shell.showMaximized()
    visit.open()
    shell.run()
    return app.exec()
