"""Pictures that arrive and pictures that are new are two facts."""

from __future__ import annotations

import pytest

from recordings.status import CameraStatus
from ui.visit.rates import rate_words


@pytest.mark.parametrize(
    ("new_hz", "all_hz", "said"),
    [
        (250.0, 250.3, "250 pictures/s, 3 lost"),
        (59.9, 100.1, "100 pictures/s, of them 60 new, 3 lost"),
        (None, 250.0, "250 pictures/s, none of them new, 3 lost"),
        (None, None, ""),
    ],
)
def test_words(new_hz: float | None, all_hz: float | None, said: str) -> None:
    camera = CameraStatus(
        "camera", ("right",), "good", 0.0, new_hz, 100, 3, 0, 0, 0, (), (), "", delivered_hz=all_hz
    )
    assert rate_words(camera) == said
