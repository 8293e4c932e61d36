"""A camera's own clock beside the host's: drift, offset, which is steadier; and two cameras together.

Model: a picture taken at `device_time_s` arrives at host time a + (1 + d) device_time_s + w, where d is the
drift and w >= 0 the wait on the way beyond the least. Drift and offset come from the early arrivals of each
block of frames (those that waited least) and the median of the slopes between blocks (Sen, J Am Stat Assoc
1968;63:1379, from memory), so neither late arrivals nor a few false stamps matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ClockSettings:
    """When a camera's clock is believed."""

    block_s: float = 1.0  # frames of one block; its early arrivals stand for it
    most_blocks: int = 300  # a longer recording has longer blocks
    early_share: float = 0.1  # of the arrivals of a block
    fewest_frames: int = 50
    largest_drift: float = 0.01  # a clock that runs 1 % off is none (reliability.md, hazard 6)
    largest_jump: float = 0.5  # in frames: blocks further off the line mean that the clock was set


@dataclass(frozen=True, slots=True)
class ClockMatch:
    """The times of one camera on the host's clock."""

    used: Literal["camera", "host"]
    reason: str
    drift: float  # the host's seconds for each of the camera's, minus 1; NaN where not known
    offset_s: float  # host time of the camera's zero, the least delay included; NaN where not known
    host_jitter_s: float  # standard deviation of one arrival stamp about an even beat
    camera_jitter_s: float  # the same of one stamp of the camera; NaN without stamps

    def time_s(self, host_s: Times, device_s: Times) -> Times:
        """(n,) best time of each frame on the host's clock, from both stamps (n,)."""
        if self.used == "host":
            return host_s
        return self.offset_s + (1 + self.drift) * device_s


def match_clocks(
    host_s: Times, device_s: Times, number: NDArray[np.int64], settings: ClockSettings = ClockSettings()
) -> ClockMatch:
    """Compare the host's stamps (n,) with the camera's (n,) of the frames `number` (n,) and choose.

    The camera's are used where they are a clock (rising, without jumps, at most 1 % off) and steadier.
    """
    host_jitter_s = jitter_s(host_s, number)
    if len(host_s) < settings.fewest_frames or not np.isfinite(device_s).all():
        reason = "The camera sends no times of its own, or too few frames came to judge them."
        return ClockMatch("host", reason, np.nan, np.nan, host_jitter_s, np.nan)
    camera_jitter_s = jitter_s(device_s, number)
    if (np.diff(device_s) <= 0).any():
        reason = "The camera's times stand still or go back."
        return ClockMatch("host", reason, np.nan, np.nan, host_jitter_s, camera_jitter_s)
    drift, offset_s, worst_s = _line(host_s, device_s, settings)
    interval_s = float(np.median(np.diff(host_s)))
    if abs(drift) > settings.largest_drift or worst_s > settings.largest_jump * interval_s:
        reason = (
            f"The camera's times do not keep step with the host's (drift {drift:.2%}, "
            f"jumps of {1e3 * worst_s:.1f} ms)."
        )
        return ClockMatch("host", reason, drift, offset_s, host_jitter_s, camera_jitter_s)
    used: Literal["camera", "host"] = "camera" if camera_jitter_s < host_jitter_s else "host"
    reason = (
        f"The {used}'s stamps are the steadier ones (camera {1e3 * camera_jitter_s:.2f} ms, "
        f"host {1e3 * host_jitter_s:.2f} ms)."
    )
    return ClockMatch(used, reason, drift, offset_s, host_jitter_s, camera_jitter_s)


def jitter_s(time_s: Times, number: NDArray[np.int64]) -> float:
    """Standard deviation of one stamp about an even beat; NaN where fewer than three frames follow directly.

    From the median of the second differences between frames that follow each other directly: independent
    jitter of deviation s gives them s sqrt(6), and 1.4826 turns a normal distribution's median into s.
    """
    direct = (np.diff(number)[1:] == 1) & (np.diff(number)[:-1] == 1)
    second = np.diff(time_s, 2)[direct]
    return float(1.4826 * np.median(np.abs(second)) / np.sqrt(6)) if len(second) else np.nan


def _line(host_s: Times, device_s: Times, settings: ClockSettings) -> tuple[float, float, float]:
    """Drift, offset, and how far the worst block is off the line."""
    start_s, span_s = device_s[0], device_s[-1] - device_s[0]
    blocks = int(np.clip(span_s // settings.block_s, 2, settings.most_blocks))
    block = np.minimum(((device_s - start_s) / span_s * blocks).astype(int), blocks - 1)
    later_s = host_s - device_s
    there = [np.flatnonzero(block == k) for k in range(blocks)]
    there = [frames for frames in there if len(frames)]
    at_s = np.array([device_s[frames].mean() for frames in there])
    early_s = np.array([np.quantile(later_s[frames], settings.early_share) for frames in there])
    i, j = np.triu_indices(len(at_s), 1)
    drift = float(np.median((early_s[j] - early_s[i]) / (at_s[j] - at_s[i])))
    offset_s = float(np.median(early_s - drift * at_s))
    return drift, offset_s, float(np.abs(early_s - drift * at_s - offset_s).max())


@dataclass(frozen=True, slots=True)
class PairSettings:
    """When two cameras count as one."""

    together_s: float = 0.5e-3  # frames this close are at the same moment: 400 deg/s are 0.2 deg
    locked_share: float = 0.05  # of an interval that the offset of a common trigger stays within
    same_rate: float = 0.01


@dataclass(frozen=True, slots=True)
class CameraPair:
    """Two cameras on the host's clock, one an eye."""

    offset_s: float  # median of the left frame's time minus that of the nearest right frame
    spread_s: float  # how far that offset ranges (5 to 95 %)
    locked: bool  # a common trigger: the offset stays
    ruled_out: tuple[str, ...]


def pair_cameras(
    right_s: Times, left_s: Times, jitter_s: float = 0.0, settings: PairSettings = PairSettings()
) -> CameraPair:
    """Compare the frame times (n,) and (m,) of both eyes, rising and on the host's clock.

    `jitter_s`: what is left of one stamp's error. The least delay from light to stamp is taken to be the same
    for both, as it is for two cameras of one model on the same kind of link; nothing here can prove it.
    Raises ValueError with fewer than two frames an eye, or all at one time.
    """
    if min(len(right_s), len(left_s)) < 2:
        raise ValueError("two frames an eye are needed")
    after = np.clip(np.searchsorted(right_s, left_s), 1, len(right_s) - 1)
    early, late = left_s - right_s[after - 1], left_s - right_s[after]
    offset_s = np.where(np.abs(early) < np.abs(late), early, late)
    interval_s = _usual_interval_s(right_s)
    same_rate = abs(_usual_interval_s(left_s) / interval_s - 1) < settings.same_rate
    middle_s = float(np.median(offset_s))
    spread_s = float(np.diff(np.quantile(offset_s, [0.05, 0.95]))[0])
    locked = same_rate and spread_s <= settings.locked_share * interval_s + 4 * jitter_s
    lines = _pair_ruled_out(middle_s, spread_s, locked, jitter_s, settings)
    return CameraPair(middle_s, spread_s, locked, lines)


def _usual_interval_s(time_s: NDArray[np.float64]) -> float:
    """Median interval between frames (n,); frames that arrived together share a stamp and count as none."""
    steps_s = np.diff(time_s)
    if not (steps_s > 0).any():
        raise ValueError("frames at different times are needed")
    return float(np.median(steps_s[steps_s > 0]))


def _pair_ruled_out(
    middle_s: float, spread_s: float, locked: bool, jitter_s: float, settings: PairSettings
) -> tuple[str, ...]:
    lines = []
    if not locked:
        lines.append(
            "The cameras run freely: frames of the two eyes differ by up to half a picture, and the "
            f"difference wanders by {1e3 * spread_s:.1f} ms. Disconjugacy and skew are assessed only after "
            "both eyes are interpolated to one clock, never from frames paired by their number."
        )
    elif abs(middle_s) > settings.together_s:
        lines.append(
            f"The left eye's frames are {1e3 * middle_s:+.1f} ms off the right eye's. Disconjugacy and skew "
            "are assessed only after both eyes are interpolated to one clock."
        )
    if jitter_s > settings.together_s:
        lines.append(
            f"The frame times are uncertain by {1e3 * jitter_s:.1f} ms: disconjugacy during saccades is not "
            "assessed."
        )
    return tuple(lines)
