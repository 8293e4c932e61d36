"""The log: what the program did, for whoever looks into a fault. Nobody can be recognised in it.

A recording is named by its random id. What a person typed stays out: no patient code, no operator, no path,
since people name folders after patients. The text of an error may hold any of these, so of a failure only the
types and the places in the code are written; the text was on the screen.
"""

from __future__ import annotations

import logging
import os
import re
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path

PACKAGES = ("capture", "recordings", "analysis", "ui")
MAX_BYTES = 1_000_000  # then a new file is begun
KEPT_FILES = 3
PATH_LIKE = re.compile(r"(?:[A-Za-z]:)?[\\/~][^\s'\"]*(?:[ ][^\s'\"]*[\\/][^\s'\"]*)*")


class _Handler(RotatingFileHandler):
    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (logging's name)
        """Go on without the log: a full disk must not end a recording twice."""


class _Formatter(logging.Formatter):
    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 (logging's name)
        """Take out whatever looks like a path."""
        return PATH_LIKE.sub("<path>", super().formatMessage(record))

    def formatException(self, ei: object) -> str:  # noqa: N802 (logging's name)
        """Types and places of an error and of what led to it, without their texts."""
        error = ei[1] if isinstance(ei, tuple) else None
        lines: list[str] = []
        while isinstance(error, BaseException):
            places = [f"{Path(at.filename).stem}:{at.lineno}:{at.name}" for at in _frames(error)]
            lines.append(f"  {type(error).__name__} at {' > '.join(places)}")
            error = error.__cause__ or error.__context__
        return "\n".join(lines)


def _frames(error: BaseException) -> list[traceback.FrameSummary]:
    return list(traceback.extract_tb(error.__traceback__))


def data_folder() -> Path:
    """Where recordings are kept by default: DRIFTBEAT_DATA, else as chosen at the first start, else a folder
    of the user's account.
    """  # noqa: D205
    if os.environ.get("DRIFTBEAT_DATA"):
        return Path(os.environ["DRIFTBEAT_DATA"])
    import platformdirs  # needed in these cases alone

    from ui.first_run import remembered_folder

    if (chosen := remembered_folder()) is not None:
        return chosen
    return platformdirs.user_data_path("driftbeat", appauthor=False)


@contextmanager
def opened_log() -> Iterator[Path]:
    """Write the log while the block runs; yields its file. A log that cannot be written is done without."""
    folder = data_folder() / "log"
    file = folder / "driftbeat.log"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        yield file
        return
    handler = _Handler(file, maxBytes=MAX_BYTES, backupCount=KEPT_FILES, encoding="utf-8", delay=True)
    handler.setFormatter(
        _Formatter("%(asctime)s %(levelname)s %(process)d %(threadName)s %(name)s %(message)s")
    )
    loggers = [logging.getLogger(name) for name in PACKAGES]
    for logger in loggers:
        logger.setLevel(logging.INFO)
        logger.addHandler(handler)
    try:
        yield file
    finally:
        for logger in loggers:
            logger.removeHandler(handler)
        handler.close()
