"""The threads of one camera: one that reads, and one for each eye in its picture that tracks."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from capture.errors import SourceError
from capture.profile import CameraProfile, EyeView
from capture.samples import NAN, NO_PUPIL, Frame, Tracked
from capture.source import Source
from recordings.images_file import kept_bytes
from recordings.info import ImagesKept
from recordings.journal import ImageRow, pack_sample
from recordings.journal_thread import END, Row

log = logging.getLogger(__name__)

NOT_TRACKED = Tracked(NO_PUPIL, NAN, 0.0)
WAITING_FRAMES = 32  # a queue's length between the camera and an eye; then the camera waits


class EyeTracker(Protocol):
    """What a recorder needs of a tracker; one an eye, used by one thread."""

    def track(self, image: NDArray[np.uint8]) -> Tracked:
        """Find the pupil and the rotation of the iris in one picture, in its own pixels."""
        ...


class CameraThreads:
    """Reads one source to its end and hands on pictures and samples."""

    def __init__(
        self,
        camera: CameraProfile,
        place: int,
        source: Source,
        images: ImagesKept,
        *,
        tracker_factory: Callable[[], EyeTracker],
        put: Callable[[Row | None], None],
        broken_off: Callable[[str, Exception | None], None],
    ) -> None:
        """`put` takes rows and one END from each thread; `broken_off` is told why a stream ended early."""
        self.camera, self.source = camera, source
        self._place = place
        self._images: ImagesKept = images
        self._tracker_factory, self._put, self._broken_off = tracker_factory, put, broken_off
        self._stopping = threading.Event()
        self._at_end = False
        self._trackers = [tracker_factory() for _ in camera.views]
        self._done = [0 for _ in camera.views]
        self._queues: list[queue.Queue[Frame | None]] = [queue.Queue(WAITING_FRAMES) for _ in camera.views]
        self._threads = [threading.Thread(target=self._read, name=f"camera-{camera.identity}")]
        for i, view in enumerate(camera.views):
            self._threads.append(threading.Thread(target=self._track, args=(i,), name=f"eye-{view.eye}"))

    @property
    def producers(self) -> int:
        """How many ENDs will come."""
        return len(self._threads)

    @property
    def tracked(self) -> int:
        """Pictures tracked so far, all its eyes together."""
        return sum(self._done)

    @property
    def expected(self) -> int | None:
        """Pictures to track, all its eyes together; None where the source has no end."""
        count = self.source.info.frame_count
        return None if count is None else count * len(self.camera.views)

    def start(self) -> None:
        """Let the threads go."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> bool:
        """End after the present frame; whether that leaves out something that the source still had."""
        self._stopping.set()
        return not self._at_end and self.source.info.frame_count is not None

    def join(self) -> None:
        """Wait for the threads."""
        for thread in self._threads:
            thread.join()

    def _read(self) -> None:
        try:
            while not self._stopping.is_set():
                frame = self.source.read()
                if frame is None:
                    self._at_end = True
                    break
                if self._images != "none":
                    self._put(ImageRow(self._place, frame.number, kept_bytes(frame, self._images)))
                for frames in self._queues:
                    frames.put(frame)
        except SourceError as error:
            self._at_end = True
            self._broken_off(str(error), None)
        except Exception as error:
            self._broken_off(f"reading failed ({error})", error)
        finally:
            self.source.close()
            for frames in self._queues:
                frames.put(None)
            self._put(END)

    def _track(self, i: int) -> None:
        eye, failed = self.camera.views[i].eye, 0
        try:
            while (frame := self._queues[i].get()) is not None:
                tracked = self._track_frame(i, frame)
                failed += tracked is NOT_TRACKED
                self._put(pack_sample(eye, frame, tracked))
                self._done[i] += 1
        finally:
            if failed:
                self._broken_off(f"tracking the {eye} eye failed in {failed} frames", None)
            self._put(END)

    def _track_frame(self, i: int, frame: Frame) -> Tracked:
        """A frame that the tracker cannot take is a frame without a pupil, not the end of the recording."""
        view = self.camera.views[i]
        try:
            return track_view(self._trackers[i], view, frame.image)
        except Exception:
            log.exception("tracking the %s eye failed at frame %d", view.eye, frame.number)
            self._trackers[i] = self._tracker_factory()
            return NOT_TRACKED


def track_view(tracker: EyeTracker, view: EyeView, image: NDArray[np.uint8]) -> Tracked:
    """Track the eye's part of a picture; the result is in pixels of the full picture as delivered."""
    if view.region_px is None:
        return tracker.track(image)
    x, y, width, height = view.region_px
    part = np.ascontiguousarray(image[y : y + height, x : x + width])
    part.setflags(write=False)
    found = tracker.track(part)
    return found._replace(pupil=found.pupil._replace(x_px=found.pupil.x_px + x, y_px=found.pupil.y_px + y))
