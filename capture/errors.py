"""What can go wrong between a camera and a sample.

CaptureError
├── SourceError        a file or camera cannot be used as a source of frames
├── TargetsError       a list of calibration targets cannot be used
├── ProfileError       a goggle profile is not valid
└── CalibrationError   a calibration cannot be made at all (a poor one is a graded value, not an error)

Each text says what happened, to which file or device, what is safe, and what to do.
"""

from __future__ import annotations


class CaptureError(Exception):
    """Anything that stops frames from becoming samples."""


class SourceError(CaptureError):
    """A file or camera cannot be used as a source of frames."""


class TargetsError(CaptureError):
    """A list of calibration targets cannot be used."""


class ProfileError(CaptureError):
    """A goggle profile is not valid."""


class CalibrationError(CaptureError):
    """A calibration cannot be made at all."""
