"""One patient's visit: what was stated and found so far, and the recorder that serves it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

import msgspec

from capture.calibration import Calibration
from capture.clock import Clock
from capture.errors import CaptureError
from capture.samples import Eye
from recordings.commands import GogglesPlan
from recordings.errors import RecordingError
from recordings.info import Circumstances
from recordings.recorder_process import RecorderProcess


class OpenRecorder(Protocol):
    """Opens the cameras of a plan; `RecorderProcess`, or a recorder in this process for tests."""

    def __call__(self, plan: GogglesPlan) -> RecorderProcess: ...  # noqa: D102


class Visit:
    """What all pages share. Used by the window's thread alone.

    `patient` is what every recording of this visit states. `answers` and `decisions` hold what was asked
    before tests, by the question's key: yes or no, and the words and code of the doctor who decided to go on
    all the same. `facts` are those of the history, by name.
    """

    def __init__(self, clock: Clock, plan: GogglesPlan, open_recorder: OpenRecorder) -> None:
        self.clock, self.plan = clock, plan
        self.training = ""  # names the simulated patient; empty: a real one
        self.patient = Circumstances()
        self.facts: dict[str, str] = {}
        self.answers: dict[str, bool] = {}
        self.decisions: dict[str, str] = {}
        self.calibrations: dict[Eye, Calibration] = {}
        self.strip: dict[str, str] = {}  # what needs telling, by a key that stays while it lasts
        self.recorder: RecorderProcess | None = None  # None: the cameras are being opened, or did not open
        self._open_recorder = open_recorder
        self._opened: list[RecorderProcess | Exception] = []

    def tell(self, key: str, text: str) -> None:
        """Show `text` in the strip until it is empty; a text under the same key replaces the one before."""
        if text:
            self.strip[key] = text
        else:
            self.strip.pop(key, None)

    def open(self) -> None:
        """Begin to open the cameras; the window need not wait. `tick` takes over what came of it."""
        self.tell("recorder", "Opening the cameras.")
        threading.Thread(target=self._open, name="opening", daemon=True).start()

    def use(self, plan: GogglesPlan, training: str = "") -> None:
        """Change to other goggles, or to a simulated patient; ends what the recorder did before."""
        self.close()
        self.plan, self.training = plan, training
        self.patient = msgspec.structs.replace(self.patient, training=bool(training))
        self.calibrations = {}
        self.open()

    def tick(self) -> None:
        """Take over the recorder once it is open, or say why it is not."""
        if not self._opened:
            return
        opened = self._opened.pop()
        if isinstance(opened, Exception):
            self.tell("recorder", str(opened))
        else:
            self.recorder = opened
            self.tell("recorder", "")

    def close(self) -> None:
        """End the recorder; what it records is sealed."""
        if self.recorder is not None:
            self.recorder.close()
            self.recorder = None

    def _open(self) -> None:
        opener: Callable[[GogglesPlan], RecorderProcess] = self._open_recorder
        try:
            self._opened.append(opener(self.plan))
        except (CaptureError, RecordingError) as error:
            self._opened.append(error)
