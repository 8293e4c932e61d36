"""What can go wrong between a sample and a sealed recording.

RecordingError
├── StorageError        the data folder or its disk cannot take a recording
├── UnsealedError       samples are safe in a journal, but not sealed yet
├── NotOursError        this is not a recording of Driftbeat
├── NewerFormatError    a newer Driftbeat made it
└── DamagedError        it is ours but not what was sealed
    └── HostileFileError   it holds what no recording of ours holds; it was not read

Each text says what happened, to which file, what is safe, and what to do.
"""

from __future__ import annotations


class RecordingError(Exception):
    """Anything that stops a recording from being made or read."""


class StorageError(RecordingError):
    """The data folder or its disk cannot take a recording."""


class UnsealedError(RecordingError):
    """Samples are safe in a journal, but not sealed yet."""


class NotOursError(RecordingError):
    """Something is not a recording of Driftbeat."""


class NewerFormatError(RecordingError):
    """A newer Driftbeat made the recording."""


class DamagedError(RecordingError):
    """A recording of ours is not what was sealed."""


class HostileFileError(DamagedError):
    """A file holds what no recording of ours holds; it was not read."""
