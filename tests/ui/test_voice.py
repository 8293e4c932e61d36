"""The voice and the tones, by a stand-in that notes what it is asked."""

from __future__ import annotations

import io
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from ui.voice import BEEPS, NO_PLAYER, NO_VOICE, RATE_HZ, Aloud, Tone, aloud_of_system, tone_wav

NASTY = "\"; touch pwned; $(touch pwned) 'a' -w x <b>&"


def noting(tmp_path: Path, then: str = "") -> tuple[Path, list[str]]:
    """A file, and a command that writes its last argument into it."""
    note = tmp_path / "said.txt"
    code = f"import sys; open({str(note)!r}, 'a').write(sys.argv[-1] + '\\n'); {then}"
    return note, [sys.executable, "-S", "-c", code]


def settle(aloud: Aloud, seconds: float = 10.0) -> None:
    end_s = time.monotonic() + seconds
    while aloud._children and time.monotonic() < end_s:
        aloud.tick()
        time.sleep(0.01)


def test_text_reaches_the_voice_letter_for_letter_and_no_shell(tmp_path: Path) -> None:
    note, command = noting(tmp_path)
    aloud = Aloud(command, None)
    aloud.say(NASTY)
    settle(aloud)
    aloud.close()
    assert note.read_text() == NASTY + "\n"
    assert not (Path.cwd() / "pwned").exists()


def test_a_newer_text_takes_the_place_of_the_one_that_is_being_said(tmp_path: Path) -> None:
    note, command = noting(tmp_path, "import time; time.sleep(60) if 'long' in sys.argv[-1] else None")
    aloud = Aloud(command, None)
    began_s = time.monotonic()
    aloud.say("long")
    assert time.monotonic() - began_s < 1.0  # it does not wait for the end
    aloud.say("short")
    settle(aloud)
    aloud.close()
    assert note.read_text().splitlines()[-1] == "short"
    assert aloud.problem == NO_PLAYER  # a voice that was cut short has not failed
    assert time.monotonic() - began_s < 30


def test_a_tone_is_handed_over_as_a_file_that_goes_with_the_program(tmp_path: Path) -> None:
    note, command = noting(tmp_path)
    aloud = Aloud(None, command)
    aloud.tone("end")
    settle(aloud)
    file = Path(note.read_text().strip())
    assert file.read_bytes() == tone_wav("end")
    aloud.close()
    assert not file.exists()


@pytest.mark.parametrize(
    "command", [["/nowhere/at/all"], [sys.executable, "-S", "-c", "raise SystemExit(3)"]]
)
def test_a_device_that_fails_is_told_and_nothing_is_raised(command: list[str]) -> None:
    aloud = Aloud(command, command)
    aloud.say("hello")
    aloud.tone("lost")
    settle(aloud)
    aloud.close()
    assert "cannot be" in aloud.problem


def test_without_a_voice_and_a_player_it_is_silent_and_says_so() -> None:
    aloud = aloud_of_system("linux", lambda name: None)
    aloud.say("hello")
    aloud.tone("end")
    aloud.tick()
    aloud.close()
    assert aloud.problem == f"{NO_VOICE} {NO_PLAYER}"


@pytest.mark.parametrize(
    ("platform", "voice"), [("linux", "espeak-ng"), ("darwin", "say"), ("win32", "powershell")]
)
def test_each_system_has_its_voice(platform: str, voice: str, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[str]] = []

    class Child:
        def poll(self) -> int:
            return 0

    def popen(command: list[str], **kwargs: object) -> Child:
        asked.append([*command, str((kwargs["env"] or {}).get("DRIFTBEAT_SPOKEN", ""))])  # type: ignore[attr-defined]
        return Child()

    aloud = aloud_of_system(platform, lambda name: name)
    monkeypatch.setattr("ui.voice.subprocess.Popen", popen)
    aloud.say(NASTY)
    (command,) = asked
    assert command[0] == voice
    as_arguments = [part for part in command[:-1] if part == NASTY]
    if platform == "win32":  # PowerShell reads arguments as code: the text is no part of any
        assert not any(NASTY in part for part in command[:-1])
        assert command[-1] == NASTY
    else:
        assert as_arguments == [NASTY]
        assert command[command.index(NASTY) - 1] == "--"  # a text that begins with - is no option


def test_sound_that_is_off_stays_silent(tmp_path: Path) -> None:
    note, command = noting(tmp_path)
    aloud = Aloud(command, command)
    aloud.on = False
    aloud.say("hello")
    aloud.tone("end")
    settle(aloud)
    aloud.close()
    assert not note.exists()


@pytest.mark.parametrize("tone", list(BEEPS))
def test_a_tone_has_its_length_its_pitch_and_no_clicks(tone: Tone) -> None:
    with wave.open(io.BytesIO(tone_wav(tone))) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
        assert file.getframerate() == RATE_HZ
    assert len(samples) / RATE_HZ == pytest.approx(sum(seconds for _, seconds in BEEPS[tone]), abs=1e-3)
    first_hz, first_s = BEEPS[tone][0]
    beep = samples[: round(first_s * RATE_HZ)]
    peak = np.argmax(np.abs(np.fft.rfft(beep)))
    assert peak * RATE_HZ / len(beep) == pytest.approx(first_hz, abs=5)
    assert abs(samples[0]) < 400
    assert abs(samples[-1]) < 400
    assert 5000 < np.abs(samples).max() < 16000
