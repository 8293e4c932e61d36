from __future__ import annotations

from pathlib import Path

import pytest

from recordings.commands import GogglesPlan
from tests.ui.visit.sender import PROFILE
from ui.known_goggles import known_goggles, remember_goggles, take_up
from ui.visit.goggles import Goggles, listed

CAMERA = '[[cameras]]\nidentity = "{0}"\nviews = [{{eye = "right"}}]\n'


@pytest.fixture
def usual(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GogglesPlan:
    monkeypatch.setattr("ui.known_goggles.goggles_file", lambda: tmp_path / "config" / "goggles.json")
    return GogglesPlan(PROFILE, {}, tmp_path, clinic_limit_w_m2=20.0)


def write(path: Path, name: str, light: str = "irradiance_w_m2 = 5.0") -> Path:
    path.write_text(f'name = "{name}"\n{light}\n{CAMERA.format(name)}', encoding="utf-8")
    return path


def test_goggles_that_were_used_are_listed_the_last_ones_first(usual: GogglesPlan, tmp_path: Path) -> None:
    assert known_goggles(usual) == ()
    first, second = write(tmp_path / "a.toml", "A"), write(tmp_path / "b.toml", "B")
    for file in (first, second, first):
        remember_goggles(file)
    a, b = known_goggles(usual)
    assert (a.name, a.file, b.name) == ("A", first, "B")
    assert a.plan is not None
    assert a.plan.sources == {"A": "camera:A"}
    assert (a.plan.data_folder, a.plan.clinic_limit_w_m2) == (tmp_path, 20.0)


def test_a_profile_that_is_gone_is_not_listed_and_a_broken_one_with_its_reason(
    usual: GogglesPlan, tmp_path: Path
) -> None:
    gone, broken = write(tmp_path / "a.toml", "A"), write(tmp_path / "b.toml", "B")
    for file in (gone, broken):
        remember_goggles(file)
    gone.unlink()
    broken.write_text("name = 7", encoding="utf-8")
    (one,) = known_goggles(usual)
    assert (one.name, one.plan) == ("b.toml", None)
    assert "b.toml is not valid" in one.problem


def test_a_torn_list_is_no_list(usual: GogglesPlan, tmp_path: Path) -> None:
    remember_goggles(write(tmp_path / "a.toml", "A"))
    (tmp_path / "config" / "goggles.json").write_text('["a', encoding="utf-8")
    assert known_goggles(usual) == ()


def test_goggles_without_a_figure_for_their_light_are_told_when_they_are_chosen(
    usual: GogglesPlan, tmp_path: Path
) -> None:
    remember_goggles(write(tmp_path / "a.toml", "A", ""))
    (one,) = known_goggles(usual)
    assert ["no figure for the infrared" in line for line in take_up(one)] == [True]


def test_goggles_of_one_name_are_told_apart_by_their_files() -> None:
    two = (Goggles("A", None, Path("one.toml")), Goggles("A", None, Path("two.toml")), Goggles("B", None))
    assert list(listed(two)) == ["A (one.toml)", "A (two.toml)", "B"]
