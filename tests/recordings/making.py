"""Small recordings for tests: sources from memory, a quick tracker, and the whole chain to a seal."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.clock import SteppedClock
from capture.errors import SourceError
from capture.profile import CameraProfile, EyeView, GoggleProfile
from capture.samples import NAN, Frame, Pupil, Target, Tracked
from capture.source import SourceInfo
from recordings.event import Event
from recordings.info import Circumstances, EyeSource, Opening
from recordings.recorder import Recorder
from recordings.space import SpaceRule

SIZE = (64, 48)
START_S = 100.0
RATE_HZ = 100.0
NO_SPARE = SpaceRule(spare_bytes=0, stop_bytes=0)
TARGETS = (Target(START_S + 0.1, START_S + 0.2, 0.0, 0.0), Target(START_S + 0.3, START_S + 0.4, 10.0, 0.0))
EVENTS = (
    Event(START_S + 0.5, START_S + 0.9, "step", "dark"),
    Event(START_S, START_S, "note", "नेत्र β"),
)


def frames(count: int, seed: int = 0, *, encoded: bool = True, start_s: float = START_S) -> list[Frame]:
    """Frames of noise; `encoded` as from a camera that sends JPEG."""
    random = np.random.default_rng(seed)
    made = []
    for number in range(count):
        image = random.integers(0, 256, SIZE[::-1], dtype=np.uint8)
        data = cv2.imencode(".jpg", image)[1].tobytes() if encoded else None
        if data is not None:
            image = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED), np.uint8)
        image.setflags(write=False)
        made.append(Frame(number, start_s + number / RATE_HZ, number * 0.5, image, data))
    return made


@dataclass
class ListSource:
    """Frames from a list; then the end, or an error."""

    items: Sequence[Frame]
    error: str = ""
    endless: bool = False
    wait_s: float = 0.0
    closed: bool = False
    at: int = 0
    info: SourceInfo = field(init=False)

    def __post_init__(self) -> None:
        count = None if self.endless else len(self.items)
        self.info = SourceInfo("list", *SIZE, RATE_HZ, "measured", count)

    def read(self) -> Frame | None:
        time.sleep(self.wait_s)
        if self.at == len(self.items):
            if self.error:
                raise SourceError(self.error)
            return None
        self.at += 1
        return self.items[self.at - 1]

    def close(self) -> None:
        self.closed = True


class SumTracker:
    """Answers with numbers of the picture itself, so that each sample shows which picture it came from."""

    def track(self, image: NDArray[np.uint8]) -> Tracked:
        return expected_of(image)


def expected_of(image: NDArray[np.uint8]) -> Tracked:
    total = float(image.sum())
    return Tracked(
        Pupil(20.0 + total % 7, 15.0 + total % 5, 9.0, 8.0, total % 180, 0.9, 0.8), total % 3 - 1, NAN
    )


def profile(*eyes: Any) -> GoggleProfile:
    """One camera an eye."""
    return GoggleProfile(
        "test goggles", tuple(CameraProfile(f"camera-{eye}", (EyeView(eye),)) for eye in eyes)
    )


def recorder(
    data_folder: Path, sources: dict[str, ListSource], goggles: GoggleProfile | None = None, **options: Any
) -> Recorder:
    """A recorder with a quick tracker; targets and events as above unless given."""
    settings: dict[str, Any] = {
        "clock": SteppedClock(),
        "targets": TARGETS,
        "events": EVENTS,
        "tracker_factory": SumTracker,
        "rule": NO_SPARE,
    }
    if goggles is None:
        goggles = profile(*(name.removeprefix("camera-") for name in sources))
    return Recorder(goggles, sources, data_folder, **{**settings, **options})


def sealed(data_folder: Path, count: int = 120, **options: Any) -> Path:
    """The folder of a sealed recording of both eyes."""
    sources = {
        "camera-right": ListSource(frames(count, 1)),
        "camera-left": ListSource(frames(count, 2, start_s=START_S - 0.003)),
    }
    return recorder(data_folder, sources, **options).run()


def reseal(folder: Path) -> None:
    """Make the seal fit files that were changed, as somebody with bad intentions would."""
    seal = seal_of(folder)
    for name in seal["files"]:
        content = (folder / name).read_bytes()
        seal["files"][name] = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    (folder / "seal.json").write_text(json.dumps(seal))


def flip_bit(path: Path, place: int) -> None:
    """Change one bit of a file."""
    content = bytearray(path.read_bytes())
    content[place // 8] ^= 1 << place % 8
    path.write_bytes(content)


def seal_of(folder: Path) -> dict[str, Any]:
    """What stands in seal.json."""
    return json.loads((folder / "seal.json").read_text())


OPENING = Opening(
    "an id", "2026-01-01T00:00:00+00:00", "driftbeat", "SteppedClock", Circumstances(),
    profile("right", "left"),
    (EyeSource("right", "camera-right", "a", 64, 48, 100.0, "measured"),), "jpeg",
)  # fmt: skip


TRACKED = Tracked(Pupil(1.25, -2.5, 3.0, 2.0, 179.9, 0.5, 0.25), -7.5, NAN, 1.5, 2.5, 3.0)


def frame(number: int) -> Frame:
    """A small black picture, its times apart; the second is a copy."""
    return Frame(number, 5.0 + number, NAN, np.zeros((2, 2), np.uint8), None, number == 1)
