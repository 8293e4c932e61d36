"""Pictures that were made beforehand, over and over: a camera that costs nothing to run."""

from __future__ import annotations

import math
from collections.abc import Sequence

from capture.clock import Clock
from capture.paced import PacedSource
from capture.samples import EYES, NAN, Eye, Frame
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, Nystagmus, Scenario
from capture.source import Source, SourceInfo


class PreparedPictures:
    """A source of frames that are known already, shown in turn at an even rate until `count` were shown."""

    def __init__(
        self,
        frames: Sequence[Frame],
        rate_hz: float,
        count: int,
        name: str = "prepared",
        clock: Clock | None = None,
    ) -> None:
        """Begin with the first frame at 0 s; with a `clock` at the time of the first read, with the frame due
        then, so that two cameras opened one after the other show one moment of one patient.

        Raises ValueError without frames or without a rate.
        """  # noqa: D205
        if not frames or not rate_hz > 0:
            raise ValueError("at least one frame and a positive rate are needed")
        self._frames, self._rate_hz, self._count = frames, rate_hz, count
        self._clock, self._before = clock, 0  # frames that went by before the first read
        self._number = -1
        height, width = frames[0].image.shape
        self.info = SourceInfo(name, width, height, rate_hz, "nominal", count)

    def read(self) -> Frame | None:
        """The next frame, with the time (number + those before the first read) / rate; None at the end."""
        if self._number + 1 >= self._count:
            return None
        if self._number < 0 and self._clock is not None:
            self._before = math.ceil(self._clock.now_s() * self._rate_hz)
        self._number += 1
        place = self._before + self._number
        shown = self._frames[place % len(self._frames)]
        return shown._replace(number=self._number, time_s=place / self._rate_hz, device_time_s=NAN)

    def close(self) -> None:
        """Nothing to let go of: the next `read` answers None."""
        self._count = 0


def read_all(source: Source) -> list[Frame]:
    """Every frame of a source that ends."""
    frames: list[Frame] = []
    while (frame := source.read()) is not None:
        frames.append(frame)
    return frames


# What an invented eye can show, by the word for its beats; slow phases are signed, so they go the other way.
PATTERNS: dict[str, Nystagmus | None] = {
    "right-beating": Nystagmus((-10.0, 0.0, 0.0)),
    "left-beating": Nystagmus((10.0, 0.0, 0.0)),
    "left-beating, fast": Nystagmus((50.0, 0.0, 0.0), beats_per_s=3.0),
    "up-beating, upper pole to the right": Nystagmus((0.0, -20.0, -8.0)),
    "up-beating, upper pole to the left": Nystagmus((0.0, -20.0, 8.0)),
    "down-beating": Nystagmus((0.0, 8.0, 0.0)),
    "no nystagmus": None,
}
USUAL = "right-beating"
LASTS_S = 3600.0


def simulated_camera(eye: Eye, clock: Clock, rate_hz: float = 250.0, pattern: str = USUAL) -> PacedSource:
    """A camera before an invented eye: 2 s of one of `PATTERNS`, painted now, then shown in a circle.

    For trying out the way from camera to file. Where the circle closes the eye jumps: for measuring use
    `SimulatedPatient`. Raises ValueError for an eye or pattern that there is not, or a rate that is not
    positive.
    """
    if eye not in EYES:
        raise ValueError(f"an eye is right or left, not {eye}")
    if pattern not in PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}, got {pattern!r}")
    scenario = Scenario((Hold(2.0, nystagmus=PATTERNS[pattern]),), blink_every_s=None)
    frames = read_all(SimulatedPatient(scenario, 1, EYES, rate_hz).source(eye))  # one person, two eyes
    pictures = PreparedPictures(frames, rate_hz, round(LASTS_S * rate_hz), f"simulated-{eye}", clock)
    return PacedSource(pictures, clock, same_clock=True)
