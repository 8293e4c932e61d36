"""Which cameras there are, told apart by what stays the same: serial number or port, never the index.

Never run with a real camera: the search on Linux runs on copies of the folders that udev and sysfs make; on
Windows and macOS the list comes from the package cv2-enumerate-cameras and could only be read.
"""

from __future__ import annotations

import importlib
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from capture.camera_system import this_system
from capture.clock import Clock
from capture.errors import CameraNotFound
from capture.live import LiveSource, SettingsReport
from capture.rate import RateMeter, RateReport
from capture.samples import NAN, Frame

LONGEST_S = 5.0  # that a camera may take to be judged


@dataclass(frozen=True, slots=True)
class CameraEntry:
    """One camera that is plugged in."""

    identity: str  # what a goggle profile names: serial number where it is the only such, else the port
    name: str  # model, for people
    serial: str  # "" where it has none
    port: str  # the socket it is plugged into
    place: str | int  # where it is right now: device file, or OpenCV's index


def list_cameras(root: Path = Path("/")) -> tuple[CameraEntry, ...]:
    """All cameras, by name and port. `root`: where `dev` and `sys` are (Linux).

    Raises CameraNotFound on Windows and macOS when cv2-enumerate-cameras is not installed.
    """
    found = _on_linux(root) if sys.platform.startswith("linux") else _enumerated()
    return tuple(sorted(found, key=lambda entry: (entry.name, entry.port)))


def find_camera(identity: str, root: Path = Path("/")) -> CameraEntry | None:
    """The camera with this serial number or at this port; None when it is not there.

    Raises CameraNotFound when several cameras have this serial number, as cheap ones do.
    """
    found = [entry for entry in list_cameras(root) if identity in (entry.identity, entry.serial, entry.port)]
    if len(found) > 1:
        ports = ", ".join(entry.port for entry in found)
        raise CameraNotFound(
            f"{len(found)} cameras have the serial number {identity}. Name them by their ports: {ports}."
        )
    return found[0] if found else None


@dataclass(frozen=True, slots=True)
class Delivery:
    """What a live source really delivers."""

    settings: SettingsReport
    rate: RateReport
    picture: Frame  # the last, for a preview


def measure_delivery(source: LiveSource, clock: Clock) -> Delivery:
    """Read a source for about a second and judge it. Leaves it open.

    Raises SourceError as `read` does, and CameraNotFound when it ends or is too slow to be judged.
    """
    got = source.settings.got
    meter = RateMeter(got.rate_hz or source.settings.asked.rate_hz or NAN, got.exposure_ms)
    end_s = clock.now_s() + LONGEST_S
    while clock.now_s() < end_s and (frame := source.read()) is not None:
        if (rate := meter.add(frame)) is not None:
            return Delivery(source.settings, rate, frame)
    raise CameraNotFound(f"{source.info.name} sent too few pictures in {LONGEST_S:g} s to measure its rate.")


def _on_linux(root: Path) -> list[CameraEntry]:
    nodes = sorted((root / "sys/class/video4linux").glob("video*"))
    nodes = [node for node in nodes if _text(node / "index") in ("0", "")]  # others carry metadata
    ports = _links(root / "dev/v4l/by-path")
    serials = Counter(_serial(node) for node in nodes)
    found = []
    for node in nodes:
        serial = _serial(node)
        port = ports.get(node.name) or (node / "device").resolve().name
        identity = serial if serial and serials[serial] == 1 else port
        place = str(root / "dev" / node.name)
        found.append(CameraEntry(identity, _text(node / "name") or node.name, serial, port, place))
    return found


def _links(folder: Path) -> dict[str, str]:
    """Name of the link to each device of a folder that udev keeps."""
    return {link.resolve().name: link.name for link in sorted(folder.glob("*"))}


def _serial(node: Path) -> str:
    """Serial number of the USB device that this node belongs to: one folder above the interface."""
    return _text((node / "device").resolve().parent / "serial")


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _enumerated() -> list[CameraEntry]:
    try:
        package = importlib.import_module("cv2_enumerate_cameras")
    except ImportError:
        raise CameraNotFound(
            "Cameras cannot be told apart on this system without the package cv2-enumerate-cameras. "
            "Install it with pip, then try again."
        ) from None
    api = this_system().api
    return [
        CameraEntry(info.path or info.name, info.name, "", info.path or "", info.index)
        for info in package.enumerate_cameras(api)
    ]
