from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from recordings.sealing import seal
from tests.recordings.making import sealed


@pytest.fixture
def seal_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seal in this process, to save each test the start of another; the child has its own tests."""

    def seal_it(folder: Path, step: Callable[[str], None] | None = None, *, behind: bool = False) -> None:
        seal(folder, step or (lambda name: None))

    monkeypatch.setattr("recordings.one_recording.seal_in_child", seal_it)


@pytest.fixture(scope="session")
def sealed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed recording of both eyes, 120 frames each, that no test changes."""
    return sealed(tmp_path_factory.mktemp("sealed"))


@pytest.fixture
def folder(sealed_once: Path, tmp_path: Path) -> Path:
    """A copy of it to be spoiled."""
    copy = tmp_path / sealed_once.name
    copy.mkdir()
    for path in sealed_once.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    return copy
