"""The threads of one camera: one that reads, and one for each eye in its picture that tracks.

They may run before, between and after recordings: rows go to the recording that is attached when a frame
arrives, and to none where none is. A file waits for its trackers. A camera cannot: while an eye is too far
behind, its frames go on without their pictures and become samples without a pupil, which is counted.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from capture.errors import CameraLost, FormatRefused, SourceError
from capture.paced import PacedSource
from capture.profile import CameraProfile, EyeView
from capture.samples import NAN, NO_PUPIL, Eye, Frame, Tracked
from capture.source import Source
from recordings.bounded_queue import BoundedQueue
from recordings.camera_watch import CameraWatch, look_at
from recordings.event import Event
from recordings.handing import EyeTracker, Handed, Nobody, Onlooker, Recipient
from recordings.images_file import kept_bytes
from recordings.iris_reference import IrisReference
from recordings.journal import ImageRow, pack_sample
from recordings.journal_thread import END

log = logging.getLogger(__name__)

NOT_TRACKED = Tracked(NO_PUPIL, NAN, 0.0)
FILE_FRAMES = 32  # that wait between a file and an eye; then the file waits
LIVE_BYTES = 64 << 20  # of pictures between a camera and an eye: 3.5 s of 320x240 at 250/s
LIVE_FRAMES = 1 << 16
SHOWN_FRAMES = 8  # that wait while nothing is recorded: then only the newest count
NO_PICTURE = np.zeros((0, 0), np.uint8)
NO_PICTURE.setflags(write=False)


class CameraThreads:
    """Reads one source to its end and hands on pictures and samples."""

    def __init__(
        self,
        camera: CameraProfile,
        place: int,
        source: Source,
        *,
        tracker_factory: Callable[[], EyeTracker],
        watch: CameraWatch | None = None,
        onlooker: Onlooker | None = None,
    ) -> None:
        """`watch` makes it a live camera, which is never made to wait."""
        self.camera, self.source, self.place, self.watch = camera, source, place, watch
        self.problem = ""  # why the source ended, in full: for the screen, never for a file
        self._onlooker: Onlooker = onlooker or Nobody()
        self._eyes: tuple[Eye, ...] = tuple(view.eye for view in camera.views)
        self._tracker_factory = tracker_factory
        self._recipient: Recipient | None = None
        self._handing = threading.Lock()  # a frame goes to one recording as a whole
        self._stopping = threading.Event()
        self._at_end = False
        self._trackers = [tracker_factory() for _ in camera.views]
        self.references = [IrisReference() for _ in camera.views]
        self._queued, self._done = [0 for _ in camera.views], [0 for _ in camera.views]
        self.untracked = [0 for _ in camera.views]
        limits = (LIVE_BYTES, LIVE_FRAMES) if watch else (LIVE_BYTES, FILE_FRAMES)
        self._queues: list[BoundedQueue[Handed]] = [BoundedQueue(*limits) for _ in camera.views]
        name, live = f"camera-{camera.identity}", watch is not None
        self._threads = [threading.Thread(target=self._read, name=name, daemon=live)]
        for i, view in enumerate(camera.views):
            self._threads.append(threading.Thread(target=self._track, args=(i,), name=f"eye-{view.eye}"))

    @property
    def producers(self) -> int:
        """How many ENDs a recording will get."""
        return len(self._threads)

    @property
    def tracked(self) -> int:
        """Pictures tracked so far, all its eyes together."""
        return sum(self._done)

    @property
    def waiting(self) -> int:
        """Frames that wait for an eye."""
        return sum(len(frames) for frames in self._queues)

    @property
    def due_s(self) -> float:
        """When the next picture is due; infinity for a camera that tells nobody."""
        source = self.source
        return source.due_s if isinstance(source, PacedSource) and not self._at_end else math.inf

    @property
    def at_rest(self) -> bool:
        """Whether every frame that was read is tracked."""
        return self._queued == self._done

    @property
    def expected(self) -> int | None:
        """Pictures to track, all its eyes together; None where the source has no end."""
        count = self.source.info.frame_count
        return None if count is None else count * len(self.camera.views)

    def start(self) -> None:
        """Let the threads go."""
        for thread in self._threads:
            thread.start()

    def attach(self, recipient: Recipient) -> None:
        """Send the rows of every further frame to a recording; to nobody where the source has ended."""
        with self._handing:
            if self._at_end or self._stopping.is_set():
                for _ in self._threads:
                    recipient.put(END)
            else:
                self._recipient = recipient

    def detach(self) -> None:
        """End the recording for this camera: its frames so far are still tracked. Never waits for a read."""
        with self._handing:
            recipient, self._recipient = self._recipient, None
            if recipient is not None:
                for frames in self._queues:
                    frames.put(Handed(None, recipient))
                recipient.put(END)

    def stop(self) -> bool:
        """End after the present frame; whether that leaves out something that the source still had."""
        self._stopping.set()
        return not self._at_end and self.source.info.frame_count is not None

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the threads; whether all have ended."""
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(timeout_s)
        return not any(thread.is_alive() for thread in self._threads)

    def abandon(self) -> None:
        """Let the eyes' threads end although the camera's own never returns from its driver."""
        self._end_eyes()

    def _end_eyes(self) -> None:
        for frames in self._queues:
            frames.put(Handed(None, None))

    def _read(self) -> None:
        try:
            while not self._stopping.is_set():
                frame = self._next()
                if frame is None:
                    self._at_end = True
                    break
                self._hand_on(frame)
        except SourceError as error:
            self._at_end = True
            self.problem = str(error)
            self._break_off(f"{self.camera.identity} {_what_happened(error)}", None)
        except Exception as error:
            self.problem = str(error)
            log.exception("reading failed")
            self._break_off(f"reading failed ({type(error).__name__})", error)
        finally:
            self._end()

    def _next(self) -> Frame | None:
        """The next frame; a live camera that is away is waited for as long as it takes."""
        while True:
            try:
                frame = self.source.read()
                self.problem = ""
                return frame
            except CameraLost as error:
                self.problem = str(error)
                if self.watch is None or self._stopping.is_set():
                    raise

    def _end(self) -> None:
        self._at_end = True
        if self.watch is not None:
            self.watch.ended = True
        self.source.close()
        self.detach()
        self._end_eyes()

    def _hand_on(self, frame: Frame) -> None:
        with self._handing:
            recipient = self._recipient
            for i, frames in enumerate(self._queues):
                self._queue(frames, i, Handed(frame, recipient))
            if recipient is not None and recipient.keeping.images != "none":
                keeping = recipient.keeping
                data = kept_bytes(frame, keeping.images, keeping.quality, keeping.crop_px)
                recipient.put(ImageRow(self.place, frame.number, data))
        self._onlooker.picture(self._eyes, frame)
        silence_s = self.watch.saw(frame) if self.watch else 0.0
        if silence_s and recipient is not None:
            text = f"nothing came from {self.camera.identity} for {silence_s:.1f} s"
            recipient.put(Event(frame.time_s - silence_s, frame.time_s, "note", text))

    def _queue(self, frames: BoundedQueue[Handed], i: int, handed: Handed) -> None:
        assert handed.frame is not None
        size = handed.frame.image.nbytes
        if self.watch is None:
            frames.put(handed, size)
        elif handed.recipient is None:
            if len(frames) >= SHOWN_FRAMES or not frames.offer(handed, size):
                return
        elif not frames.offer(handed, size):
            self.untracked[i] += 1
            frames.put(handed._replace(frame=handed.frame._replace(image=NO_PICTURE, encoded=None)))
        self._queued[i] += 1

    def _break_off(self, reason: str, failure: Exception | None) -> None:
        with self._handing:
            recipient = self._recipient
        if recipient is not None:
            recipient.broken_off(reason, failure)

    def _track(self, i: int) -> None:
        recipient: Recipient | None = None
        failed, untracked = 0, 0
        while True:
            (handed,) = self._queues[i].take(1)
            if handed.frame is None and handed.recipient is None:
                return
            if handed.frame is None:
                self._tell_untracked(i, recipient := handed.recipient, failed, untracked)
                continue
            if handed.recipient is not recipient and handed.recipient is not None:
                recipient, failed, untracked = handed.recipient, 0, 0
            if handed.recipient is None and self._stopping.is_set():
                continue
            tracked, fault = self._track_frame(i, handed.frame)
            failed += fault
            self.references[i].saw(handed.frame.time_s, tracked)
            if handed.recipient is None and not self.references[i].serves:
                self._renew(i)
            untracked += not handed.frame.image.size
            self._give(i, handed, tracked)

    def _renew(self, i: int) -> None:
        """A new tracker for an eye, and with it a new iris reference."""
        self._trackers[i] = self._tracker_factory()
        self.references[i].begin()

    def _give(self, i: int, handed: Handed, tracked: Tracked) -> None:
        assert handed.frame is not None
        row = pack_sample(self._eyes[i], handed.frame, tracked)
        self._onlooker.sample(row, recorded=handed.recipient is not None)
        if handed.recipient is not None:
            handed.recipient.put(row)
        if self.watch is not None:
            self.watch.looks[i].append(look_at(handed.frame, tracked))
        self._done[i] += 1

    def _tell_untracked(self, i: int, recipient: Recipient | None, failed: int, untracked: int) -> None:
        assert recipient is not None
        if failed:
            recipient.broken_off(f"tracking the {self._eyes[i]} eye failed in {failed} frames", None)
        if untracked:
            text = f"the computer was too slow to track the {self._eyes[i]} eye in {untracked} frames"
            recipient.broken_off(text, None)
        recipient.put(END)

    def _track_frame(self, i: int, frame: Frame) -> tuple[Tracked, bool]:
        """A frame that the tracker cannot take is a frame without a pupil, not the end of the recording."""
        if not frame.image.size:
            return NOT_TRACKED, False
        try:
            return track_view(self._trackers[i], self.camera.views[i], frame.image), False
        except Exception:
            log.exception("tracking the %s eye failed at frame %d", self._eyes[i], frame.number)
            self._renew(i)
            return NOT_TRACKED, True


def _what_happened(error: SourceError) -> str:
    """In words without any name: the text of the error may hold a path or an address."""
    if isinstance(error, CameraLost):
        return "went away and did not come back"
    if isinstance(error, FormatRefused):
        return "sent pictures that cannot be used"
    return "could not be read to its end"


def track_view(tracker: EyeTracker, view: EyeView, image: NDArray[np.uint8]) -> Tracked:
    """Track the eye's part of a picture; the result is in pixels of the full picture as delivered."""
    if view.region_px is None:
        return tracker.track(image)
    x, y, width, height = view.region_px
    part = np.ascontiguousarray(image[y : y + height, x : x + width])
    part.setflags(write=False)
    found = tracker.track(part)
    pupil = found.pupil._replace(x_px=found.pupil.x_px + x, y_px=found.pupil.y_px + y)
    return found._replace(pupil=pupil, glint_x_px=found.glint_x_px + x, glint_y_px=found.glint_y_px + y)
