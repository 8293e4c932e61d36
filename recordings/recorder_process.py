"""The live recorder in a process of its own, which neither a busy nor a dying window disturbs.

The window sends commands over a pipe and gets a value or an error for each; pictures, samples and status are
in shared memory. When the window dies, a recording that goes on is not cut: it goes on for up to a minute, so
that the test under way is whole, ends in good order and is sealed as incomplete. A new window need not wait:
`end_orphans` ends it at once, which frees the cameras.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import cast

import cv2

from capture.clock import SystemClock
from capture.errors import CaptureError
from capture.open_source import open_source
from capture.pose import Pose
from capture.samples import Eye, Target
from capture.tracker import Tracker
from recordings.child import safe_path_for_children
from recordings.commands import Close, Command, Facts, GogglesPlan, JudgeCover, Mark, Start, Stop, TellFacts
from recordings.cover_check import CoverVerdict
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.handing import EyeTracker
from recordings.live_cameras import OpenSource
from recordings.live_recorder import LiveRecorder
from recordings.owner import has_owner
from recordings.priority import go_ahead
from recordings.sealing_process import left_overs
from recordings.shared_samples import SharedPlan, SharedReader
from recordings.status import Status

OPEN_S = 60.0  # for the start of the process, the first compilation of kernels included
ANSWER_S = 30.0  # for an answer; a disk that hangs for longer is said to hang
ORPHAN_S = 60.0  # that a recording goes on without its window: a positional test is over by then
SWITCH_S = 0.5e-3  # between the recorder's threads; the interpreter's own 5 ms would be the latency
END_REQUEST = "end.request"  # file by which a new window ends an orphan's recording
DIED = "The recorder ended by itself. What was recorded until then is safe in its journal and will be sealed."
SILENT = (
    "The recorder has not answered for {:g} s. What was recorded is safe. If its disk hangs, wait; else "
    "close the program and start again."
)
NOT_OPENED = (
    "The cameras were not open within {:g} s. Nothing was being recorded. If the computer is busy, wait, "
    "and open them again; else pull out the goggles' plug and plug it in again first."
)
DIED_OPENING = (
    "The program that opens the cameras ended by itself. Nothing was being recorded. Pull out the goggles' "
    "plug, plug it in again, and open the cameras again."
)
LOST_WINDOW = "the program that began it ended first"


class RecorderProcess:
    """The window's handle. For one thread; `reader` may be used by any."""

    def __init__(
        self,
        plan: GogglesPlan,
        *,
        tracker_factory: Callable[[], EyeTracker] = Tracker,
        opener: OpenSource = open_source,
    ) -> None:
        """Start the process and open the cameras in it.

        Raises the SourceError or RecordingError that it met, RecordingError when it does not start.
        """
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=serve, args=(theirs, plan, tracker_factory, opener), name="driftbeat-recorder"
        )
        self._asked = 0
        with safe_path_for_children():
            self._process.start()
        theirs.close()
        try:
            self.reader = SharedReader(cast(SharedPlan, self._answer(OPEN_S)))
        except BaseException:
            self._end()
            raise

    @property
    def pid(self) -> int | None:
        """Of the process."""
        return self._process.pid

    def is_alive(self) -> bool:
        """Whether the process runs."""
        return self._process.is_alive()

    def start(self, asked: Start) -> Path:
        """As `LiveRecorder.start`."""
        return cast(Path, self._ask(asked))

    def mark(self, what: Target | Event) -> None:
        """As `LiveRecorder.mark`."""
        self._ask(Mark(what))

    def stop(self, reason: str = "") -> Path:
        """As `LiveRecorder.stop`."""
        return cast(Path, self._ask(Stop(reason)))

    def judge_cover(
        self, asked: Eye, open_s: tuple[float, float], covered_s: tuple[float, float]
    ) -> CoverVerdict:
        """As `LiveRecorder.judge_cover`."""
        return cast(CoverVerdict, self._ask(JudgeCover(asked, open_s, covered_s)))

    def pose(self, pose: Pose) -> None:
        """As `LiveRecorder.pose`."""
        self._ask(pose)

    def facts(self) -> Facts:
        """As `LiveRecorder.facts`."""
        return cast(Facts, self._ask(TellFacts()))

    def status(self) -> Status | None:
        """The last one; its `time_s` stands still when the process is dead or stopped."""
        return self.reader.status()

    def close(self) -> None:
        """End whatever goes on, wait for its sealing, and end the process. May be called again."""
        if self._pipe.closed:
            return
        with suppress(RecordingError, CaptureError):
            self._ask(Close(), None)
        self.reader.close()
        self._end()
        self.reader.remove()

    def __enter__(self) -> RecorderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _ask(self, command: Command, timeout_s: float | None = ANSWER_S) -> object:
        self._asked += 1
        try:
            self._pipe.send((self._asked, command))
        except OSError as error:
            raise RecordingError(DIED) from error
        return self._answer(timeout_s)

    def _answer(self, timeout_s: float | None) -> object:
        try:
            if not self._pipe.poll(timeout_s):
                raise RecordingError((SILENT if self._asked else NOT_OPENED).format(timeout_s))
            number, answer = self._pipe.recv()
            if number != self._asked:  # late, to a question that was given up
                return self._answer(timeout_s)
        except (EOFError, OSError) as error:
            raise RecordingError(DIED if self._asked else DIED_OPENING) from error
        if isinstance(answer, Exception):
            raise answer
        return answer

    def _end(self) -> None:
        self._pipe.close()
        self._process.join(5.0)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._process.close()


def serve(
    pipe: Connection, plan: GogglesPlan, tracker_factory: Callable[[], EyeTracker], opener: OpenSource
) -> None:
    """The process: answers commands until it is closed, or its window died and its recording has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the window's, which then asks to stop
    sys.setswitchinterval(SWITCH_S)
    cv2.setNumThreads(1)
    go_ahead()
    recorder = LiveRecorder(plan, clock=SystemClock(), tracker_factory=tracker_factory, opener=opener)
    try:
        pipe.send((0, recorder.open()))
    except (CaptureError, RecordingError) as error:
        pipe.send((0, error))
        return
    number = 0
    try:
        while True:
            number, command = pipe.recv()
            if isinstance(command, Close):
                break
            pipe.send((number, _obey(recorder, command)))
    except (EOFError, OSError):
        _end_alone(recorder)
    recorder.close()
    with suppress(OSError):
        pipe.send((number, None))
    os._exit(0)  # a camera's driver that never returns must not keep the process


def _obey(recorder: LiveRecorder, command: Command) -> object:
    try:
        match command:
            case Start():
                return recorder.start(command)
            case Mark(what):
                return recorder.mark(what)
            case Stop(reason):
                return recorder.stop(reason)
            case JudgeCover(asked, open_s, covered_s):
                return recorder.judge_cover(asked, open_s, covered_s)
            case Pose():
                return recorder.pose(command)
            case TellFacts():
                return recorder.facts()
            case _:
                raise RecordingError(f"The recorder does not know {command!r}.")
    except (CaptureError, RecordingError) as error:
        return error


def _end_alone(recorder: LiveRecorder) -> None:
    """The window is gone: let a recording go on for a while, then end it."""
    folder = recorder.folder
    if folder is None:
        return
    end_s = time.monotonic() + ORPHAN_S
    while time.monotonic() < end_s and not (folder / END_REQUEST).exists():
        time.sleep(0.1)
    with suppress(RecordingError):  # the sealer has it all the same
        recorder.stop(LOST_WINDOW)


def end_orphans(data_folder: Path, timeout_s: float = 5.0) -> int:
    """End recordings whose window died, so that their cameras are free; how many were asked to end.

    A recording whose window lives goes on: it takes no notice.
    """
    owned = [folder for folder in left_overs(data_folder) if has_owner(folder)]
    for folder in owned:
        (folder / END_REQUEST).touch()
    end_s = time.monotonic() + timeout_s
    while any(has_owner(folder) for folder in owned) and time.monotonic() < end_s:
        time.sleep(0.05)
    for folder in owned:
        (folder / END_REQUEST).unlink(missing_ok=True)
    return len(owned)
