"""How the parts of a live recorder are right now, as values."""

from __future__ import annotations

from recordings.camera_threads import CameraThreads
from recordings.one_recording import OneRecording
from recordings.status import CameraStatus, JournalStatus


def camera_status(threads: CameraThreads) -> CameraStatus:
    """One camera, now."""
    watch = threads.watch
    assert watch is not None
    rate = watch.rate
    return CameraStatus(
        identity=threads.camera.identity,
        eyes=tuple(view.eye for view in threads.camera.views),
        signal=watch.signal(),
        silence_s=watch.silence_s(),
        rate_hz=None if rate is None or not rate.true_hz > 0 else rate.true_hz,
        delivered_hz=None if rate is None or not rate.delivered_hz > 0 else rate.delivered_hz,
        frames=watch.frames,
        lost=watch.lost,
        repeated=watch.repeated,
        untracked=sum(threads.untracked),
        waiting=threads.waiting,
        cautions=() if rate is None else rate.cautions,
        ruled_out=() if rate is None else rate.ruled_out,
        problem=threads.problem,
        stretched=rate is not None and rate.stretched,
    )


def journal_status(recording: OneRecording) -> JournalStatus:
    """The disk's side of a recording, now."""
    journal = recording.journal
    rows, waiting = journal.waiting
    return JournalStatus(
        committed={eye: count for eye, count in journal.committed.samples.items() if count},
        waiting_rows=rows,
        waiting_bytes=waiting,
        unsaved_s=journal.unsaved_s,
        pictures_dropped=journal.dropped,
        free_bytes=journal.free_bytes,
    )
