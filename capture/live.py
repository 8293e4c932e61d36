"""What a live source has beyond a file: settings asked for and read back, and a watchdog's value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import msgspec

from capture.source import Source

SIGNAL_LOST_S = 0.3  # without a new picture for so long the signal is lost (reliability.md, hazard 10)
GIVE_UP_S = 30.0  # a camera that is away for longer ends a read with CameraLost; reading again waits anew
RATE_NOT_TOLD = 0.0  # `SourceInfo.nominal_rate_hz` where nobody says a rate, as in a file without one
RETRY_S = 0.25  # between two looks whether a camera has come back


class CameraSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is asked of a camera, or what it says. None: not asked, or not told."""

    width_px: int | None = None
    height_px: int | None = None
    rate_hz: float | None = None
    exposure_ms: float | None = None  # asking for one also turns automatic exposure off
    gain: float | None = None  # in the driver's own unit
    pixel_format: str | None = None  # four letters, such as MJPG, GREY, YUYV

    def asked_over(self, other: CameraSettings) -> CameraSettings:
        """These, and what `other` asks for beside them."""
        mine = {name: value for name, value in msgspec.structs.asdict(self).items() if value is not None}
        return msgspec.structs.replace(other, **mine)


AS_IT_IS = CameraSettings()  # nothing is asked
TOLERANCE = 0.02  # a rate, exposure or gain this close to what was asked is what was asked


@dataclass(frozen=True, slots=True)
class SettingsReport:
    """What was asked of a camera beside what it says it does."""

    asked: CameraSettings
    got: CameraSettings
    automatic_exposure: bool | None = None  # None: it does not tell

    def differences(self) -> tuple[str, ...]:
        """One sentence for each setting that the camera did not take or does not tell."""
        lines = []
        for name in CameraSettings.__struct_fields__:
            asked, got = getattr(self.asked, name), getattr(self.got, name)
            if asked is not None and not _same(asked, got):
                said = "does not say what it took" if got is None else f"took {got}"
                lines.append(f"{name}: {asked} was asked for, the camera {said}.")
        if self.automatic_exposure:
            lines.append("Automatic exposure is on: the rate may fall when it gets dark.")
        return tuple(lines)


def _same(asked: float | str, got: float | str | None) -> bool:
    if isinstance(asked, str) or isinstance(got, str) or got is None:
        return asked == got
    return abs(got - asked) <= TOLERANCE * abs(asked)


class LiveSource(Source, Protocol):
    """A source that delivers in real time and may fall silent."""

    @property
    def settings(self) -> SettingsReport:
        """What was asked, and what the camera says it does."""
        ...

    def silence_s(self) -> float:
        """Seconds since the last new picture (a copy is none), from any thread, also while a read blocks.

        More than SIGNAL_LOST_S: the signal is lost.
        """
        ...
