"""Qt starts beside OpenCV in either order, and a machine that lacks its libraries is told which."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT
from ui import qt_libraries
from ui.qt_libraries import absent_libraries, drop_opencv_qt_paths, missing_qt_libraries

QT = "from pyqtgraph.Qt import QtWidgets\napp = QtWidgets.QApplication([])\nprint(app.platformName())\n"
# What the wheel brings itself or what every Linux system has.
OWN = re.compile(r"lib(Qt5|icu)|lib(c|m|dl|pthread|gcc_s|stdc\+\+|rt)\.so")


def _run(program: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program],
        env=os.environ | {"QT_QPA_PLATFORM": "offscreen"},
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=60,
    )


@pytest.mark.parametrize("program", ["import cv2\n" + QT, QT + "import cv2\n"], ids=["cv2 first", "Qt first"])
def test_application_starts_beside_opencv_in_either_order(program: str) -> None:
    ran = _run(program)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == "offscreen"


def test_guard_drops_the_folders_of_the_windowed_opencv_wheel(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the variables: on the offscreen platform Qt starts in spite of them, on X11 it aborts."""
    monkeypatch.setenv("QT_QPA_PLATFORM_PLUGIN_PATH", "/x/site-packages/cv2/qt/plugins")
    monkeypatch.setenv("QT_QPA_FONTDIR", "/x/site-packages/cv2/qt/fonts")
    drop_opencv_qt_paths()
    assert not {"QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR"} & set(os.environ)


def test_guard_leaves_a_folder_that_somebody_else_chose(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM_PLUGIN_PATH", "/opt/qt/plugins")
    drop_opencv_qt_paths()
    assert os.environ["QT_QPA_PLATFORM_PLUGIN_PATH"] == "/opt/qt/plugins"


def test_a_missing_library_is_named_with_the_line_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(qt_libraries.OFFSCREEN, "libdriftbeat-absent.so.7", "libdriftbeat-absent7")
    assert "libdriftbeat-absent.so.7" in absent_libraries()
    message = missing_qt_libraries()
    assert "libdriftbeat-absent.so.7" in message
    assert "sudo apt-get install -y libdriftbeat-absent7" in message


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="shared libraries of Linux")
@pytest.mark.parametrize(
    ("files", "table"),
    [
        (qt_libraries.OFFSCREEN_FILES, qt_libraries.OFFSCREEN),
        (qt_libraries.XCB_FILES, qt_libraries.OFFSCREEN | qt_libraries.XCB),
    ],
    ids=["offscreen", "xcb"],
)
def test_every_library_that_qt_names_as_needed_has_a_package(files: tuple, table: dict) -> None:
    """The names are read from Qt's own files, not from the table."""
    found = importlib.util.find_spec("PyQt5")
    assert found is not None
    assert found.submodule_search_locations
    folder = Path(found.submodule_search_locations[0]) / "Qt5"
    needed = {
        name.decode()
        for file in files
        for name in re.findall(rb"\0(lib[\w.+-]+\.so\.\d+)(?=\0)", (folder / file).read_bytes())
    }
    system = {name for name in needed if not OWN.match(name)}
    assert {"libGL.so.1"} <= system
    assert system <= set(table), f"no package known for {system - set(table)}"
