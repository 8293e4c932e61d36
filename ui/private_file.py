"""A video file as a source whose name stays out of the recording: people name files after patients."""

from __future__ import annotations

from dataclasses import replace

from capture.errors import SourceError
from capture.samples import Frame
from capture.source import Source


class PrivateFile:
    """Hands on the frames of a file; what a recording stores names the file by its role alone.

    source: of the file. role: such as "file-right".
    """

    def __init__(self, source: Source, role: str) -> None:
        self._source, self._role = source, role
        self.info = replace(source.info, name=role)
        self.problem = ""  # why the file broke off, with its path: for the screen, never for a file

    def read(self) -> Frame | None:
        """The next frame. Raises SourceError without the path."""
        try:
            return self._source.read()
        except SourceError as error:
            self.problem = str(error)
            raise SourceError(f"{self._role} could not be read to its end") from error

    def close(self) -> None:
        """Close the file."""
        self._source.close()
