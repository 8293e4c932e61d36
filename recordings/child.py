"""How a child process of ours is started: same interpreter, same packages, nothing that steers HDF5.

Nor does it run what lies in the working directory: somebody opens a folder from elsewhere and works in it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PACKAGES = Path(__file__).resolve().parent.parent
SAFE_PATH = "PYTHONSAFEPATH"  # as -P: modules are never looked for in the working directory


def child_command(module: str, *arguments: str) -> list[str]:
    """The command line that runs one of our modules."""
    return [sys.executable, "-P", "-m", module, *arguments]


def child_environment() -> dict[str, str]:
    """Our environment without HDF5's switches (plugins, drivers, locks) and without threads for algebra."""
    kept = {name: value for name, value in os.environ.items() if not name.upper().startswith("HDF5_")}
    paths = [str(PACKAGES), *filter(None, [kept.get("PYTHONPATH")])]
    kept |= {"PYTHONPATH": os.pathsep.join(paths), SAFE_PATH: "1"}
    return {**kept, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


@contextmanager
def safe_path_for_children() -> Iterator[None]:
    """What multiprocessing starts within the block looks for no module in the working directory."""
    before = os.environ.get(SAFE_PATH)
    os.environ[SAFE_PATH] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[SAFE_PATH]
        else:
            os.environ[SAFE_PATH] = before
