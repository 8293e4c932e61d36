"""What a person is told when a command cannot do its work."""

from __future__ import annotations

import errno
import logging
import sys
from pathlib import Path

import click

LOGGER = logging.getLogger(__name__)


class CommandError(click.ClickException):
    """Something a command found out itself; the text says what happened and what to do."""


def explain(error: Exception, log_file: Path) -> str:
    """One message for a person, never a traceback; the log gets what a person who repairs it needs."""
    from analysis.errors import AnalysisError  # only a failure needs these trees
    from capture.errors import CaptureError
    from recordings.errors import RecordingError

    LOGGER.error("failed, Python %s on %s", sys.version.split()[0], sys.platform, exc_info=error)
    if isinstance(error, CaptureError | RecordingError | AnalysisError):
        return str(error)
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        return "The disk is full. What was sealed before is safe. Free some space and try again."
    if isinstance(error, OSError):
        return f"{error.strerror or error}{f' ({error.filename})' if error.filename else ''}. Check the path."
    return (
        f"Something went wrong that Driftbeat did not expect ({type(error).__name__}). "
        f"What was sealed before is untouched. The place in the program is in {log_file}."
    )
