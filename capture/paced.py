"""A file or simulated patient delivered in real time, as a camera would.

Each picture is due at the time that its own source gives it, counted from the first. A late reader finds
the frames that a driver's buffers would still hold, and a jump of the number for the others.
"""

from __future__ import annotations

import math

from capture.clock import Clock
from capture.closing import Closing
from capture.live import AS_IT_IS, CameraSettings, SettingsReport
from capture.pose import Posable, Pose
from capture.samples import Frame
from capture.source import Source, SourceInfo

LONGEST_NAP_S = 0.05  # a wait is cut up, so that a close is heard
KEPT_S = 0.5  # pictures that wait longer for their reader are lost


class PacedSource:
    """A source by the clock. `time_s` is when a picture was due; its source's own time is `device_time_s`."""

    def __init__(
        self, source: Source, clock: Clock, *, kept_s: float = KEPT_S, same_clock: bool = False
    ) -> None:
        """Owns `source` from now on. `same_clock`: its times are the clock's already, else its first is now.

        Two sources before one patient must be of the same clock, else the eyes part by what their starts do.
        """
        self._source, self._clock, self._kept_s = source, clock, kept_s
        self.due_s = -math.inf  # of the picture that is waited for; infinity: there is none any more
        self._closing = Closing(source.close)
        self._shift_s = 0.0 if same_clock else None  # from the source's times to the host's
        self._new_picture_s = clock.now_s()
        info = source.info
        self.info = SourceInfo(
            info.name, info.width_px, info.height_px, info.nominal_rate_hz, "measured", info.frame_count
        )
        self.settings = SettingsReport(
            AS_IT_IS, CameraSettings(info.width_px, info.height_px, info.nominal_rate_hz or None)
        )

    def read(self) -> Frame | None:
        """Wait until the next picture is due; None at the end of the source or after `close`.

        Raises SourceError as the source does.
        """
        with self._closing.reading():
            while not self._closing.closed and (frame := self._source.read()) is not None:
                self.due_s = due_s = self._due(frame)
                if self._clock.now_s() - due_s <= self._kept_s:
                    return self._deliver(frame, due_s)
            self.due_s = math.inf
        return None

    def close(self) -> None:
        """Let go of the source, from any thread."""
        self._closing.close()

    def pose(self, pose: Pose, now_s: float) -> None:
        """Tell the source's patient, where it has one, in its own time; before the first picture, at once."""
        if isinstance(self._source, Posable):
            self._source.pose(pose, -math.inf if self._shift_s is None else now_s - self._shift_s)

    def silence_s(self) -> float:
        """Seconds since the last new picture."""
        return self._clock.now_s() - self._new_picture_s

    def _due(self, frame: Frame) -> float:
        if self._shift_s is None:
            self._shift_s = self._clock.now_s() - frame.time_s
        return frame.time_s + self._shift_s

    def _deliver(self, frame: Frame, due_s: float) -> Frame | None:
        while (left_s := due_s - self._clock.now_s()) > 0:
            self._clock.sleep(min(left_s, LONGEST_NAP_S))
            if self._closing.closed:
                return None
        if not frame.repeated:
            self._new_picture_s = self._clock.now_s()
        return frame._replace(time_s=due_s, device_time_s=frame.time_s)
