"""The handle of a live recorder, wherever it runs.

`RecorderProcess(plan)` opens the cameras in a process of its own, for use. `LiveRecorder(plan, clock=clock)`
is the same engine in this process, to be opened by `open`; with simulated cameras and a `SteppedClock` it
runs a visit as fast as the machine allows. Its holder need not know which one it is.
"""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from capture.pose import Pose
from capture.samples import Eye, Target
from recordings.commands import Facts, Start
from recordings.cover_check import CoverVerdict
from recordings.event import Event
from recordings.shared_samples import SharedReader
from recordings.status import Status


class RecorderHandle(Protocol):
    """For one thread; `reader` and `status` may be used by any. Raises as `LiveRecorder` says."""

    @property
    def reader(self) -> SharedReader: ...  # noqa: D102
    def start(self, asked: Start) -> Path: ...  # noqa: D102
    def mark(self, what: Target | Event) -> None: ...  # noqa: D102
    def stop(self, reason: str = "") -> Path: ...  # noqa: D102
    def pose(self, pose: Pose) -> None: ...  # noqa: D102
    def facts(self) -> Facts: ...  # noqa: D102
    def judge_cover(  # noqa: D102
        self, asked: Eye, open_s: tuple[float, float], covered_s: tuple[float, float]
    ) -> CoverVerdict: ...
    def is_alive(self) -> bool: ...  # noqa: D102
    def status(self) -> Status | None: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102
