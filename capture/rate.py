"""The true rate of a live source, from the pictures that really differ, and what that rate rules out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.samples import NAN, Frame

RATE_TOLERANCE = 0.01  # a rate within 1 % is the same rate (reliability.md, hazard 6)
SACCADE_RATE_HZ = 100.0  # clinical.md 27.19: below it saccade velocity is not assessed
ALL_SACCADES_RATE_HZ = 200.0  # clinical.md 27.19: above it for all sizes, up to it from 15 deg
LATENCY_RATE_HZ = 90.0  # clinical.md 3.6: at least this is advised for latency
SLOW_PHASE_RATE_HZ, PREFERRED_RATE_HZ = 30.0, 60.0  # clinical.md 3.6
LONGEST_EXPOSURE_MS = 5.0  # clinical.md 3.6: at 400 deg/s the pupil smears over 2 deg
STRETCHED = (
    "Pictures take longer than they should, as automatic exposure makes them in the dark. "
    "Lock the exposure or add infrared light."
)


@dataclass(frozen=True, slots=True)
class RateSettings:
    """How the rate is measured."""

    window_s: float = 1.0  # the first second, then each second
    skipped: int = 4  # first frames: a copy encoded anew is only known once two distinct pictures were seen
    needed: int = 4  # distinct pictures in a window; fewer give no rate
    stretched: float = 0.9  # below this share of the rate it should have, frames are stretched


@dataclass(frozen=True, slots=True)
class RateReport:
    """What one window of a live source showed. Rates in pictures per second; NaN: not told, not measured."""

    true_hz: float  # distinct pictures
    delivered_hz: float  # frames that came, copies among them
    said_hz: float  # what was promised: by the driver, or asked for where the driver does not tell
    first_hz: float  # the true rate of the first window
    copies: int
    lost: int
    stretched: bool  # frames come late without copies or losses, as automatic exposure does in the dark
    cautions: tuple[str, ...]
    ruled_out: tuple[str, ...]


class RateMeter:
    """Takes every frame of a live source and reports once a window. For one thread."""

    def __init__(
        self,
        said_hz: float = NAN,
        exposure_ms: float | None = None,
        settings: RateSettings = RateSettings(),
    ) -> None:
        self._said_hz, self._exposure_ms, self._settings = said_hz, exposure_ms, settings
        self._skip = settings.skipped
        self._window: list[Frame] = []
        self._first_hz = NAN

    def add(self, frame: Frame) -> RateReport | None:
        """Take a frame; the report when it completes a window."""
        if self._skip > 0:
            self._skip -= 1
            return None
        self._window.append(frame._replace(image=_NO_IMAGE, encoded=None))
        if frame.time_s - self._window[0].time_s < self._settings.window_s:
            return None
        report = self._report()
        self._window = self._window[-1:]
        return report

    def _report(self) -> RateReport:
        frames = self._window
        distinct = [frame for frame in frames if not frame.repeated]
        true_hz = self._rate_hz(distinct)
        if np.isnan(self._first_hz):
            self._first_hz = true_hz
        lost = frames[-1].number - frames[0].number + 1 - len(frames)
        copies = len(frames) - len(distinct)
        should_hz = np.nanmax([self._said_hz, self._first_hz, 0.0])
        stretched = bool(not copies and not lost and true_hz < self._settings.stretched * should_hz)
        return RateReport(
            true_hz,
            self._rate_hz(frames),
            self._said_hz,
            self._first_hz,
            copies,
            lost,
            stretched,
            self._cautions(true_hz, copies, lost, stretched),
            ruled_out(true_hz, self._exposure_ms),
        )

    def _rate_hz(self, frames: list[Frame]) -> float:
        """Least-squares slope of the count over the time, so that one late frame at an end matters little."""
        if len(frames) < self._settings.needed:
            return NAN
        time_s = np.array([frame.time_s for frame in frames])
        time_s -= time_s.mean()
        count = np.arange(len(frames)) - (len(frames) - 1) / 2
        return float(count @ count / (count @ time_s)) if count @ time_s > 0 else NAN

    def _cautions(self, true_hz: float, copies: int, lost: int, stretched: bool) -> tuple[str, ...]:
        lines = []
        if abs(true_hz - self._said_hz) > RATE_TOLERANCE * self._said_hz:
            lines.append(f"The camera promises {self._said_hz:g} pictures/s and gives {true_hz:.1f}.")
        if copies:
            lines.append(f"{copies} pictures were copies of the one before; they are not observations.")
        if lost:
            lines.append(f"{lost} pictures were lost on the way.")
        if stretched:
            lines.append(STRETCHED)
        return tuple(lines)


_NO_IMAGE = np.zeros((0, 0), np.uint8)


def ruled_out(rate_hz: float, exposure_ms: float | None = None) -> tuple[str, ...]:
    """What cannot be measured at a true rate (pictures per second, NaN: unknown), one sentence each."""
    if np.isnan(rate_hz):
        return ("The true rate is not known: velocities are held against no limit.",)
    lines = []
    if rate_hz < SLOW_PHASE_RATE_HZ * (1 - RATE_TOLERANCE):
        lines.append(f"Slow-phase velocity is not assessed below {SLOW_PHASE_RATE_HZ:g} pictures/s.")
    elif rate_hz < PREFERRED_RATE_HZ * (1 - RATE_TOLERANCE):
        lines.append(f"Slow-phase velocity is less certain below {PREFERRED_RATE_HZ:g} pictures/s.")
    if rate_hz < LATENCY_RATE_HZ * (1 - RATE_TOLERANCE):
        lines.append(
            f"Saccade latency is known only to a picture ({1000 / rate_hz:.0f} ms); "
            f"{LATENCY_RATE_HZ:g} pictures/s or more are advised."
        )
    if rate_hz < SACCADE_RATE_HZ * (1 - RATE_TOLERANCE):
        lines.append(f"Saccade velocity is not assessed below {SACCADE_RATE_HZ:g} pictures/s.")
    elif rate_hz <= ALL_SACCADES_RATE_HZ * (1 + RATE_TOLERANCE):
        lines.append("Saccade velocity is assessed for saccades of 15 deg and more only.")
    if exposure_ms is not None and exposure_ms > LONGEST_EXPOSURE_MS:
        lines.append(
            f"An exposure of {exposure_ms:g} ms smears the pupil in fast movements: "
            f"saccade velocity needs {LONGEST_EXPOSURE_MS:g} ms or less."
        )
    return tuple(lines)
