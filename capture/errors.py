"""What can go wrong between a camera and a sample.

CaptureError
├── SourceError        a file or camera cannot be used as a source of frames
│   ├── CameraNotFound     no camera of this identity is there: try again later
│   ├── CameraBusy         another program has it, or this user may not open it: free it, then try again
│   ├── CameraLost         it went away; the frames before are safe, reading again waits for its return
│   └── FormatRefused      its pictures cannot be used as they are: nothing to retry, tell the user
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


class CameraNotFound(SourceError):  # noqa: N818
    """No camera of this identity is there. Worth trying again."""


class CameraBusy(SourceError):  # noqa: N818
    """The camera is there and will not open: another program has it, or this user has no right to it."""


class CameraLost(SourceError):  # noqa: N818
    """The camera went away and did not come back in time. The frames before are safe; reading again waits."""


class FormatRefused(SourceError):  # noqa: N818
    """The pictures cannot be used as they are (colour, another size, not a stream of pictures)."""


class TargetsError(CaptureError):
    """A list of calibration targets cannot be used."""


class ProfileError(CaptureError):
    """A goggle profile is not valid."""


class CalibrationError(CaptureError):
    """A calibration cannot be made at all."""
