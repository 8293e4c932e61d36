"""Rules of the recordings package that its source must show."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import recordings

FILES = sorted(Path(recordings.__file__).parent.rglob("*.py"))
OVERWRITING = {"w", "w-", "a", "r+", "wb", "ab", "r+b", "w+", "a+", "wt", "at"}


def modes(source: str) -> set[str]:
    """Every text that a call named open, File or similar gets as an argument."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if called in {"open", "File", "fdopen"}:
            given = [*node.args, *(keyword.value for keyword in node.keywords)]
            found |= {
                arg.value for arg in given if isinstance(arg, ast.Constant) and isinstance(arg.value, str)
            }
    return found


def test_the_search_finds_what_it_looks_for() -> None:
    assert modes("h5py.File(p, 'w')\nopen(p, mode='a')") & OVERWRITING == {"w", "a"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_no_file_is_ever_opened_so_that_it_could_be_overwritten(path: Path) -> None:
    assert not modes(path.read_text(encoding="utf-8")) & OVERWRITING
