from __future__ import annotations

import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest

from recordings.errors import UnsealedError
from recordings.owner import Owner, has_owner
from tests.conftest import ROOT

HOLD = """
import sys
from pathlib import Path
from recordings.owner import Owner
owner = Owner(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def test_one_owner_at_a_time(tmp_path: Path) -> None:
    owner = Owner(tmp_path)
    assert has_owner(tmp_path)
    with pytest.raises(UnsealedError, match="another program"):
        Owner(tmp_path)
    assert (tmp_path / "owner.lock").read_text().startswith(f"process {os.getpid()} since 20")
    owner.release()
    owner.release()
    assert not has_owner(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_an_owner_that_is_forgotten_owns_nothing(tmp_path: Path) -> None:
    Owner(tmp_path)
    gc.collect()
    Owner(tmp_path).release()


def test_an_owner_that_is_killed_owns_nothing(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        assert has_owner(tmp_path)
        with pytest.raises(UnsealedError):
            Owner(tmp_path)
        other.kill()
    assert not has_owner(tmp_path)
    Owner(tmp_path).release()
