"""Keys that are taught: what can be, what cannot and why, and that it is remembered whole."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ui.keys import ROLES, Keys

MAIN, STOP = ROLES[0], ROLES[1]


def test_what_was_taught_is_there_at_the_next_start(tmp_path: Path) -> None:
    file = tmp_path / "new" / "keys.json"
    keys = Keys(file)
    assert keys.teach("PgDown", MAIN) == ""
    assert keys.teach(".", STOP) == ""
    again = Keys(file)
    assert again.aliases == {"PgDown": "Space", ".": "Esc"}
    assert again.taught(MAIN) == ("PgDown",)
    again.forget(MAIN)
    assert Keys(file).aliases == {".": "Esc"}
    assert [path.name for path in file.parent.iterdir()] == ["keys.json"]


@pytest.mark.parametrize(
    ("pressed", "why"),
    [
        ("F5", "turns pages"),
        ("Return", "needed in the window"),
        ("Esc", "needed in the window"),
        ("Space", "needed in the window"),
        ("Down", "needed in the window"),
        ("B", "typed into fields"),
        ("7", "typed into fields"),
        ("", "no name"),
        ("Shift", "no name"),
        ("x" * 300, "no name"),
        ("\u202e", "no name"),
    ],
)
def test_a_key_that_the_window_needs_is_refused_in_words(pressed: str, why: str) -> None:
    keys = Keys()
    assert why in keys.teach(pressed, MAIN)
    assert keys.aliases == {}


def test_one_key_does_not_stand_for_two() -> None:
    keys = Keys()
    keys.teach("PgDown", MAIN)
    assert "already stands for “Main key" in keys.teach("PgDown", STOP)
    assert keys.aliases == {"PgDown": "Space"}
    assert keys.teach("PgDown", MAIN) == ""  # the same once more harms nobody
    keys.forget(MAIN)
    assert keys.teach("PgDown", STOP) == ""


@given(st.binary(max_size=200))
def test_a_damaged_file_teaches_nothing_and_is_told(content: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "keys.json"
        file.write_bytes(content)
        keys = Keys(file)
        assert keys.aliases == {}
        assert "Teach them again" in keys.problem


def test_a_file_by_hand_cannot_take_the_windows_own_keys(tmp_path: Path) -> None:
    file = tmp_path / "keys.json"
    file.write_text('{"taught": {"N": "Space", "F1": "Esc", "PgUp": "B", "PgDown": "Explode"}}')
    assert Keys(file).aliases == {"PgUp": "B"}


def test_a_folder_that_takes_nothing_is_told_and_the_key_holds_for_now(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file where a folder should be")
    keys = Keys(tmp_path / "taken" / "keys.json")
    assert keys.teach("PgDown", MAIN) == ""
    assert keys.aliases == {"PgDown": "Space"}
    assert "not stored" in keys.problem
