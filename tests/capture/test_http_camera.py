"""The HTTP camera against a loopback server with faults. Times are the server's own stamps."""

from __future__ import annotations

import hashlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from capture.clock import SystemClock
from capture.errors import CameraBusy, CameraLost, CameraNotFound, FormatRefused, SourceError
from capture.http_camera import HttpCamera
from capture.live import SIGNAL_LOST_S, CameraSettings
from capture.samples import Frame
from tests.capture.videos import jpegs
from tests.faults.loopback_camera import HOST, LoopbackCamera

PACKETS = jpegs(50)
RATE_HZ = 100.0
CLOCK = SystemClock()


@contextmanager
def running(**options: object) -> Iterator[tuple[LoopbackCamera, HttpCamera]]:
    with LoopbackCamera(PACKETS, RATE_HZ, **options) as server:  # pyright: ignore[reportArgumentType]
        camera = HttpCamera(server.url, CLOCK, reconnect_s=0.4)
        try:
            yield server, camera
        finally:
            camera.close()


def read_for(camera: HttpCamera, seconds: float) -> list[Frame]:
    end_s, frames = time.perf_counter() + seconds, []
    while time.perf_counter() < end_s and (frame := camera.read()) is not None:
        frames.append(frame)
    return frames


@contextmanager
def watched(camera: HttpCamera) -> Iterator[list[float]]:
    """What a watchdog beside the reader sees, every 10 ms."""
    seen: list[float] = []
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.01):
            seen.append(camera.silence_s())

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield seen
    finally:
        stop.set()
        watcher.join()


def test_every_picture_of_the_senders_log_arrives_with_its_bytes_and_stamp() -> None:
    with running() as (server, camera):
        frames = read_for(camera, 0.4)
    sent = server.sent[: len(frames)]
    assert [hashlib.sha256(frame.encoded or b"").hexdigest() for frame in frames] == [s.sha256 for s in sent]
    assert [frame.device_time_s for frame in frames] == pytest.approx([s.stamp_s for s in sent], abs=1e-6)
    assert np.diff([frame.number for frame in frames]).tolist() == np.diff([s.number for s in sent]).tolist()
    assert all(frame.time_s > s.stamp_s for frame, s in zip(frames, sent, strict=True))


def test_it_tells_what_was_asked_and_what_it_got() -> None:
    asked = CameraSettings(640, 480, 100.0, exposure_ms=4.0, pixel_format="MJPG")
    with LoopbackCamera(PACKETS, RATE_HZ) as server:
        camera = HttpCamera(server.url, CLOCK, asked)
        camera.close()
    assert camera.settings.asked == asked
    assert camera.settings.got == CameraSettings(64, 48, pixel_format="MJPG")
    assert camera.settings.differences() == (
        "width_px: 640 was asked for, the camera took 64.",
        "height_px: 480 was asked for, the camera took 48.",
        "rate_hz: 100.0 was asked for, the camera does not say what it took.",
        "exposure_ms: 4.0 was asked for, the camera does not say what it took.",
    )


@pytest.mark.parametrize("headers", [True, False])
@pytest.mark.parametrize("kind", ["stall", "vanish"])
def test_a_camera_that_is_silent_or_away_is_noticed_and_taken_up_again(kind: str, headers: bool) -> None:
    """Gone for 0.6 s: noticed within 500 ms; the jump of the number is the true gap to one frame.

    Without the sender's count it follows from the rate, which a busy machine blurs: 3 % after 0.8 s.
    """
    with running(headers=headers) as (server, camera):
        before = read_for(camera, 0.8)
        server.inject(kind, 0.6)
        with watched(camera) as seen:
            after = read_for(camera, 1.1)
    frames = before + after
    jump = max(range(1, len(frames)), key=lambda k: frames[k].time_s - frames[k - 1].time_s)
    lost = frames[jump].number - frames[jump - 1].number - 1
    gap = int(max(np.diff([s.number for s in server.sent]))) - 1
    assert max(seen) > SIGNAL_LOST_S
    assert lost == pytest.approx(gap, abs=1 if headers else 1 + 0.03 * gap)
    assert len(frames) <= len(server.sent)  # no sample was invented
    assert frames[-1].time_s - frames[jump].time_s > 0.2


def test_a_short_break_of_the_connection_is_counted_too() -> None:
    with running(headers=False) as (server, camera):
        before = read_for(camera, 0.3)
        server.inject("vanish", 0.15)
        after = read_for(camera, 0.5)
    numbers = np.array([frame.number for frame in before + after])
    gap = int(max(np.diff([s.number for s in server.sent]))) - 1
    assert gap > 10
    assert max(np.diff(numbers)) - 1 > gap / 2


@pytest.mark.parametrize("kind", ["freeze", "copy"])
def test_a_frozen_picture_is_repeated_and_silence(kind: str) -> None:
    """Its bytes differ (freeze) or not (copy): it is no observation."""
    with running() as (server, camera):
        before = read_for(camera, 0.4)
        server.inject(kind, 0.6)
        with watched(camera) as seen:
            during = read_for(camera, 0.45)
        after = read_for(camera, 0.5)
    assert max(seen) > SIGNAL_LOST_S
    assert not any(frame.repeated for frame in before)
    assert len(during) > 3
    assert all(frame.repeated for frame in during[3:])
    assert not any(frame.repeated for frame in after[-10:])


def test_a_camera_that_stays_away_ends_in_camera_lost_and_may_be_waited_for_again() -> None:
    server = LoopbackCamera(PACKETS, RATE_HZ)
    camera = HttpCamera(server.url, CLOCK, reconnect_s=0.2, give_up_s=0.3)
    try:
        read_for(camera, 0.2)
        server.close()
        with pytest.raises(CameraLost, match="frames before that are safe"):
            read_for(camera, 5.0)
        with LoopbackCamera(PACKETS, RATE_HZ, port=server.port):
            frame = camera.read()
            assert frame is not None
            assert frame.number > 20
    finally:
        camera.close()


def test_nobody_there() -> None:
    with socket.socket() as free:
        free.bind((HOST, 0))
        port = free.getsockname()[1]
    with pytest.raises(CameraNotFound, match="No camera answers"):
        HttpCamera(f"http://{HOST}:{port}/", CLOCK)


@pytest.mark.parametrize("address", ["http://", "https://127.0.0.1/", "rtsp://127.0.0.1/", "http://[::1"])
def test_no_address_of_a_camera(address: str) -> None:
    with pytest.raises(CameraNotFound, match="address"):
        HttpCamera(address, CLOCK)


@contextmanager
def answering(answer: bytes, more: Callable[[socket.socket], None] = lambda _: None) -> Iterator[str]:
    """A server that gives one connection one answer."""
    with socket.socket() as listener:
        listener.bind((HOST, 0))
        listener.listen(1)

        def serve() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.recv(4096)
                connection.sendall(answer)
                more(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        yield f"http://{HOST}:{listener.getsockname()[1]}/eye?token=secret"
        thread.join()


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (b"HTTP/1.1 503 Busy\r\nContent-Length: 0\r\n\r\n", CameraBusy),
        (b"HTTP/1.1 404 No\r\nContent-Length: 0\r\n\r\n", CameraNotFound),
        (b"HTTP/1.1 401 Who\r\nContent-Length: 0\r\n\r\n", FormatRefused),
        (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 2\r\n\r\nhi", FormatRefused),
        (b"HTTP/1.1 200 OK\r\nContent-Type: image/jpeg\r\nContent-Length: 2\r\n\r\nhi", FormatRefused),
        (b"SSH-2.0-hello\r\n", CameraNotFound),
        (b"", CameraNotFound),
    ],
)
def test_other_answers_say_what_to_do(answer: bytes, error: type[SourceError]) -> None:
    with answering(answer) as url, pytest.raises(error) as said:
        HttpCamera(url, CLOCK)
    assert "secret" not in str(said.value)
    assert "check" in str(said.value).lower() or "close the other" in str(said.value).lower()


def test_a_chunked_stream_reads() -> None:
    head = (
        b"HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace;boundary=x\r\n"
        b"Transfer-Encoding: chunked\r\n\r\n"
    )
    body = b"".join(b"--x\r\n\r\n" + packet + b"\r\n" for packet in PACKETS[:5])
    chunks = [body[k : k + 700] for k in range(0, len(body), 700)]
    answer = head + b"".join(b"%x\r\n" % len(chunk) + chunk + b"\r\n" for chunk in chunks)
    closed = threading.Event()
    with answering(answer, lambda _: closed.wait(5) and None) as url:
        camera = HttpCamera(url, CLOCK)
        frames = [camera.read() for _ in range(5)]
        camera.close()
        closed.set()
    assert [frame.encoded for frame in frames if frame] == PACKETS[:5]


def test_a_camera_that_answers_and_sends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.taken_up.FIRST_PICTURE_S", 0.1)
    head = b"HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace;boundary=x\r\n\r\n"
    with answering(head) as url, pytest.raises(CameraNotFound, match="sends no picture"):
        HttpCamera(url, CLOCK, reconnect_s=0.1)


def test_busy_while_it_was_away_is_waited_out() -> None:
    """After a break another viewer holds the camera for a while."""
    with running() as (server, camera):
        read_for(camera, 0.2)
        server.inject("busy", 0.6)
        server.inject("vanish", 0.1)
        server._faults = server._faults[::-1]  # vanish first, then busy
        frames = read_for(camera, 1.5)
    assert frames[-1].number > 120
