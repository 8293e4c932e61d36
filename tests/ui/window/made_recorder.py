"""A recorder that only remembers what it is asked, before an invented eye."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from capture.pose import Pose
from capture.samples import EYES, Eye
from recordings.camera_watch import Signal
from recordings.commands import Facts, Start
from recordings.errors import RecordingError, StorageError
from recordings.event import Event
from recordings.info import Ending, EyeSource, LiveOpening, Opening
from recordings.recorder_process import RecorderProcess
from recordings.status import CameraStatus, State, Status
from tests.ui.visit.sender import PROFILE, Sender


class MadeRecorder:
    """The handle of a recorder whose eyes a test moves by `sender`."""

    def __init__(self) -> None:
        self.sender = Sender(60.0)
        self.reader = self.sender.reader
        self.started: list[Start] = []
        self.marked: list[Event] = []
        self.stopped: list[str] = []
        self.posed: list[Pose] = []
        self.refusal = ""  # of the next start
        self.refusal_to_stop = ""
        self.problems: tuple[str, ...] = ()
        self.state: State = "ready"
        self.signal: Signal = "good"  # of the left camera
        self.all_signals: Signal = "good"  # of the others
        self.closed = False
        self.alive = True

    def is_alive(self) -> bool:
        return self.alive

    def start(self, asked: Start) -> Path:
        if self.refusal:
            raise StorageError(self.refusal)
        self.started.append(asked)
        self.state = "recording"
        return Path("made-up")

    def mark(self, what: Event) -> None:
        if self.state != "recording":
            raise RecordingError("No recording is going on.")
        self.marked.append(what)

    def stop(self, reason: str = "") -> Path:
        if self.refusal_to_stop:
            raise RecordingError(self.refusal_to_stop)
        self.stopped.append(reason)
        self.state = "ready"
        return Path("made-up")

    def pose(self, pose: Pose) -> None:
        self.posed.append(pose)

    def facts(self) -> Facts:
        sources = tuple(EyeSource(eye, eye, "invented", 320, 240, 60.0, "measured") for eye in EYES)
        live = LiveOpening("2026-11-25T12:00:00.000+00:00", self.sender.now_s)
        opening = Opening(
            "made-up", live.utc, "driftbeat", "SteppedClock", self.started[-1].circumstances, PROFILE,
            sources, "jpeg", live,
        )  # fmt: skip
        reason = self.stopped[-1] if len(self.stopped) == len(self.started) else "goes on"
        return Facts(opening, Ending(not reason, reason))

    def status(self) -> Status:
        signals: dict[Eye, Signal] = {"right": self.all_signals, "left": self.signal}
        cameras = tuple(
            CameraStatus(eye, (eye,), signal, 0.0, 250.0, self.sender.frame, 0, 0, 0, 0, (), (), "")
            for eye, signal in signals.items()
        )
        recording = "made-up" if self.state == "recording" else None
        return Status(self.state, self.sender.now_s, cameras, recording, 7.0, problems=self.problems)

    def close(self) -> None:
        self.closed = True
        self.sender.reader.close()
        self.sender.writer.close()

    def as_process(self) -> RecorderProcess:
        return cast(RecorderProcess, self)
