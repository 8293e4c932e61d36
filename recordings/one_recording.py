"""One recording from its folder to its seal, whoever fills it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from capture.samples import Eye
from recordings.camera_threads import CameraThreads
from recordings.errors import RecordingError, StorageError
from recordings.handing import Keeping, Recipient
from recordings.info import Ending, EyeSource, Opening
from recordings.journal_thread import FILE_QUEUE, Committed, JournalThread, QueueRule, Row
from recordings.owner import Owner
from recordings.sealing_process import seal_in_child
from recordings.space import SpaceRule, make_folder


class OneRecording:
    """Folder, owner and journal. `failed` is told when the disk or a thread is at fault, from its thread."""

    def __init__(
        self,
        data_folder: Path,
        opening: Callable[[str], Opening],
        calibrations: Mapping[Eye, bytes],
        *,
        producers: int,
        rule: SpaceRule,
        failed: Callable[[], object],
        queue_rule: QueueRule = FILE_QUEUE,
        on_commit: Callable[[Committed], None] = lambda committed: None,
    ) -> None:
        """Make the folder and the journal in it. Raises StorageError."""
        self._failed = failed
        self.broken_off: list[str] = []  # why the recording is not complete
        self._failure: Exception | None = None
        self.folder = make_folder(data_folder)
        try:
            self._owner = Owner(self.folder)
        except OSError as error:
            raise StorageError(
                f"No recording can be made in {self.folder} ({error.strerror}). Nothing was recorded."
            ) from error
        self.opening = opening(self.folder.name)
        self.journal = JournalThread(
            self.folder,
            self.opening,
            calibrations,
            producers=producers,
            ending=lambda: self.ending,
            in_trouble=self._note_disk_trouble,
            rule=rule,
            queue_rule=queue_rule,
            on_commit=on_commit,
        )
        try:
            self.journal.start()
        except BaseException:
            self._owner.release()
            raise

    @property
    def ending(self) -> Ending:
        """How the recording ended so far: complete, or why not."""
        return Ending(not self.broken_off, "; ".join(self.broken_off))

    def recipient(self, keeping: Keeping) -> Recipient:
        """What a camera's threads are given."""
        return Recipient(self.journal.put, self._note_broken_off, keeping)

    def put(self, row: Row) -> None:
        """Add a target or event. RecordingError after the end."""
        if self.journal.wait(0):
            raise RecordingError("The recording has ended, so nothing can be marked in it.")
        self.journal.put(row)

    def break_off(self, reason: str) -> None:
        """Say why the recording is not complete."""
        if reason not in self.broken_off:
            self.broken_off.append(reason)

    def give_up(self) -> None:
        """Before anything was recorded: leave no thread and no open file."""
        self.journal.give_up()
        self._owner.release()

    def finish(self, sealing: Callable[[str], None] | None = None, *, behind: bool = False) -> Path:
        """Wait for the end and seal in a child process; returns the folder.

        `behind`: something else is being recorded meanwhile, so the child takes what time is left over.
        Raises StorageError, UnsealedError or RecordingError; each says where what came before is safe.
        """
        try:
            self.journal.wait()
            self.check_journal()
            seal_in_child(self.folder, sealing, behind=behind)
        finally:
            self._owner.release()
        if self._failure is not None:
            raise RecordingError(
                f"The recording broke off ({self._failure}). What came before is sealed in {self.folder}."
            ) from self._failure
        return self.folder

    def check_journal(self) -> None:
        """Raise StorageError where the disk stopped taking samples."""
        if self.journal.error is not None:
            raise StorageError(
                f"The disk stopped taking samples ({self.journal.error}). What came before is safe in "
                f"{self.folder}. Free some space; it is sealed at the next start."
            ) from self.journal.error

    def _note_broken_off(self, reason: str, failure: Exception | None) -> None:
        """One stream ended too early: the others go on, unless the program itself is at fault."""
        self.break_off(reason)
        if failure is not None:
            self._failure = failure
            self._failed()

    def _note_disk_trouble(self, reason: str) -> None:
        self.break_off(reason)
        self._failed()


def eye_sources(
    threads: CameraThreads, keeping: Keeping, exposure_ms: float | None = None
) -> list[EyeSource]:
    """Where the samples of each eye of a camera come from."""
    info, identity = threads.source.info, threads.camera.identity
    return [
        EyeSource(
            view.eye,
            identity,
            info.name,
            info.width_px,
            info.height_px,
            info.nominal_rate_hz,
            info.times,
            exposure_ms,
            keeping.crop_px,
        )
        for view in threads.camera.views
    ]


def strangers(identities: Sequence[str], sources: Mapping[str, object], profile_name: str) -> None:
    """Raise RecordingError for a source that no camera of the profile gives, or for none at all."""
    unknown = sorted(set(sources) - set(identities))
    if unknown or not sources:
        raise RecordingError(f"The profile {profile_name!r} has no camera for {unknown or 'any source'}.")
