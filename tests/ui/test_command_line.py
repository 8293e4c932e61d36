"""What a person meets at the command line: help that teaches, errors that help, exit codes for scripts."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from tests.conftest import ROOT
from ui.command_line import COMMANDS, main
from ui.commands import verify

HEAVY = ("numpy", "cv2", "numba", "scipy", "h5py", "typst", "msgspec", "PyQt5")
SECRET = "Zyxw Qvut"


@pytest.fixture(autouse=True)
def data_of_this_test(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the log and the recordings of a test out of the user's account."""
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def failing_verify(error: BaseException) -> click.Command:
    @click.command()
    def command() -> None:
        raise error

    return command


@pytest.mark.parametrize("words", [["--help"], *([name, "--help"] for name in COMMANDS)], ids=" ".join)
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    program = f"""
import sys
from ui.command_line import main
try:
    main({words!r})
except SystemExit as end:
    assert not end.code, end.code
print("loaded", sorted(set({HEAVY!r}) & set(sys.modules)))
"""
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert ran.stdout.splitlines()[-1] == "loaded []"


def test_help_teaches_the_sequence_in_order() -> None:
    text = run("--help").output
    places = [text.index(f"driftbeat {name}") for name in ("record", "analyse", "report", "export", "demo")]
    assert places == sorted(places)
    for name, line in COMMANDS.items():
        assert f"  {name} " in text
        assert line in " ".join(text.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_each_command_shows_an_example(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    example = result.output.split("Options:")[0].split("Usage:")[1].split("\n", 1)[1]
    assert f"driftbeat {name}" in example


def test_an_unknown_command_is_a_usage_error() -> None:
    result = run("recrod")
    assert result.exit_code == 2
    assert "recrod" in result.stderr


def test_an_unexpected_error_is_one_message_without_traceback(
    monkeypatch: pytest.MonkeyPatch, data_of_this_test: Path
) -> None:
    monkeypatch.setattr(verify, "command", failing_verify(ZeroDivisionError(SECRET)))
    result = run("verify")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "ZeroDivisionError" in result.stderr
    assert "Traceback" not in result.stderr
    assert str(data_of_this_test / "log" / "driftbeat.log") in result.stderr


def test_the_log_holds_the_place_of_an_error_but_not_its_text(
    monkeypatch: pytest.MonkeyPatch, data_of_this_test: Path
) -> None:
    error = ZeroDivisionError(f"{SECRET} in /home/{SECRET}/eye.mkv")
    error.__cause__ = FileNotFoundError(2, "No such file", f"/home/{SECRET}/eye.mkv")
    monkeypatch.setattr(verify, "command", failing_verify(error))
    run("verify")
    log = (data_of_this_test / "log" / "driftbeat.log").read_text()
    assert "ZeroDivisionError at " in log
    assert "FileNotFoundError" in log
    assert "test_command_line:" in log
    assert not any(word in log for word in SECRET.split())


def test_a_log_that_cannot_be_written_is_done_without(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("DRIFTBEAT_DATA", str(tmp_path / "file"))
    monkeypatch.setattr(verify, "command", failing_verify(ZeroDivisionError()))
    result = run("verify")
    assert result.exit_code == 1
    assert "ZeroDivisionError" in result.stderr


def test_interruption_ends_in_130_and_says_what_is_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "command", failing_verify(KeyboardInterrupt()))
    result = run("verify")
    assert result.exit_code == 130
    assert "untouched" in result.stderr


def test_a_full_disk_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "command", failing_verify(OSError(28, "No space left on device")))
    result = run("verify")
    assert result.exit_code == 1
    assert "disk is full" in result.stderr


def test_ctrl_c_while_modules_are_imported_is_answered_in_words() -> None:
    program = """
import sys

class Struck:
    def find_spec(self, name, *rest):
        if name == "click":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Struck())
from ui.start import main
main()
"""
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (130, "", "Interrupted. Nothing was begun.\n")
