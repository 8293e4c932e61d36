"""The list of cameras from copies of what udev and sysfs show."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from capture.camera import Camera
from capture.camera_list import find_camera, list_cameras, measure_delivery
from capture.camera_system import LINUX
from capture.clock import SteppedClock
from capture.errors import CameraNotFound
from tests.capture.lying_camera import Lies, LyingBus
from tests.capture.videos import jpegs


class Computer:
    """A folder with `dev` and `sys` like a Linux machine's."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for folder in ("sys/class/video4linux", "dev/v4l/by-path"):
            (root / folder).mkdir(parents=True)

    def plug_in(self, port: str, video: int, serial: str | None, name: str = "Eye camera") -> None:
        """A USB camera: node `video` with pictures, the next with metadata."""
        device = self.root / "sys/devices/usb1" / port
        interface = device / f"{port}:1.0"
        interface.mkdir(parents=True)
        if serial is not None:
            (device / "serial").write_text(serial + "\n")
        for index in (0, 1):
            node = self.root / f"sys/class/video4linux/video{video + index}"
            node.mkdir()
            (node / "name").write_text(name + "\n")
            (node / "index").write_text(f"{index}\n")
            (node / "device").symlink_to(interface)
            (self.root / f"dev/video{video + index}").touch()
            link = self.root / f"dev/v4l/by-path/pci-0000:00:14.0-usb-0:{port}:1.0-video-index{index}"
            link.symlink_to(self.root / f"dev/video{video + index}")


@pytest.fixture
def computer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Computer:
    monkeypatch.setattr(sys, "platform", "linux")
    return Computer(tmp_path)


def test_no_camera(computer: Computer) -> None:
    assert list_cameras(computer.root) == ()
    assert find_camera("anything", computer.root) is None


def test_a_bare_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    assert list_cameras(tmp_path / "nothing") == ()


def test_a_camera_is_listed_once_with_serial_port_and_place(computer: Computer) -> None:
    computer.plug_in("1-2", 4, "SN-0007")
    (entry,) = list_cameras(computer.root)
    assert entry.identity == entry.serial == "SN-0007"
    assert entry.port == "pci-0000:00:14.0-usb-0:1-2:1.0-video-index0"
    assert entry.place == str(computer.root / "dev/video4")
    assert entry.name == "Eye camera"


def test_the_same_serial_number_twice_is_none(computer: Computer) -> None:
    computer.plug_in("1-1", 0, "0001")
    computer.plug_in("1-2", 2, "0001")
    first, second = list_cameras(computer.root)
    assert first.identity == first.port != second.identity == second.port
    found = find_camera(second.identity, computer.root)
    assert found == second
    with pytest.raises(CameraNotFound, match="2 cameras have the serial number 0001"):
        find_camera("0001", computer.root)


def test_without_a_serial_number_the_port_counts(computer: Computer) -> None:
    computer.plug_in("1-3", 0, None)
    (entry,) = list_cameras(computer.root)
    assert entry.identity == entry.port
    assert find_camera("", computer.root) is None or entry.serial == ""


def test_an_identity_comes_back_under_another_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    before, after = Computer(tmp_path / "before"), Computer(tmp_path / "after")
    before.plug_in("1-1", 0, "A")
    before.plug_in("1-2", 2, "B")
    after.plug_in("1-4", 0, "B")
    after.plug_in("1-1", 2, "A")
    for computer, place in ((before, "video0"), (after, "video2")):
        entry = find_camera("A", computer.root)
        assert entry is not None
        assert Path(str(entry.place)).name == place


def test_an_index_finds_nothing(computer: Computer) -> None:
    computer.plug_in("1-2", 0, "SN-0007")
    for index in ("0", "video0", str(computer.root / "dev/video0")):
        assert find_camera(index, computer.root) is None


def test_elsewhere_the_list_needs_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "cv2_enumerate_cameras", None)
    with pytest.raises(CameraNotFound, match="pip"):
        list_cameras()


def test_elsewhere_the_packages_list_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    info = SimpleNamespace(index=1, name="Eye camera", path=r"\\?\usb#vid_1#7", vid=1, pid=2, backend=700)
    package = SimpleNamespace(enumerate_cameras=lambda api: [info])
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "cv2_enumerate_cameras", package)
    (entry,) = list_cameras()
    assert (entry.identity, entry.place) == (r"\\?\usb#vid_1#7", 1)


def test_what_a_camera_really_delivers() -> None:
    clock = SteppedClock()
    bus = LyingBus(jpegs(20), clock, Lies(rate_hz=60.0, said_rate_hz=120.0))
    camera = Camera("SN-4711", clock, find=bus.find, open_device=bus.open, system=LINUX)
    delivery = measure_delivery(camera, clock)
    camera.close()
    assert delivery.rate.true_hz == pytest.approx(60.0, rel=0.01)
    assert delivery.rate.said_hz == 120.0
    assert delivery.picture.image.shape == (48, 64)
    assert delivery.settings.automatic_exposure is True


def test_a_camera_too_slow_to_be_judged() -> None:
    clock = SteppedClock()
    bus = LyingBus(jpegs(20), clock, Lies(rate_hz=0.5))
    camera = Camera("SN-4711", clock, find=bus.find, open_device=bus.open, system=LINUX)
    with pytest.raises(CameraNotFound, match="too few pictures"):
        measure_delivery(camera, clock)
    camera.close()
