"""What one camera does right now: its rate, its silence, what was lost, and what each eye shows."""

from __future__ import annotations

from collections import deque
from typing import Literal, NamedTuple

from capture.clock import Clock
from capture.live import SIGNAL_LOST_S
from capture.rate import RateMeter, RateReport
from capture.samples import NAN, Frame, Tracked

Signal = Literal["good", "frozen", "silent", "ended"]  # copies of one picture; none at all; no more to come

REMEMBERED_LOOKS = 5000  # 20 s at 250 pictures/s
BRIGHTNESS_STEP = 8  # every eighth pixel a side is enough for a mean


class Look(NamedTuple):
    """One frame of one eye: whether its pupil is there, and how bright its picture is."""

    time_s: float
    brightness: float  # mean grey level
    x_px: float  # of the pupil, in the full picture; NaN: none
    y_px: float
    major_px: float

    @property
    def pupil(self) -> bool:
        """Whether there is one."""
        return self.x_px == self.x_px


def look_at(frame: Frame, tracked: Tracked) -> Look:
    """What a frame shows of an eye."""
    grey = frame.image[::BRIGHTNESS_STEP, ::BRIGHTNESS_STEP]
    pupil = tracked.pupil
    brightness = float(grey.mean()) if grey.size else NAN
    return Look(frame.time_s, brightness, pupil.x_px, pupil.y_px, pupil.major_px)


class CameraWatch:
    """Written by the camera's own thread, read by any."""

    def __init__(self, clock: Clock, said_hz: float, exposure_ms: float | None, eyes: int) -> None:
        self._clock = clock
        self._meter = RateMeter(said_hz, exposure_ms)
        self._first: int | None = None
        self._last: Frame | None = None
        self._frame_s = self._picture_s = clock.now_s()
        self.rate: RateReport | None = None
        self.frames = self.lost = self.repeated = 0
        self.ended = False
        self.looks: list[deque[Look]] = [deque(maxlen=REMEMBERED_LOOKS) for _ in range(eyes)]

    def saw(self, frame: Frame) -> float:
        """Count a frame; seconds of silence before it where the signal had been lost, else 0."""
        now_s = self._clock.now_s()
        silence_s, self._frame_s = now_s - self._frame_s, now_s
        if not frame.repeated:
            self._picture_s = now_s
        if self._last is not None:
            self.lost += frame.number - self._last.number - 1
        else:
            silence_s = 0.0
        self._last = frame._replace(encoded=None)
        self.frames += 1
        self.repeated += frame.repeated
        self.rate = self._meter.add(frame) or self.rate
        return silence_s if silence_s > SIGNAL_LOST_S else 0.0

    def silence_s(self) -> float:
        """Seconds since the last new picture."""
        return self._clock.now_s() - self._picture_s

    def signal(self) -> Signal:
        """Whether new pictures come."""
        if self.ended:
            return "ended"
        now_s = self._clock.now_s()
        if now_s - self._frame_s > SIGNAL_LOST_S:
            return "silent"
        return "frozen" if now_s - self._picture_s > SIGNAL_LOST_S else "good"
