"""The connection of a camera that sends its pictures over HTTP: opened, received from, cut."""

from __future__ import annotations

import http.client
import socket
from contextlib import suppress

from capture.errors import CameraBusy, CameraNotFound, FormatRefused

CHUNK = 256 << 10  # bytes taken from the socket at once
BUSY_CODES = (409, 423, 429, 503)  # conflict, locked, too many, unavailable (RFC 9110, RFC 4918, RFC 6585)


class HttpStream:
    """One answer of the type multipart/x-mixed-replace that does not end by itself."""

    def __init__(self, host: str, port: int, path: str, silence_s: float) -> None:
        """Ask for the stream; a wait of more than `silence_s` for any byte ends it.

        Raises CameraNotFound, CameraBusy or FormatRefused.
        """
        self._name = f"{host}:{port}{path.partition('?')[0]}"  # a query may hold a password
        connection = http.client.HTTPConnection(host, port, timeout=silence_s)
        try:
            connection.connect()
            self._socket: socket.socket = connection.sock
            connection.request("GET", path)
            self._response = connection.getresponse()
        except (OSError, http.client.HTTPException) as error:
            connection.close()
            raise CameraNotFound(
                f"No camera answers at {self._name} ({error}). Check its power, its network and the address."
            ) from error
        self._connection = connection
        try:
            self._check()
        except (CameraNotFound, CameraBusy, FormatRefused):
            self.close()
            raise

    def receive(self) -> bytes:
        """Wait for the next bytes; none at the end, whether the stream was closed, broken or silent."""
        try:
            return self._response.read1(CHUNK)
        except (OSError, http.client.HTTPException):
            return b""

    def cut(self) -> None:
        """Wake a `receive` that waits in another thread."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go of the connection."""
        self._response.close()
        self._connection.close()

    def _check(self) -> None:
        status, kind = self._response.status, self._response.headers.get_content_type()
        if status in BUSY_CODES:
            raise CameraBusy(
                f"The camera {self._name} is busy (it answers {status}). "
                "Close the other program or browser that shows its picture, then try again."
            )
        if status == http.client.NOT_FOUND:
            raise CameraNotFound(f"The camera at {self._name} has no stream there. Check the address.")
        if status != http.client.OK or not kind.startswith("multipart/"):
            raise FormatRefused(
                f"{self._name} sends no stream of JPEG pictures (answer {status}, {kind}). "
                "Check the address and the camera's settings."
            )
