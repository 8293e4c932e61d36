"""Fixtures for every test: the phantom, and the guard that fails a test which leaves something behind."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from multiprocessing import resource_tracker
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
DATA = ROOT / "tests" / "data"
SHARED = Path(os.environ.get("DRIFTBEAT_SHARED", ROOT.parent / "shared"))
WHOLE_PHANTOM = SHARED / "phantom"
REQUIRED = os.environ.get("DRIFTBEAT_PHANTOM_REQUIRED") == "1"  # set by .ci/run: absence is a failure


def pytest_configure(config: pytest.Config) -> None:
    """Say before anything runs which system library Qt lacks, and the line that installs it.

    A shell that starts the tests in the background has Ctrl-C and hang-up ignored, and so would every child
    that a test starts and interrupts.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
    from ui.qt_libraries import missing_qt_libraries

    if missing := missing_qt_libraries():
        raise pytest.UsageError(missing)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Without the whole phantom its tests are one named skip each; in .ci/run they fail instead."""
    if WHOLE_PHANTOM.is_dir() or REQUIRED:
        return
    skip = pytest.mark.skip(reason=f"whole phantom not found in {WHOLE_PHANTOM} (set DRIFTBEAT_SHARED)")
    for item in items:
        if item.get_closest_marker("phantom"):
            item.add_marker(skip)


@pytest.fixture(scope="session")
def phantom() -> Callable[[str], Path]:
    """Give the folder of a phantom recording by the start of its name, such as "s02"."""

    def find(name: str) -> Path:
        for place in (DATA / "phantom", WHOLE_PHANTOM):
            if found := sorted(place.glob(f"{name}_*")):
                return found[0]
        pytest.fail(f"phantom recording {name} not found in {DATA / 'phantom'} or {WHOLE_PHANTOM}")

    return find


def _open_files() -> set[str]:
    """Regular files of ours that this process holds open (Linux only; elsewhere an empty set)."""
    folder = Path("/proc/self/fd")
    if not folder.is_dir():
        return set()
    found = set()
    for descriptor in folder.iterdir():
        try:
            target = str(descriptor.readlink()).removesuffix(" (deleted)")
        except OSError:  # closed while we were looking
            continue
        if target.startswith("/") and not target.startswith(("/dev/", "/proc/", "/sys/", sys.prefix)):
            found.add(target)
    return found


def _children() -> set[str]:
    """Process ids of this process's children, those that ended but were not waited for among them."""
    found: set[str] = set()
    for children in Path("/proc/self/task").glob("*/children"):
        with suppress(FileNotFoundError):  # a thread that has ended meanwhile
            found.update(children.read_text().split())
    return found - {_tracker_pid()}


def _tracker_pid() -> str:
    """The one helper process that Python's multiprocessing starts once and keeps."""
    return str(getattr(resource_tracker._resource_tracker, "_pid", None))


def _project_files() -> set[Path]:
    """Top level of the project and everything under tests/, without what tools keep there."""
    kept = {".hypothesis", ".benchmarks", ".coverage", "__pycache__", ".pytest_cache"}
    files = {*ROOT.iterdir(), *(ROOT / "tests").rglob("*")}
    return {path for path in files if not kept & set(path.parts)}


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread, a child process, an open file or a file in the project behind."""
    threads, files, children = set(threading.enumerate()), _open_files(), _children()
    there = _project_files()
    yield
    if _open_files() - files or _children() - children:
        gc.collect()  # what only waits for the collector is not left behind
    for thread in set(threading.enumerate()) - threads:
        thread.join(timeout=2)
    left = [t.name for t in set(threading.enumerate()) - threads if t.is_alive()]
    assert not left, f"threads left running: {left}"
    assert not _children() - children, "child processes left running"
    assert not _open_files() - files, f"files left open: {_open_files() - files}"
    new = sorted(str(path.relative_to(ROOT)) for path in _project_files() - there)
    assert not new, f"files left in the project's folder: {new}"
