"""From sources to a sealed recording: one thread a camera, one an eye, one for the journal.

    source -> [camera thread] -> bytes of the picture ---------> [journal thread] -> journal.sqlite
                     |                                                  ^
                     +-> frames -> [eye thread: tracker] -> samples ----+

Every queue is bounded; who is faster waits for the next one, so that a file loses nothing. The journal thread
ends last and by itself, when all others have ended; then a child process seals.
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
from recordings.camera_threads import CameraThreads, EyeTracker
from recordings.errors import RecordingError, StorageError
from recordings.event import Event
from recordings.info import Circumstances, Ending, EyeSource, ImagesKept, Opening, software
from recordings.journal_thread import JournalThread, Row
from recordings.layout import refuse_without_locking
from recordings.sealing_process import seal_in_child
from recordings.source_checks import check_clocks, check_regions
from recordings.space import SpaceRule, check_space, expected_bytes, make_folder, open_data_folder


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
        self._images: ImagesKept = images
        self._tracker_factory = tracker_factory
        self._first_rows: list[Target | Event] = [*targets, *events]
        self._calibrations: dict[Eye, bytes] = {
            eye: msgspec.json.encode(made) for eye, made in (calibrations or {}).items()
        }
        self._cameras = self._threads_of(sources)
        self._broken_off: list[str] = []  # why the recording is not complete
        self._failure: Exception | None = None
        self._journal: JournalThread | None = None
        self.folder: Path | None = None

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
            self.folder = self._prepare()
            for row in self._first_rows:
                self._put(row)
            for camera in self._cameras:
                camera.start()
        except BaseException:  # Ctrl-C too: kernels may be compiling
            self._give_up()
            raise

    def mark(self, what: Target | Event) -> None:
        """Add a target or event while recording, in the sources' host time. RecordingError after the end."""
        if self._running().wait(0):
            raise RecordingError("The recording has ended, so nothing can be marked in it.")
        self._put(what)

    def stop(self, reason: str) -> None:
        """Ask all threads to end after their present frame. A file that had more is then incomplete."""
        if self._stop_all():
            self._broken_off.append(reason)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until everything is in the journal; whether that is so."""
        return self._running().wait(timeout_s)

    def finish(self, sealing: Callable[[str], None] | None = None) -> Path:
        """Wait for the end and seal in a child process; returns the folder.

        Raises StorageError, UnsealedError or RecordingError; each says where what came before is safe.
        """
        journal, folder = self._running(), self.folder
        assert folder is not None
        journal.wait()
        for camera in self._cameras:
            camera.join()
        if journal.error is not None:
            raise StorageError(
                f"The disk stopped taking samples ({journal.error}). What came before is safe in {folder}. "
                "Free some space; it is sealed at the next start."
            ) from journal.error
        seal_in_child(folder, sealing)
        if self._failure is not None:
            raise RecordingError(
                f"The recording broke off ({self._failure}). What came before is sealed in {folder}."
            ) from self._failure
        return folder

    def frames(self) -> tuple[int, int | None]:
        """Pictures tracked so far, all eyes together, and how many there will be (None: nobody knows)."""
        expected = [camera.expected for camera in self._cameras]
        known = [count for count in expected if count is not None]
        return sum(camera.tracked for camera in self._cameras), sum(known) if len(known) == len(
            expected
        ) else None

    @property
    def ending(self) -> Ending:
        """How the recording ended so far: complete, or why not."""
        return Ending(not self._broken_off, "; ".join(self._broken_off))

    def _threads_of(self, sources: Mapping[str, Source]) -> list[CameraThreads]:
        made = []
        for place, camera in enumerate(self._profile.cameras):
            if camera.identity in sources:
                threads = CameraThreads(
                    camera,
                    place,
                    sources[camera.identity],
                    self._images,
                    tracker_factory=self._tracker_factory,
                    put=self._put,
                    broken_off=self._note_broken_off,
                )
                made.append(threads)
        strangers = sorted(set(sources) - {camera.identity for camera in self._profile.cameras})
        if strangers or not made:
            raise RecordingError(
                f"The profile {self._profile.name!r} has no camera for {strangers or 'any source'}."
            )
        return made

    def _prepare(self) -> Path:
        refuse_without_locking()
        check_clocks(self._cameras)
        for camera in self._cameras:
            check_regions(camera)
        open_data_folder(self._data_folder)
        infos = [(camera.source.info, len(camera.camera.views)) for camera in self._cameras]
        check_space(self._data_folder, expected_bytes(infos, self._images, self._rule), self._rule)
        if self._tracker_factory is Tracker:
            warm_up()
        folder = make_folder(self._data_folder)
        self._journal = JournalThread(
            folder,
            self._opening(folder.name),
            self._calibrations,
            producers=sum(camera.producers for camera in self._cameras),
            ending=lambda: self.ending,
            in_trouble=self._note_disk_trouble,
            rule=self._rule,
        )
        self._journal.start()
        return folder

    def _give_up(self) -> None:
        """Before anything was recorded: leave no thread and no open file."""
        for camera in self._cameras:
            camera.stop()
            camera.source.close()
        if self._journal is not None:
            self._journal.give_up()

    def _opening(self, identity: str) -> Opening:
        return Opening(
            id=identity,
            made_utc=self._clock.utc().isoformat(timespec="seconds"),
            software=software(),
            clock=type(self._clock).__name__,
            circumstances=self._circumstances,
            profile=self._profile,
            eyes=tuple(source for camera in self._cameras for source in eye_sources(camera)),
            images=self._images,
        )

    def _note_broken_off(self, reason: str, failure: Exception | None) -> None:
        """One stream ended too early: the others go on, unless the program itself is at fault."""
        self._broken_off.append(reason)
        if failure is not None:
            self._failure = failure
            self._stop_all()

    def _note_disk_trouble(self, reason: str) -> None:
        if reason not in self._broken_off:
            self._broken_off.append(reason)
        self._stop_all()

    def _stop_all(self) -> bool:
        """Whether that leaves out something that a source still had."""
        stopped = [camera.stop() for camera in self._cameras]
        return any(stopped)

    def _put(self, row: Row | None) -> None:
        self._running().put(row)

    def _running(self) -> JournalThread:
        if self._journal is None:
            raise RecordingError("The recording has not been started.")
        return self._journal


def eye_sources(threads: CameraThreads) -> list[EyeSource]:
    """Where the samples of each eye of a camera come from."""
    info, identity = threads.source.info, threads.camera.identity
    return [
        EyeSource(
            view.eye, identity, info.name, info.width_px, info.height_px, info.nominal_rate_hz, info.times
        )
        for view in threads.camera.views
    ]
