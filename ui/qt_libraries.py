"""What PyQt5 needs from the operating system, and what is missing of it.

PyQt5's wheel carries Qt itself but not the graphics and X11 libraries below it; where one is missing, Qt ends
the whole process without a Python error. So this asks the loader beforehand.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path

# Library -> Debian and Ubuntu package; the libraries are those that Qt's own files name as needed.
OFFSCREEN = {
    "libGL.so.1": "libgl1",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libz.so.1": "zlib1g",
    "libX11.so.6": "libx11-6",
    "libXext.so.6": "libxext6",
}
XCB = {
    "libdbus-1.so.3": "libdbus-1-3",
    "libX11-xcb.so.1": "libx11-xcb1",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libxcb.so.1": "libxcb1",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render.so.0": "libxcb-render0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-shm.so.0": "libxcb-shm0",
    "libxcb-sync.so.1": "libxcb-sync1",
    "libxcb-xfixes.so.0": "libxcb-xfixes0",
    "libxcb-xinerama.so.0": "libxcb-xinerama0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
}
OFFSCREEN_FILES = ("plugins/platforms/libqoffscreen.so", "lib/libQt5Widgets.so.5")
XCB_FILES = ("lib/libQt5DBus.so.5", "plugins/platforms/libqxcb.so")
QT_VARIABLES = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR")


def missing_qt_libraries(screen: bool = False) -> str:
    """Name the missing libraries and the line that installs them; empty when Qt can start.

    `screen`: also what a real X11 window needs, not only Qt's offscreen platform. Always empty on systems
    other than Linux (there the wheel carries all) and where PyQt5 is not installed.
    """
    names = absent_libraries(screen)
    if not names:
        return ""
    packages = sorted({(OFFSCREEN | XCB).get(name, name) for name in names})
    return (
        f"Qt cannot start here, the system lacks {', '.join(names)}. On Debian or Ubuntu install with:\n"
        f"  sudo apt-get install -y {' '.join(packages)}"
    )


def absent_libraries(screen: bool = False) -> tuple[str, ...]:
    """Names of the shared libraries that Qt needs and the loader does not find."""
    folder = _qt_folder()
    if folder is None or not sys.platform.startswith("linux"):
        return ()
    names = [name for name in (*OFFSCREEN, *(XCB if screen else ())) if _load_problem(name)]
    for file in OFFSCREEN_FILES + (XCB_FILES if screen else ()):
        names += _unlisted(_load_problem(str(folder / file)), names)
    return tuple(names)


def drop_opencv_qt_paths() -> None:
    """Forget the Qt folders that OpenCV's windowed wheel sets on import: with them PyQt5 aborts on X11.

    To be called after cv2's import and before Qt's; a folder that somebody else chose stays.
    """
    for name in QT_VARIABLES:
        if "cv2" in Path(os.environ.get(name, "")).parts:
            del os.environ[name]


def _qt_folder() -> Path | None:
    found = importlib.util.find_spec("PyQt5")
    if found is None or not found.submodule_search_locations:
        return None
    return Path(found.submodule_search_locations[0]) / "Qt5"


def _load_problem(name: str) -> str:
    try:
        ctypes.CDLL(name)
    except OSError as error:
        return str(error)
    return ""


def _unlisted(problem: str, known: list[str]) -> Iterator[str]:
    """Yield the library that the loader names in `problem`, unless it is known to be missing already."""
    named = re.match(r"(\S+?):", problem)
    if named and Path(named[1]).name not in known:
        yield Path(named[1]).name
