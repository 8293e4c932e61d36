"""What several commands' tests use."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from capture.simulation.still import still


@pytest.fixture(scope="session")
def packets() -> list[bytes]:
    """JPEGs of a simulated eye that turns."""
    images = [still(1, (k / 2, 0.0, 0.0), number=k)[0] for k in range(20)]
    return [cv2.imencode(".jpg", image)[1].tobytes() for image in images]


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The data folder that the variable names."""
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture(autouse=True)
def _no_goggles_of_this_machine(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a test records with is not remembered for the person at this machine."""
    monkeypatch.setattr(
        "ui.known_goggles.goggles_file", lambda: tmp_path_factory.getbasetemp() / "goggles.json"
    )
