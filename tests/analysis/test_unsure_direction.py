"""What is said of nystagmus in the dark where an eye's interval does not tell which way it beats."""

from __future__ import annotations

import pytest

from analysis import nystagmus_findings
from analysis.analyse import analyse_recording
from analysis.nystagmus import sure_direction
from tests.analysis.sawtooth import Made, Phase, make_recording


@pytest.mark.parametrize(("unsure", "unnamed"), [({0}, False), ({1}, False), ({0, 1}, True)])
@pytest.mark.parametrize(("across_dps", "way"), [(-8.0, "Right"), (8.0, "Left")])
def test_an_eye_whose_direction_is_not_certain_contradicts_none(
    unsure: set[int], unnamed: bool, across_dps: float, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two eyes that beat alike: one that is certain names the pattern, none that is names none."""
    asked: list[str] = []

    def word(axis: str, interval: tuple[float, float] | None) -> str:
        asked.append(axis)  # once an eye
        eye = asked.count("horizontal") - 1
        return "" if axis == "horizontal" and eye in unsure else sure_direction(axis, interval)

    monkeypatch.setattr(nystagmus_findings, "sure_direction", word)
    made = make_recording(Made((Phase("dark", 25, (across_dps, 0.0, 0.0)),), eyes=("right", "left")))
    said = " ".join(analyse_recording(made, 1966).results[0].fits)
    assert asked.count("horizontal") == 2
    assert "different directions" not in said
    assert ("not certain (horizontal): no pattern is named" in said) is unnamed
    assert (f"{way}-beating" in said) is not unnamed
