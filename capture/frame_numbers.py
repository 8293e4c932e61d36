"""Numbers of the frames of a live camera, so that a frame that was lost on the way shows as a jump."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from capture.live import SIGNAL_LOST_S
from capture.samples import NAN


@dataclass(frozen=True, slots=True)
class NumberSettings:
    """When a wait means that frames were lost."""

    longest_interval: float = 1.5  # in intervals; clinical.md 3.6: a gap above 1.5 frames is a loss
    remembered: int = 1024  # frames whose mean interval counts
    needed: int = 16  # frames before the camera's clock, or an interval, is believed
    stretched_after: int = 8  # long intervals in a row are no losses: the camera has become slower
    clock_error: float = 0.05  # a camera's clock may run this much off the host's before it is no clock


class FrameNumbers:
    """Counts frames by the best that is known: the sender's own count, the camera's clock, the host's clock.

    By the host's clock alone a short wait proves nothing, as the frame may only have been late. It counts
    when the camera was away, or when nothing at all came for SIGNAL_LOST_S and nothing is waiting behind.
    """

    def __init__(self, rate_hz: float = NAN, settings: NumberSettings = NumberSettings()) -> None:
        self._settings = settings
        self._interval_s = 1 / rate_hz if rate_hz > 0 else NAN
        self._times: deque[tuple[float, float, int]] = deque(maxlen=settings.remembered)
        self._long_in_a_row = 0
        self._sequence: int | None = None
        self._number = -1

    def next(
        self,
        time_s: float,
        device_time_s: float = NAN,
        sequence: int | None = None,
        *,
        away: bool = False,
        more_waiting: bool = False,
        spoiled: int = 0,
    ) -> int:
        """The number of a frame that arrived at `time_s` (host) and was taken at `device_time_s` (camera).

        away: the connection was lost since the last frame. more_waiting: another frame has arrived behind it.
        spoiled: pictures since the last frame that came and could not be used.
        """
        if sequence is not None and self._sequence is not None and sequence > self._sequence:
            self._number += sequence - self._sequence
        else:
            self._number += 1 + max(spoiled, self._lost(time_s, device_time_s, away, more_waiting))
        if away:
            self._times.clear()
        self._times.append((time_s, device_time_s, self._number))
        self._learn_interval()
        self._sequence = sequence
        return self._number

    def _lost(self, time_s: float, device_time_s: float, away: bool, more_waiting: bool) -> int:
        interval_s = self._interval_s
        if not self._times or not interval_s > 0:
            return 0
        gap_s = time_s - self._times[-1][0]
        if not away and self._clock_is_believed() and device_time_s > self._times[-1][1]:
            gap_s = device_time_s - self._times[-1][1]
        elif not away and (more_waiting or gap_s < SIGNAL_LOST_S):
            return 0
        if gap_s <= self._settings.longest_interval * interval_s:
            self._long_in_a_row = 0
            return 0
        self._long_in_a_row += 1
        if self._long_in_a_row < self._settings.stretched_after:
            return round(gap_s / interval_s) - 1
        self._times.clear()
        self._interval_s, self._long_in_a_row = gap_s, 0
        return 0

    def _learn_interval(self) -> None:
        """From the first to the last remembered frame, as bunches and late frames then matter least."""
        if len(self._times) >= self._settings.needed:
            clock = int(self._clock_is_believed())
            first, last = self._times[0], self._times[-1]
            self._interval_s = (last[clock] - first[clock]) / (last[2] - first[2])

    def _clock_is_believed(self) -> bool:
        """Whether the camera's clock has kept step with the host's over the remembered frames."""
        if len(self._times) < self._settings.needed:
            return False
        (host_start, start, _), (host_end, end, _) = self._times[0], self._times[-1]
        allowed_s = self._settings.clock_error * (host_end - host_start)
        return abs((end - start) - (host_end - host_start)) <= allowed_s
