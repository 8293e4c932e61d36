"""Pictures of every state of the technician's window.

    python -m tests.bench.window_shots OUT

    OUT/1366x768/..., OUT/1920x1080/..., OUT/1280x720-at-150/... (1920x1080 dots), one PNG a state

An invented patient sits before goggles whose clock the tool steps; eyes are painted and tracked as in use.
Labels whose words are cut are named on the way; the exit code is 1 then.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import numpy as np
from numpy.typing import NDArray
from pyqtgraph.Qt import QtCore, QtGui, QtTest, QtWidgets

from capture.simulation.patterns import Pattern, posterior_canal
from recordings.history import History, Medicine
from tests.ui.window.stepped import SteppedGoggles
from ui.visit.goggles import Goggles
from ui.visit.visit import Visit
from ui.window.eye_view import MARGIN_PX, WRAP, EyePicture
from ui.window.run import application, make_pages
from ui.window.shell import Shell

SIZES = ((1366, 768), (1920, 1080))
SCALED, SCALE = (1280, 720), 1.5
TICK_S = 0.1
SHOWN = posterior_canal("right", latency_s=2.0, tau_s=30.0)
DOWN = Pattern((0.0, 12.0, 0.0))  # a red flag


class Stage:
    """The window before the invented patient; keys are struck as a person does."""

    def __init__(self, data: Path, size: tuple[int, int]) -> None:
        self.app = application()
        self.goggles = SteppedGoggles(SHOWN, 11, data, 30.0, pictures=True)
        self.visit = Visit(self.goggles.clock, self.goggles.plan, self.goggles.open)
        self.visit.training = "invented patient"
        self.shell = Shell(self.visit, make_pages(self.visit))
        self.shell.resize(*size)
        self.shell.show()
        self.visit.open()
        self.visit.orders.wait()
        self.wait(1.0)

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.goggles.step(TICK_S)
            self.shell.tick(self.goggles.clock.now_s())
        self.settle()

    def settle(self) -> None:
        self.visit.orders.wait()
        self.visit.measuring.wait()
        self.shell.tick(self.goggles.clock.now_s())
        QtWidgets.QApplication.processEvents()

    def key(self, *names: str) -> None:
        for name in names:
            key = getattr(QtCore.Qt.Key, f"Key_{name}")
            focus: QtWidgets.QWidget = self.shell.focusWidget() or self.shell
            QtTest.QTest.keyClick(focus, key)
            self.settle()

    def write(self, words: str) -> None:
        field = self.shell.focusWidget()
        assert isinstance(field, QtWidgets.QLineEdit)
        field.setText(words)
        self.settle()

    def answer_no(self) -> None:
        while any((a.key, a.name) == ("N", "No") for a in self.shell.page.key_actions()):
            self.key("N")

    def choose(self, title: str) -> None:
        while not self.shell.page.key_actions()[0].name.endswith(title):
            self.key("Down")


def states(stage: Stage) -> Iterator[str]:
    """Brings the window into one state after another and yields the name of each."""
    yield "start-empty"
    stage.write("Somebody Somewhere")
    yield "start-refused"
    stage.write("HL-0007")
    stage.key("Down")
    stage.write("1958")
    stage.visit.patient = msgspec.structs.replace(
        stage.visit.patient, patient_code="HL-0007", birth_year=1958, operator="op-3", history=_history()
    )
    stage.shell.page.enter()
    stage.settle()
    yield "start-filled"
    yield from _choice(stage)
    yield from _goggles(stage)
    yield from _calibration(stage)
    yield from _tests(stage)
    yield from _rest(stage)


def _history() -> History:
    return History(
        course="continuous", hours_since_onset=72.0, hearing="new loss right", double_vision="no",
        stance="cannot sit or stand alone", head_impulse="not done",
        medicines=(Medicine("betahistine 16 mg", 8.0), Medicine("aspirin")),
    )  # fmt: skip


def _choice(stage: Stage) -> Iterator[str]:
    """Which goggles; an invented patient has none to choose from."""
    visit, known = stage.visit, (stage.visit.training, stage.visit.goggles)
    broken = Goggles("old goggles", None, problem="old.toml is not valid: two cameras have one name.")
    visit.training, visit.goggles = "", (Goggles("goggles of room 2", visit.plan), broken)
    stage.shell.page.enter()
    stage.key("Down", "Down", "Down")
    yield "start-goggles"
    stage.key("Right")
    yield "start-goggles-refused"
    visit.training, visit.goggles = known
    stage.shell.page.enter()


def _goggles(stage: Stage) -> Iterator[str]:
    stage.key("Return")
    stage.wait(2.0)
    yield "cameras"
    recorder, stage.visit.recorder = stage.visit.recorder, None
    stage.visit.tell("recorder", "The camera right is used by another program. Close it, then open again.")
    stage.settle()
    yield "cameras-not-open"
    stage.visit.recorder = recorder
    stage.visit.tell("recorder", "")
    stage.key("Space")
    yield "cameras-direction"
    for _ in range(3):
        stage.wait(0.6)
        stage.key("Space")
        stage.wait(1.2)
    stage.wait(1.0)
    yield "cameras-direction-done"
    stage.key("C")
    stage.wait(2.3)
    yield "cameras-cover"
    stage.key("Escape")


def _calibration(stage: Stage) -> Iterator[str]:
    stage.key("Space")
    stage.wait(0.5)
    yield "calibration-prepare"
    stage.key("C", "K", "L")
    yield "calibration-prepare-lying"
    stage.key("C", "L", "Space")
    stage.wait(0.5)
    yield "calibration-looking"
    first = True
    while (doing := stage.shell.page.doing) is not None and doing.phase == "looking":  # type: ignore[attr-defined]
        stage.wait(0.6)
        stage.key("Space")
        stage.wait(1.0)
        if first:
            yield "calibration-holding"
            first = False
        stage.wait(1.5)
    stage.wait(0.5)
    yield "calibration-done"
    stage.key("G")
    stage.goggles.patient.where = lambda h, v: (0.0, 0.0)
    stage.wait(0.5)
    while (doing := stage.shell.page.doing) is not None and doing.phase == "looking":  # type: ignore[attr-defined]
        stage.key("Space")
        stage.wait(2.5)
    yield "calibration-refused"
    stage.goggles.patient.where = lambda h, v: (h, v)
    stage.key("Space")
    stage.wait(0.5)
    while (doing := stage.shell.page.doing) is not None and doing.phase == "looking":  # type: ignore[attr-defined]
        stage.wait(0.6)
        stage.key("Space")
        stage.wait(2.5)
    stage.key("Space")


def _tests(stage: Stage) -> Iterator[str]:
    yield "test-choose"
    stage.choose("Dix-Hallpike, right ear")
    stage.key("Space")
    yield "test-question"
    stage.key("Y")
    stage.answer_no()
    yield "test-not-as-it-stands"
    stage.key("D")
    stage.write("DR-12 neck examined")
    yield "test-decision"
    stage.key("Return")
    yield "test-prepare"
    stage.key("Space")
    stage.wait(1.0)
    yield "test-confirm"
    stage.key("Space")
    stage.wait(21.0)
    yield "test-enough"
    stage.key("Space")
    stage.wait(1.0)
    yield "test-move"
    stage.key("Space")
    stage.wait(14.0)
    yield "test-hold"
    eyes = stage.goggles.patient.eyes
    eyes.pattern, eyes.reached = DOWN, eyes.reached._replace(courses=())
    stage.wait(14.0)
    yield "test-red-flag"
    stage.key("M")
    stage.write("patient coughs")
    yield "test-marker"
    stage.key("Return", "Escape")
    stage.wait(0.5)
    yield "test-outcome"


def _rest(stage: Stage) -> Iterator[str]:
    stage.shell.show_page("training")
    stage.settle()
    yield "training"
    stage.shell.show_page("keys")
    stage.settle()
    yield "keys"
    stage.key("Space", "F1")
    yield "keys-refused"
    stage.key("Escape")


@contextmanager
def staged(size: tuple[int, int]) -> Iterator[Stage]:
    with TemporaryDirectory() as folder:
        stage = Stage(Path(folder), size)
        try:
            yield stage
        finally:
            stage.shell.close()
            stage.goggles.recorder.wait_sealed(60.0)


def cut_labels(window: QtWidgets.QWidget) -> list[str]:
    """The words of visible labels that need more room than they have."""
    found = []
    for label in window.findChildren(QtWidgets.QLabel):
        if not label.isVisible() or not label.text():
            continue
        flags = QtCore.Qt.TextFlag.TextWordWrap if label.wordWrap() else 0
        room = label.contentsRect()
        measure = QtGui.QFontMetrics(label.font())
        needed = measure.boundingRect(QtCore.QRect(0, 0, room.width(), 10000), int(flags), label.text())
        if needed.width() > room.width() + 1 or needed.height() > room.height() + 2:
            found.append(label.text())
    for area in window.findChildren(QtWidgets.QScrollArea):
        inside, viewport = area.widget(), area.viewport()
        assert inside is not None
        assert viewport is not None
        if area.isVisible() and inside.minimumSizeHint().width() > viewport.width():
            found.append(f"wider than its {viewport.width()} px: {type(area.parent()).__name__}")
    eyes = window.findChildren(EyePicture)
    return found + [eye.below for eye in eyes if eye.isVisible() and not _has_room(eye)]


def _has_room(eye: EyePicture) -> bool:
    """Whether the words under an eye stand under its picture."""
    font = QtGui.QFont(eye.font())
    font.setBold(True)
    inside = eye.rect().adjusted(2 * MARGIN_PX, 0, -2 * MARGIN_PX, 0)
    needed = QtGui.QFontMetrics(font).boundingRect(inside, WRAP, eye.below)
    free_px = eye.rect().bottom() - eye.room().bottom() - MARGIN_PX
    return not eye.below or (needed.width() <= inside.width() and needed.height() <= free_px)


def picture_of(window: QtWidgets.QWidget) -> QtGui.QImage:
    for _ in range(3):  # a new style asks for a new layout, and this for another inside of it
        QtWidgets.QApplication.processEvents()
    return window.grab().toImage().convertToFormat(QtGui.QImage.Format.Format_RGB32)


def dots(image: QtGui.QImage) -> NDArray[np.uint8]:
    """(height, width, 3) red, green, blue."""
    bits = image.bits()
    assert bits is not None
    raw = np.frombuffer(bits.asstring(image.sizeInBytes()), np.uint8)
    return raw.reshape(image.height(), image.bytesPerLine() // 4, 4)[:, : image.width(), 2::-1]


def shoot(out: Path, size: tuple[int, int]) -> int:
    """Save every state at one size; how many labels were cut."""
    out.mkdir(parents=True, exist_ok=True)
    cut = 0
    with staged(size) as stage:
        for n, name in enumerate(states(stage), 1):
            picture_of(stage.shell).save(str(out / f"{n:02d}-{name}.png"))
            for words in cut_labels(stage.shell):
                cut += 1
                print(f"cut in {name} at {size[0]}x{size[1]}: {words[:80]!r}")
    return cut


def main(out: Path) -> int:
    if os.environ.get("QT_SCALE_FACTOR"):
        return min(shoot(out, SCALED), 1)
    cut = sum(shoot(out / f"{wide}x{high}", (wide, high)) for wide, high in SIZES)
    scaled = out / f"{SCALED[0]}x{SCALED[1]}-at-{round(100 * SCALE)}"
    asked = [sys.executable, "-m", "tests.bench.window_shots", str(scaled)]
    again = subprocess.run(asked, env=os.environ | {"QT_SCALE_FACTOR": str(SCALE)}, check=False)
    return min(cut + again.returncode, 1)


if __name__ == "__main__":
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    sys.exit(main(parser.parse_args().out))
