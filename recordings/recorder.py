"""From sources to a sealed recording: one thread a camera, one an eye, one for the journal.

    source -> [camera thread] -> bytes of the picture ---------> [journal thread] -> journal.sqlite
                     |                                                  ^
                     +-> frames -> [eye thread: tracker] -> samples ----+

Every queue is bounded; a faster thread waits for the one behind it, so that a file loses nothing. The journal
thread ends last and by itself, when all others have ended; then a child process seals.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import msgspec

from capture.calibration import Calibration
from capture.clock import Clock
from capture.profile import GoggleProfile
from capture.samples import Eye, Target
from capture.source import Source
from capture.tracker import Tracker, warm_up
from recordings.camera_threads import CameraThreads
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.handing import EyeTracker, Keeping
from recordings.info import Circumstances, ImagesKept, Opening, software
from recordings.layout import refuse_without_locking
from recordings.one_recording import OneRecording, eye_sources, strangers
from recordings.source_checks import check_clocks, check_regions
from recordings.space import SpaceRule, check_space, expected_bytes, open_data_folder


class Recorder:
    """One recording, made once: `run` for a file, or `start`, `stop` and `finish` one by one.

    Targets and events carry the sources' host time. The sources belong to the recorder, which closes them.
    """

    def __init__(
        self,
        profile: GoggleProfile,
        sources: Mapping[str, Source],
        data_folder: Path,
        *,
        clock: Clock,
        circumstances: Circumstances | None = None,
        targets: Sequence[Target] = (),
        events: Sequence[Event] = (),
        calibrations: Mapping[Eye, Calibration] | None = None,
        images: ImagesKept = "jpeg",
        tracker_factory: Callable[[], EyeTracker] = Tracker,
        rule: SpaceRule | None = None,
    ) -> None:
        """Take what is needed; nothing is touched before the start.

        Args:
            profile: cameras and eyes.
            sources: by the identity of their camera in the profile; a camera without one is left out.
            data_folder: where the recording's own folder is made, under a random name.
            clock: gives the UTC of the recording.
            circumstances: what the sealed file says beside the samples; None states nothing.
            targets: what the patient looked at.
            events: steps of the test, notes.
            calibrations: from an earlier recording; else one is made from the targets.
            images: "jpeg" (the camera's own bytes, else quality 90), "lossless", or "none".
            tracker_factory: makes one tracker for each eye.
            rule: of the room on the disk; None is the usual one.
        """
        self._profile, self._data_folder = profile, data_folder
        self._clock, self._circumstances, self._rule = (
            clock,
            circumstances or Circumstances(),
            rule or SpaceRule(),
        )
        self._tracker_factory = tracker_factory
        self._first_rows: list[Target | Event] = [*targets, *events]
        self._calibrations: dict[Eye, bytes] = {
            eye: msgspec.json.encode(made) for eye, made in (calibrations or {}).items()
        }
        self._keeping = Keeping(images)
        self._cameras = self._threads_of(sources)
        self._recording: OneRecording | None = None

    @property
    def folder(self) -> Path | None:
        """Of the recording; None before the start."""
        return None if self._recording is None else self._recording.folder

    def run(
        self,
        progress: Callable[[int, int | None], None] | None = None,
        sealing: Callable[[str], None] | None = None,
    ) -> Path:
        """Record until every source ends, seal, return the folder. Ctrl-C ends it early and loses nothing.

        `progress` is called ten times a second with the frames done and all of them (None: unknown),
        `sealing` with each step of sealing. Raises StorageError, RecordingError or UnsealedError.
        """
        self.start()
        try:
            while not self.wait(0.1):
                if progress is not None:
                    progress(*self.frames())
        except BaseException as error:
            self.stop(
                "stopped by the operator" if isinstance(error, KeyboardInterrupt) else "the program failed"
            )
            folder = self.finish(sealing)
            if isinstance(error, KeyboardInterrupt):
                return folder
            raise
        if progress is not None:
            progress(*self.frames())
        return self.finish(sealing)

    def start(self) -> None:
        """Make the folder and the journal, then let the threads go.

        Raises StorageError for the disk, RecordingError for sources that do not fit the profile.
        """
        try:
            recording = self._recording = self._prepare()
            for row in self._first_rows:
                recording.put(row)
            for camera in self._cameras:
                camera.attach(recording.recipient(self._keeping))
            for camera in self._cameras:
                camera.start()
        except BaseException:  # Ctrl-C too: kernels may be compiling
            self._give_up()
            raise

    def mark(self, what: Target | Event) -> None:
        """Add a target or event while recording, in the sources' host time. RecordingError after the end."""
        self._running().put(what)

    def stop(self, reason: str) -> None:
        """Ask all threads to end after their present frame. A file that had more is then incomplete."""
        if self._stop_all():
            self._running().break_off(reason)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until everything is in the journal; whether that is so."""
        return self._running().journal.wait(timeout_s)

    def finish(self, sealing: Callable[[str], None] | None = None) -> Path:
        """Wait for the end and seal in a child process; returns the folder.

        Raises StorageError, UnsealedError or RecordingError; each says where what came before is safe.
        """
        recording = self._running()
        recording.journal.wait()
        for camera in self._cameras:
            camera.join()
        return recording.finish(sealing)

    def frames(self) -> tuple[int, int | None]:
        """Pictures tracked so far, all eyes together, and how many there will be (None: nobody knows)."""
        expected = [camera.expected for camera in self._cameras]
        known = [count for count in expected if count is not None]
        return sum(camera.tracked for camera in self._cameras), sum(known) if len(known) == len(
            expected
        ) else None

    def _threads_of(self, sources: Mapping[str, Source]) -> list[CameraThreads]:
        strangers([camera.identity for camera in self._profile.cameras], sources, self._profile.name)
        return [
            CameraThreads(camera, place, sources[camera.identity], tracker_factory=self._tracker_factory)
            for place, camera in enumerate(self._profile.cameras)
            if camera.identity in sources
        ]

    def _prepare(self) -> OneRecording:
        refuse_without_locking()
        check_clocks(self._cameras)
        for camera in self._cameras:
            check_regions(camera)
        open_data_folder(self._data_folder)
        infos = [(camera.source.info, len(camera.camera.views)) for camera in self._cameras]
        check_space(self._data_folder, expected_bytes(infos, self._keeping.images, self._rule), self._rule)
        if self._tracker_factory is Tracker:
            warm_up()
        return OneRecording(
            self._data_folder,
            self._opening,
            self._calibrations,
            producers=sum(camera.producers for camera in self._cameras),
            rule=self._rule,
            failed=self._stop_all,
        )

    def _give_up(self) -> None:
        """Before anything was recorded: leave no thread and no open file."""
        for camera in self._cameras:
            camera.stop()
            camera.source.close()
        if self._recording is not None:
            self._recording.give_up()

    def _opening(self, identity: str) -> Opening:
        return Opening(
            id=identity,
            made_utc=self._clock.utc().isoformat(timespec="seconds"),
            software=software(),
            clock=type(self._clock).__name__,
            circumstances=self._circumstances,
            profile=self._profile,
            eyes=tuple(source for camera in self._cameras for source in eye_sources(camera, self._keeping)),
            images=self._keeping.images,
        )

    def _stop_all(self) -> bool:
        """Whether that leaves out something that a source still had."""
        stopped = [camera.stop() for camera in self._cameras]
        return any(stopped)

    def _running(self) -> OneRecording:
        if self._recording is None:
            raise RecordingError("The recording has not been started.")
        return self._recording
