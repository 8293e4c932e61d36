"""A camera on the loopback: prepared JPEGs over HTTP at a fixed rate, with faults on command and its own log.

As a process of its own: `python -m tests.faults.loopback_camera PICTURES --rate 250 --log sent.csv`, where
PICTURES is a file of JPEGs one after the other; it prints its port. Or inside a test: `LoopbackCamera(...)`.

The camera runs free: picture n is due n / rate after the start, whether anybody looks or not. Each picture
that is sent gets a comment of its own (a JPEG COM segment), so no two have the same bytes. The log tells for
each picture that went out: number, stamp (`time.perf_counter`, on Linux the clock of all processes), SHA-256.
A fault is `kind:start_s:length_s`, in seconds after the first picture went out:
stall (no picture, connection open), freeze (the same picture again, with new bytes), copy (the same bytes
again), vanish (connection and port closed), busy (new connections get 503).
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import select
import signal
import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple, TextIO

HOST = "127.0.0.1"
BOUNDARY = b"frame"
ANSWER = (
    b"HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Type: multipart/x-mixed-replace; boundary="
    + BOUNDARY
    + b"\r\n\r\n"
)
BUSY = b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
LATE_S = 1.0  # a picture that the network could not take for so long is thrown away, as a camera would
COPIED = ("freeze", "copy")
SILENT = ("stall", "vanish")


class Fault(NamedTuple):
    kind: str
    start_s: float
    length_s: float


class Sent(NamedTuple):
    number: int
    stamp_s: float
    sha256: str


class LoopbackCamera:
    """Serves one stream to one reader at a time, from a thread."""

    def __init__(
        self,
        pictures: Sequence[bytes],
        rate_hz: float = 250.0,
        faults: Sequence[Fault] = (),
        *,
        port: int = 0,
        content_length: bool = True,
        headers: bool = True,
        tagged: bool = True,
        log: TextIO | None = None,
    ) -> None:
        """tagged=False sends the pictures as they are. headers: add Frame-Number and Frame-Time."""
        self._pictures, self._rate_hz, self._faults = pictures, rate_hz, faults
        self._content_length, self._headers, self._tagged = content_length, headers, tagged
        self._log = log
        self.sent: list[Sent] = []  # kept where there is no log file
        self._stop = threading.Event()
        self._start_s = time.perf_counter()
        self._first_sent_s: float | None = None
        self._first_number: int | None = None
        self._last: tuple[int, bytes] | None = None
        self._listener: socket.socket | None = self._listen(port)
        self.port = self._listener.getsockname()[1] if self._listener else port
        self._thread = threading.Thread(target=self._serve, name="loopback camera")
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}/"

    def inject(self, kind: str, length_s: float) -> None:
        """Begin a fault now."""
        self._faults = (*self._faults, Fault(kind, self._running_s(), length_s))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()

    def __enter__(self) -> LoopbackCamera:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _running_s(self) -> float:
        return 0.0 if self._first_sent_s is None else time.perf_counter() - self._first_sent_s

    def _fault(self) -> str:
        running_s = self._running_s()
        for kind, start_s, length_s in self._faults:
            if start_s <= running_s < start_s + length_s:
                return kind
        return ""

    def _listen(self, port: int) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        listener.listen(1)
        listener.settimeout(0.02)
        return listener

    def _serve(self) -> None:
        try:
            while not self._stop.is_set():
                self._accept()
        finally:
            if self._listener is not None:
                self._listener.close()

    def _accept(self) -> None:
        if self._fault() == "vanish":
            if self._listener is not None:
                self._listener.close()
                self._listener = None
            time.sleep(0.005)
            return
        if self._listener is None:
            self._listener = self._listen(self.port)
        with suppress(TimeoutError):
            connection, _ = self._listener.accept()
            with connection, suppress(OSError):
                self._answer(connection)

    def _answer(self, connection: socket.socket) -> None:
        connection.settimeout(LATE_S)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.recv(4096)
        if self._fault() == "busy":
            connection.sendall(BUSY)
            return
        connection.sendall(ANSWER)
        self._stream(connection)

    def _stream(self, connection: socket.socket) -> None:
        number = self._due_now()
        while not self._stop.is_set():
            number = max(number + 1, self._due_now() - round(LATE_S * self._rate_hz))
            self._sleep_until(self._start_s + number / self._rate_hz)
            fault = self._fault()
            if fault == "vanish" or self._stop.is_set():
                return
            if fault not in SILENT:
                self._send(connection, number, fault)
            elif _hung_up(connection):
                return

    def _due_now(self) -> int:
        return int((time.perf_counter() - self._start_s) * self._rate_hz)

    def _sleep_until(self, due_s: float) -> None:
        while (left_s := due_s - time.perf_counter()) > 0 and not self._stop.is_set():
            time.sleep(min(left_s, 0.05))

    def _send(self, connection: socket.socket, number: int, fault: str) -> None:
        if self._first_number is None:
            self._first_number = number
        shown = number - self._first_number if fault not in COPIED or self._last is None else self._last[0]
        encoded = self._pictures[shown % len(self._pictures)]
        if self._tagged:
            encoded = tagged(encoded, number)
        if fault == "copy" and self._last is not None:
            encoded = self._last[1]
        stamp_s = time.perf_counter()
        connection.sendall(self._part(encoded, number, stamp_s))
        self._last = (shown, encoded)
        self._first_sent_s = self._first_sent_s or stamp_s
        self._note(Sent(number, stamp_s, hashlib.sha256(encoded).hexdigest()))

    def _part(self, encoded: bytes, number: int, stamp_s: float) -> bytes:
        head = b"--" + BOUNDARY + b"\r\nContent-Type: image/jpeg\r\n"
        if self._content_length:
            head += b"Content-Length: %d\r\n" % len(encoded)
        if self._headers:
            head += b"Frame-Number: %d\r\nFrame-Time: %.7f\r\n" % (number, stamp_s)
        return head + b"\r\n" + encoded + b"\r\n"

    def _note(self, sent: Sent) -> None:
        if self._log is None:
            self.sent.append(sent)
        else:
            self._log.write(f"{sent.number},{sent.stamp_s:.7f},{sent.sha256}\n")


def _hung_up(connection: socket.socket) -> bool:
    """Whether the reader has closed its end; it sends nothing else."""
    return bool(select.select([connection], [], [], 0)[0])


def tagged(encoded: bytes, number: int) -> bytes:
    """The same JPEG with a comment behind its start marker."""
    comment = b"%016d" % number
    return encoded[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + encoded[2:]


def split(data: bytes) -> list[bytes]:
    """The JPEGs of a file that holds one after the other (made by our own encoder: no thumbnails inside)."""
    return [b"\xff\xd8\xff" + part for part in data.split(b"\xff\xd8\xff")[1:]]


def read_log(path: Path) -> list[Sent]:
    rows = (line.split(",") for line in path.read_text(encoding="ascii").splitlines()[1:])
    return [Sent(int(number), float(stamp_s), sha256) for number, stamp_s, sha256 in rows]


def keep_busy() -> None:
    """A neighbour that takes all of one core."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    while True:
        hashlib.sha256(bytes(1 << 20)).digest()


def _parse_fault(text: str) -> Fault:
    kind, start_s, length_s = text.split(":")
    return Fault(kind, float(start_s), float(length_s))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pictures", type=Path)
    parser.add_argument("--rate", type=float, default=250.0)
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--log", type=Path, required=True)
    parser.add_argument("--fault", type=_parse_fault, action="append", default=[])
    parser.add_argument("--busy-neighbours", type=int, default=0)
    parser.add_argument("--no-content-length", action="store_true")
    parser.add_argument("--no-headers", action="store_true")
    options = parser.parse_args()
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    neighbours = [
        multiprocessing.Process(target=keep_busy, daemon=True) for _ in range(options.busy_neighbours)
    ]
    for neighbour in neighbours:
        neighbour.start()
    with options.log.open("w", encoding="ascii", buffering=1 << 16) as log:
        log.write("number,stamp_s,sha256\n")
        with LoopbackCamera(
            split(options.pictures.read_bytes()),
            options.rate,
            options.fault,
            port=options.port,
            content_length=not options.no_content_length,
            headers=not options.no_headers,
            log=log,
        ) as camera:
            print(camera.port, flush=True)  # noqa: T201
            stop.wait()
    for neighbour in neighbours:
        neighbour.terminate()
        neighbour.join()


if __name__ == "__main__":
    main()
