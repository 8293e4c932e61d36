"""A camera against a stand-in for OpenCV's capture that lies. Time is stepped by the stand-in."""

from __future__ import annotations

import threading

import cv2
import numpy as np
import pytest

from capture.camera import Camera
from capture.camera_system import LINUX, MACOS, WINDOWS, CameraSystem
from capture.clock import SteppedClock
from capture.errors import CameraBusy, CameraLost, CameraNotFound
from capture.live import AS_IT_IS, CameraSettings
from capture.rate import RateMeter, RateReport
from tests.capture.lying_camera import Lies, LyingBus
from tests.capture.source_contract import read_frames
from tests.capture.test_repeats import exposures
from tests.capture.videos import jpegs

PACKETS = jpegs(60)
WANTED = CameraSettings(64, 48, 100.0, exposure_ms=4.0, gain=2.0, pixel_format="MJPG")


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stand-in steps the clock by itself."""
    monkeypatch.setattr("capture.taken_up.RETRY_S", 0.0)


def plugged(
    lies: Lies, asked: CameraSettings = AS_IT_IS, packets: list[bytes] = PACKETS, give_up_s: float = 30.0
) -> tuple[Camera, LyingBus]:
    clock = SteppedClock()
    bus = LyingBus(packets, clock, lies)
    camera = Camera(
        "SN-4711",
        clock,
        asked,
        find=bus.find,
        open_device=bus.open,
        system=LINUX,
        give_up_s=give_up_s,
    )
    return camera, bus


def first_second(camera: Camera) -> RateReport:
    meter = RateMeter(camera.settings.got.rate_hz or np.nan, camera.settings.got.exposure_ms)
    while (report := meter.add(read_frames(camera, 1)[0])) is None:
        pass
    return report


def test_settings_that_are_taken() -> None:
    camera, _ = plugged(Lies(), WANTED)
    camera.close()
    assert camera.settings.asked == camera.settings.got == WANTED
    assert camera.settings.automatic_exposure is False
    assert camera.settings.differences() == ()
    assert (camera.info.name, camera.info.nominal_rate_hz) == ("Stand-in camera", 100.0)


def test_settings_that_are_ignored_are_reported() -> None:
    camera, _ = plugged(Lies(ignores=True, rate_hz=30.0), WANTED)
    camera.close()
    assert camera.settings.got == CameraSettings(640, 480, 30.0, 15.6, 10.0, "MJPG")
    assert camera.settings.differences() == (
        "width_px: 64 was asked for, the camera took 640.",
        "height_px: 48 was asked for, the camera took 480.",
        "rate_hz: 100.0 was asked for, the camera took 30.0.",
        "exposure_ms: 4.0 was asked for, the camera took 15.6.",
        "gain: 2.0 was asked for, the camera took 10.0.",
        "Automatic exposure is on: the rate may fall when it gets dark.",
    )
    assert (camera.info.width_px, camera.info.height_px) == (64, 48)  # what the pictures really are


def test_sold_as_100_gives_60() -> None:
    """It says 100 and gives 60: it runs as 60, and what 60 rules out is listed."""
    camera, _ = plugged(Lies(rate_hz=60.0, said_rate_hz=100.0))
    report = first_second(camera)
    camera.close()
    assert report.said_hz == 100.0
    assert report.true_hz == pytest.approx(60.0, rel=0.01)
    assert report.stretched
    assert any("promises 100 pictures/s and gives 60.0" in line for line in report.cautions)
    assert any("Saccade velocity is not assessed" in line for line in report.ruled_out)


@pytest.mark.parametrize("quality", [None, 85])
def test_copies_do_not_count(quality: int | None) -> None:
    """100 a second of which every second is a copy, exact or encoded anew, are 50."""
    packets = []
    for image in exposures(60, size=(120, 160)):
        packet = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
        again = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality or 90])[1].tobytes()
        packets += [packet, again]
    camera, _ = plugged(Lies(rate_hz=100.0, said_rate_hz=100.0), packets=packets)
    report = first_second(camera)
    camera.close()
    assert report.delivered_hz == pytest.approx(100.0, rel=0.01)
    assert report.true_hz == pytest.approx(50.0, rel=0.02)
    assert not report.stretched
    assert any("copies" in line for line in report.cautions)


@pytest.mark.parametrize("channels", [1, 3])
def test_converted_pictures_with_one_or_three_equal_channels(channels: int) -> None:
    camera, _ = plugged(Lies(jpeg=False, channels=channels))
    frames = read_frames(camera, 3)
    camera.close()
    assert [frame.encoded for frame in frames] == [None] * 3
    for frame, packet in zip(frames, PACKETS, strict=False):
        grey = cv2.imdecode(np.frombuffer(packet, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert np.array_equal(frame.image, grey)


def test_a_read_that_blocks_for_10_s_is_seen_from_outside_and_the_gap_is_true() -> None:
    camera, bus = plugged(Lies())
    before = read_frames(camera, 50)
    bus.lies.block = threading.Event()
    after = []
    reader = threading.Thread(target=lambda: after.append(camera.read()))
    reader.start()
    assert bus.lies.blocked.wait(5)
    bus.clock.step(0.5)
    assert camera.silence_s() > 0.3
    bus.clock.step(9.5)
    bus.lies.block.set()
    reader.join()
    camera.close()
    assert after[0].number - before[-1].number == 1001  # 10 s, and the frame's own 10 ms
    assert after[0].time_s - before[-1].time_s == pytest.approx(10.01)


@pytest.mark.parametrize("index", [0, 3])
def test_it_vanishes_and_comes_back_where_it_was_or_elsewhere(index: int) -> None:
    camera, bus = plugged(Lies())
    before = read_frames(camera, 50)
    bus.unplug()
    bus.comes_back = (20, index)
    after = read_frames(camera, 20)
    away_s = after[0].time_s - before[-1].time_s
    camera.close()
    assert away_s > 1.0
    assert after[0].number - before[-1].number == pytest.approx(away_s * 100, abs=1)
    assert np.diff([frame.number for frame in after]).tolist() == [1] * 19
    assert bus.opened[-1]._index == index
    assert bus.all_released


def test_settings_are_asked_again_when_it_comes_back() -> None:
    camera, bus = plugged(Lies(), WANTED)
    read_frames(camera, 20)
    bus.unplug()
    bus.plug_in(5)
    read_frames(camera, 1)
    assert bus.opened[-1].get(cv2.CAP_PROP_EXPOSURE) == 40  # 4 ms in 100 us
    assert camera.settings.got == WANTED
    camera.close()


def test_it_stays_away_and_is_waited_for_again() -> None:
    camera, bus = plugged(Lies(), give_up_s=2.0)
    read_frames(camera, 50)
    bus.unplug()
    with pytest.raises(CameraLost, match="frames before that are safe"):
        camera.read()
    bus.plug_in(2)
    assert camera.read() is not None
    camera.close()


def test_a_driver_that_gives_nothing_for_a_while() -> None:
    camera, bus = plugged(Lies())
    last = read_frames(camera, 50)[-1]
    bus.lies.fails_first = 3
    frame = read_frames(camera, 1)[0]
    camera.close()
    assert frame.time_s - last.time_s > 3
    assert frame.number - last.number == pytest.approx((frame.time_s - last.time_s) * 100, abs=1)


def test_a_short_break_is_counted_too() -> None:
    """0.2 s in the driver, 0.05 s to look for the camera, 0.01 s to the next picture: 26 frames on."""
    camera, bus = plugged(Lies(tells_time=False, fails_for_s=0.2))
    last = read_frames(camera, 50)[-1]
    bus.lies.fails_first = 1
    frame = read_frames(camera, 1)[0]
    camera.close()
    assert frame.time_s - last.time_s == pytest.approx(0.26)
    assert frame.number - last.number == 26


def test_a_device_is_let_go_by_the_read_that_was_blocked_in_it() -> None:
    camera, bus = plugged(Lies())
    bus.lies.block = threading.Event()
    camera.read()
    reader = threading.Thread(target=camera.read)
    reader.start()
    assert bus.lies.blocked.wait(5)
    camera.close()
    assert not bus.all_released
    bus.lies.block.set()
    reader.join()
    assert bus.all_released


def test_no_such_camera() -> None:
    clock = SteppedClock()
    bus = LyingBus(PACKETS, clock)
    with pytest.raises(CameraNotFound, match="0000"):
        Camera("0000", clock, find=bus.find, open_device=bus.open, system=LINUX)


def test_a_busy_camera() -> None:
    clock = SteppedClock()
    bus = LyingBus(PACKETS, clock)
    bus.busy = True
    with pytest.raises(CameraBusy, match="another program"):
        Camera("SN-4711", clock, find=bus.find, open_device=bus.open, system=LINUX)


def test_an_index_is_no_identity() -> None:
    clock = SteppedClock()
    bus = LyingBus(PACKETS, clock)
    with pytest.raises(CameraNotFound):
        Camera("0", clock, find=bus.find, open_device=bus.open, system=LINUX)


def test_a_camera_that_opens_and_sends_nothing() -> None:
    with pytest.raises(CameraNotFound, match="sends no picture"):
        plugged(Lies(fails_first=1000))


@pytest.mark.parametrize(
    ("system", "exposure", "automatic"),
    [(LINUX, 40.0, 1.0), (WINDOWS, np.log2(0.004), 0.25), (MACOS, None, None)],
)
def test_exposure_in_the_unit_of_each_system(
    system: CameraSystem, exposure: float | None, automatic: float | None
) -> None:
    """4 ms: 40 times 100 us; log2(0.004 s) = -7.97; not to be set."""
    clock = SteppedClock()
    bus = LyingBus(PACKETS, clock)
    camera = Camera("SN-4711", clock, WANTED, find=bus.find, open_device=bus.open, system=system)
    device = bus.opened[0]
    camera.close()
    if exposure is None:
        assert camera.settings.got.exposure_ms is None
        assert camera.settings.automatic_exposure is None
        assert device.get(cv2.CAP_PROP_EXPOSURE) == 156.0  # as it was
    else:
        assert device.get(cv2.CAP_PROP_EXPOSURE) == pytest.approx(exposure)
        assert device.get(cv2.CAP_PROP_AUTO_EXPOSURE) == automatic
        assert camera.settings.got.exposure_ms == pytest.approx(4.0)
        assert camera.settings.automatic_exposure is False


def test_the_drivers_time_is_kept_where_it_tells_one() -> None:
    for tells, finite in ((True, True), (False, False)):
        camera, _ = plugged(Lies(tells_time=tells))
        frames = read_frames(camera, 3)
        camera.close()
        assert np.isfinite([frame.device_time_s for frame in frames]).tolist() == [finite] * 3
