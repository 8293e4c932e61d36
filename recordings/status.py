"""How a live recorder is, as values: made by the recorder ten times a second, never changed."""

from __future__ import annotations

from typing import Literal

import msgspec

from capture.samples import Eye
from recordings.camera_watch import Signal

State = Literal["ready", "recording", "broken off", "ending", "closed"]  # broken off: by the disk; stop it


class CameraStatus(msgspec.Struct, frozen=True):
    """One camera."""

    identity: str
    eyes: tuple[Eye, ...]
    signal: Signal
    silence_s: float  # since the last new picture
    rate_hz: float | None  # distinct pictures in the last second; None: not measured yet
    frames: int
    lost: int
    repeated: int
    untracked: int  # frames that a tracker was too slow for
    waiting: int  # frames between camera and trackers
    cautions: tuple[str, ...]
    ruled_out: tuple[str, ...]
    problem: str  # in full, for the screen
    delivered_hz: float | None = None  # frames in the last second, repeats among them; None: not measured yet
    stretched: bool = False  # pictures take longer than they should, as in the dark


class JournalStatus(msgspec.Struct, frozen=True):
    """The disk's side of a recording that is going on."""

    committed: dict[Eye, int]  # samples that are on the disk for good
    waiting_rows: int
    waiting_bytes: int
    unsaved_s: float  # since the last commit
    pictures_dropped: int  # because the disk was too slow
    free_bytes: int


class Status(msgspec.Struct, frozen=True):
    """Everything a window shows beside pictures and traces."""

    state: State
    time_s: float  # host clock, of this status
    cameras: tuple[CameraStatus, ...]
    recording: str | None = None  # its id while there is one
    recorded_s: float = 0.0
    journal: JournalStatus | None = None
    problems: tuple[str, ...] = ()  # of the recording, newest last
    sealing: tuple[str, ...] = ()  # ids that are being sealed
    sealed: tuple[str, ...] = ()  # ids that are sealed now
    unsealed: tuple[str, ...] = ()  # what went wrong with a sealing, in words
