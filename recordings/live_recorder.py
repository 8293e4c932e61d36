"""Cameras that run, and recordings made from them one after the other.

    open -> ready <-> recording -> close        sealing goes on beside, in child processes

Cameras are read and eyes are tracked from `open` to `close`, so a window always has a picture. `start` sends
what comes from then on to a new recording, `stop` ends it within a fraction of a second even while a camera
is silent, and the next may start at once.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import cast

import msgspec

from capture.clock import Clock
from capture.light_gate import LightVerdict, light_gate
from capture.live import LiveSource
from capture.open_source import is_live, open_source
from capture.pose import Posable, Pose
from capture.samples import Eye, Target
from capture.tracker import Tracker
from recordings.commands import Facts, GogglesPlan, Start
from recordings.cover_check import CoverVerdict, judge_cover
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.handing import EyeTracker
from recordings.info import Ending, EyeIdentity, ImagesKept, LiveOpening, Opening, Region, software
from recordings.journal_thread import LIVE_QUEUE
from recordings.layout import refuse_without_locking
from recordings.live_cameras import LiveCameras, OpenSource
from recordings.live_status import camera_status, journal_status
from recordings.one_recording import OneRecording
from recordings.sealer import Sealer
from recordings.shared_samples import SharedPlan, SharedReader
from recordings.source_checks import check_patient
from recordings.space import check_space, free_bytes, hours_left, open_data_folder
from recordings.status import State, Status

LOOK_S = 0.1  # between two looks at how things are; a lost signal is seen 0.3 s after its last picture
NOT_ENDED = Ending(False, "it had not ended yet")
LEAST_ROOM_S = 60.0  # room that is asked for where nobody says how long a recording will be


class LiveRecorder:
    """For one thread, which opens, starts, stops and closes; `status` and `mark` may be called from any."""

    def __init__(
        self,
        plan: GogglesPlan,
        *,
        clock: Clock,
        tracker_factory: Callable[[], EyeTracker] = Tracker,
        opener: OpenSource = open_source,
    ) -> None:
        """Take what is needed; nothing is touched before `open`."""
        self._plan, self._clock = plan, clock
        self._cameras = LiveCameras(plan, clock, tracker_factory, opener)
        self.identity: EyeIdentity = "unproven"
        self._recording: OneRecording | None = None
        self._last: OneRecording | None = None  # that goes on, or went on last
        self._started_s = 0.0
        self._reader: SharedReader | None = None
        self._state: State = "ready"
        self._in_trouble = threading.Event()
        self._sealer = Sealer()
        self._closing = threading.Event()
        self._watcher = threading.Thread(target=self._watch, name="watch", daemon=True)

    @property
    def folder(self) -> Path | None:
        """Of the recording that goes on; None while none does."""
        return None if self._recording is None else self._recording.folder

    @property
    def reader(self) -> SharedReader:
        """What the cameras show, for a window in this process; after `open`."""
        assert self._cameras.shared is not None, "the cameras are not open"
        if self._reader is None:
            self._reader = SharedReader(self._cameras.shared.plan)
        return self._reader

    def due_s(self) -> float:
        """When the next picture of a simulated camera is due, for a stepped clock."""
        return min((threads.due_s for threads in self._cameras.threads), default=math.inf)

    def caught_up(self) -> bool:
        """Whether all pictures until now are read, tracked and shown, and the disk is not far behind."""
        recording, now_s = self._recording, self._clock.now_s()
        return (
            self.due_s() > now_s  # asked first: a picture that is read later is not yet in any queue
            and all(threads.at_rest for threads in self._cameras.threads)
            and (recording is None or recording.journal.waiting[1] < LIVE_QUEUE.most_bytes // 2)
        )

    def open(self) -> SharedPlan:
        """Open the cameras and let them run; where the shared memory is.

        Raises a SourceError for a camera, RecordingError for sources that do not fit the profile.
        """
        refuse_without_locking()
        shared = self._cameras.open()
        self._watcher.start()
        return shared

    def start(self, asked: Start) -> Path:
        """Begin a recording; its folder.

        Raises RecordingError while another goes on, for a patient before goggles whose light is not known to
        be safe, and for eyes that are exchanged; StorageError for the disk.
        """
        if self._recording is not None:
            raise RecordingError("A recording is going on. Stop it first.")
        verdict = self.light()
        check_patient(asked.circumstances, verdict, self.identity)
        self._cameras.check(asked)
        open_data_folder(self._plan.data_folder)
        expected = int(self.bytes_per_s(asked.images) * (asked.seconds or LEAST_ROOM_S))
        check_space(self._plan.data_folder, expected, self._plan.rule)
        self._in_trouble.clear()
        recording = self._begin(asked, verdict)
        for ended in self._cameras.ended():
            recording.break_off(f"{ended} had ended before the start")
        for row in (*asked.targets, *asked.events):
            recording.put(row)
        self._started_s = self._clock.now_s()
        self._recording = self._last = recording
        self._state = "recording"
        self._cameras.attach(recording, asked)
        return recording.folder

    def mark(self, what: Target | Event) -> None:
        """Add a target or event while recording, in the host's time. RecordingError when none goes on."""
        self._going_on().put(what)

    def stop(self, reason: str = "", *, last: bool = False) -> Path:
        """End the recording and begin to seal it; its folder. Empty `reason`: it is complete.

        `last`: no other follows, so sealing may take all the time there is.

        Raises RecordingError when none goes on, StorageError when the disk took no more.
        """
        recording = self._going_on()
        if reason:
            recording.break_off(reason)
        self._state = "ending"
        try:
            self._cameras.detach()
            recording.journal.wait()
        finally:
            self._recording, self._state = None, "ready"
            self._sealer.seal(recording, behind=not last)
        recording.check_journal()
        return recording.folder

    def pose(self, pose: Pose) -> None:
        """Tell a simulated patient how it lies and looks from now on; real cameras take no notice."""
        now_s = self._clock.now_s()
        for source in self.sources():
            if isinstance(source, Posable):
                source.pose(pose, now_s)

    def facts(self) -> Facts:
        """What the recording that goes on, or else the last one, says about itself.

        Raises RecordingError before the first.
        """
        if self._last is None:
            raise RecordingError("Nothing was recorded yet.")
        goes_on = self._last is self._recording
        return Facts(self._last.opening, NOT_ENDED if goes_on else self._last.ending)

    def judge_cover(
        self, asked: Eye, open_s: tuple[float, float], covered_s: tuple[float, float]
    ) -> CoverVerdict:
        """Which eye was covered; kept, and written into the recordings that follow."""
        verdict = judge_cover(asked, self._cameras.looks(), open_s, covered_s)
        self.identity = verdict.identity
        return verdict

    def sources(self) -> list[LiveSource]:
        """The open cameras, in the order of the status."""
        return [cast(LiveSource, threads.source) for threads in self._cameras.threads]

    def crop_px(self, identity: str) -> Region | None:
        """The part of a camera's picture that is worth keeping, as its eyes are now; None: the whole."""
        return self._cameras.crop_px(identity)

    def light(self) -> LightVerdict:
        """Whether a patient may wear these goggles; simulated patients always may."""
        if not any(is_live(text) for text in self._plan.sources.values()):
            return LightVerdict("patient", "")
        return light_gate(self._plan.profile, self._plan.clinic_limit_w_m2)

    def bytes_per_s(self, images: ImagesKept) -> float:
        """How fast a recording would grow, estimated from the cameras' true rates."""
        return self._cameras.bytes_per_s(images)

    def hours_left(self, images: ImagesKept) -> float:
        """For how long the disk has room. Raises StorageError where there is no data folder."""
        open_data_folder(self._plan.data_folder)
        free = free_bytes(self._plan.data_folder)
        return hours_left(free, self.bytes_per_s(images), self._plan.rule)

    def is_alive(self) -> bool:
        """As long as the process in which it is."""
        return True

    def status(self) -> Status:
        """How things are."""
        recording, now_s = self._recording, self._clock.now_s()
        cut_off = self._state == "recording" and recording is not None and recording.journal.wait(0)
        return Status(
            state="broken off" if cut_off else self._state,
            time_s=now_s,
            cameras=tuple(camera_status(threads) for threads in self._cameras.threads),
            recording=None if recording is None else recording.folder.name,
            recorded_s=0.0 if recording is None else now_s - self._started_s,
            journal=None if recording is None else journal_status(recording),
            problems=() if recording is None else tuple(recording.broken_off),
            sealing=self._sealer.waiting,
            sealed=self._sealer.sealed,
            unsealed=self._sealer.problems,
        )

    def wait_sealed(self, timeout_s: float | None = None) -> bool:
        """Wait until every recording is sealed; whether that is so."""
        return self._sealer.wait(timeout_s)

    def close(self, *, wait: bool = True) -> None:
        """End whatever goes on and let go of the cameras, then `wait` for sealing, which needs nobody.

        May be called again.
        """
        if self._closing.is_set():
            return
        if self._recording is not None:
            with suppress(RecordingError):  # the sealer tells it
                self.stop("the program was closed", last=True)
        self._cameras.close()
        if wait:
            self._sealer.wait()
        self._state = "closed"
        self._closing.set()
        if self._watcher.is_alive():
            self._watcher.join()
        if self._reader is not None:
            self._reader.close()
        if self._cameras.shared is not None:
            self._cameras.shared.status(self.status())
            self._cameras.shared.close()

    def __enter__(self) -> LiveRecorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close(wait=not isinstance(error, KeyboardInterrupt))

    def _begin(self, asked: Start, verdict: LightVerdict) -> OneRecording:
        assert self._cameras.shared is not None
        return OneRecording(
            self._plan.data_folder,
            lambda identity: self._opening(identity, asked, verdict),
            {eye: msgspec.json.encode(made) for eye, made in asked.calibrations.items()},
            producers=self._cameras.producers,
            rule=self._plan.rule,
            failed=self._in_trouble.set,
            queue_rule=LIVE_QUEUE,
            on_commit=self._cameras.shared.committed,
        )

    def _opening(self, identity: str, asked: Start, verdict: LightVerdict) -> Opening:
        utc, host_time_s = self._clock.utc(), self._clock.now_s()
        return Opening(
            id=identity,
            made_utc=utc.isoformat(timespec="seconds"),
            software=software(),
            clock=type(self._clock).__name__,
            circumstances=asked.circumstances,
            profile=self._plan.profile,
            eyes=self._cameras.eye_sources(asked),
            images=asked.images,
            live=LiveOpening(
                utc=utc.isoformat(timespec="milliseconds"),
                host_time_s=host_time_s,
                eye_identity=self.identity,
                bench=verdict.allowed == "bench only",
                iris_taken_s=self._cameras.iris_taken_s(),
                calibrated_s=asked.calibrated_s,
            ),
        )

    def _going_on(self) -> OneRecording:
        if self._recording is None:
            raise RecordingError("No recording is going on.")
        return self._recording

    def _watch(self) -> None:
        """Show how things are ten times a second; end a recording whose disk is in trouble."""
        assert self._cameras.shared is not None
        while not self._closing.wait(LOOK_S):
            if self._in_trouble.is_set() and self._recording is not None:
                self._cameras.detach()
            self._cameras.shared.status(self.status())
