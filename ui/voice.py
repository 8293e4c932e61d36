"""The system's own voice and two tones, each by a child process, so that the window never waits.

A missing voice, player or sound device is told in words and changes nothing else: everything that is spoken
stands on the screen as well. Text goes to the voice as one argument, never through a shell; PowerShell, which
reads its arguments as code, gets it in the environment.
"""

from __future__ import annotations

import math
import os
import shutil
import struct
import subprocess
import sys
import wave
from collections.abc import Callable, Sequence
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

Tone = Literal["end", "lost"]

RATE_HZ = 22050
LOUDNESS = 0.4  # of the largest value: a tone must not startle
FADE_S = 0.01  # at both ends of a beep, against clicks
BEEPS: dict[Tone, tuple[tuple[float, float], ...]] = {  # (pitch in Hz or 0 for a pause, seconds)
    "end": ((660.0, 0.15), (880.0, 0.25)),  # rising: it is enough
    "lost": ((440.0, 0.12), (0.0, 0.08), (440.0, 0.12), (0.0, 0.08), (330.0, 0.25)),  # falling: look here
}

SPOKEN = "DRIFTBEAT_SPOKEN"  # the variable in which PowerShell finds what to say
POWERSHELL = (
    "Add-Type -AssemblyName System.Speech; "
    f"(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak($env:{SPOKEN})"
)
# In the order of preference; the first that is installed speaks or plays.
VOICES: dict[str, tuple[tuple[str, ...], ...]] = {
    "linux": (("espeak-ng", "-s", "150", "--"), ("espeak", "-s", "150", "--"), ("spd-say", "--wait", "--")),
    "darwin": (("say", "--"),),
    "win32": (("powershell", "-NoProfile", "-NonInteractive", "-Command", POWERSHELL),),
}
PLAYERS: dict[str, tuple[tuple[str, ...], ...]] = {
    "linux": (("aplay", "-q"), ("pw-play",), ("paplay",)),
    "darwin": (("afplay",),),
    "win32": (
        (
            "powershell",
            "-NoProfile",
            "-NonInteractive",
            "-Command",
            f"(New-Object System.Media.SoundPlayer $env:{SPOKEN}).PlaySync()",
        ),
    ),
}
NO_VOICE = "No voice on this computer (espeak-ng or say): read the words to the patient."
NO_PLAYER = "No tones on this computer (aplay, pw-play or paplay)."


class Aloud:
    """Speaks and sounds. Used by one thread; nothing in it waits or raises for want of sound."""

    def __init__(self, voice: Sequence[str] | None, player: Sequence[str] | None) -> None:
        """Commands to which the text, or the file of a tone, is added; None: there is none."""
        self.on = True
        self._voice, self._player = voice, player
        self._problems: dict[str, str] = {}
        if voice is None:
            self._problems["voice"] = NO_VOICE
        if player is None:
            self._problems["tone"] = NO_PLAYER
        self._folder: TemporaryDirectory[str] | None = None
        self._children: dict[str, subprocess.Popen[Any]] = {}  # the newest of each kind

    @property
    def problem(self) -> str:
        """What cannot be heard and why, in words; empty when all can."""
        return " ".join(self._problems.values())

    def say(self, text: str) -> None:
        """Say this now, in place of what is being said."""
        self._end("voice")
        if self.on and text and self._voice is not None:
            self._start("voice", self._voice, text)

    def tone(self, tone: Tone) -> None:
        """Sound a tone."""
        if not self.on or self._player is None:
            return
        try:
            file = self._tone_file(tone)
        except OSError as error:
            self._problems["tone"] = f"Tones cannot be made ({error.strerror})."
            return
        self._start("tone", self._player, str(file))

    def tick(self) -> None:
        """Take note of what has ended; a voice that fails is told, once it has failed."""
        for kind, child in list(self._children.items()):
            code = child.poll()
            if code is None:
                continue
            del self._children[kind]
            if code == 0:
                self._problems.pop(kind, None)
            else:
                what = "The voice" if kind == "voice" else "The tone"
                self._problems[kind] = f"{what} cannot be heard (its program ended with {code}): check sound."

    def close(self) -> None:
        """Be silent, and leave nothing behind."""
        for kind in list(self._children):
            self._end(kind)
        if self._folder is not None:
            self._folder.cleanup()

    def _start(self, kind: str, command: Sequence[str], what: str) -> None:
        self._end(kind)
        as_code = command[0] == "powershell"  # its arguments are code, so `what` must not be one
        quiet: dict[str, Any] = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.DEVNULL)
        try:
            self._children[kind] = subprocess.Popen(
                [*command] if as_code else [*command, what],
                env=os.environ | {SPOKEN: what} if as_code else None,
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
                **quiet,
            )
        except (OSError, ValueError) as error:  # gone since it was found; a text that no system takes
            self._problems[kind] = f"{command[0]} cannot be started ({error})."

    def _end(self, kind: str) -> None:
        child = self._children.pop(kind, None)
        if child is not None:
            child.kill()
            child.wait()

    def _tone_file(self, tone: Tone) -> Path:
        if self._folder is None:
            self._folder = TemporaryDirectory(prefix="driftbeat-tones-")
        file = Path(self._folder.name) / f"{tone}.wav"
        if not file.exists():
            file.write_bytes(tone_wav(tone))
        return file


def aloud_of_system(platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which) -> Aloud:
    """What this system has to speak and to sound with."""
    return Aloud(_first(VOICES, platform, which), _first(PLAYERS, platform, which))


def _first(
    known: dict[str, tuple[tuple[str, ...], ...]], platform: str, which: Callable[[str], str | None]
) -> tuple[str, ...] | None:
    return next((command for command in known.get(platform, ()) if which(command[0])), None)


def tone_wav(tone: Tone) -> bytes:
    """A tone as a WAV file: 16 bit, one channel."""
    samples: list[int] = []
    for pitch_hz, seconds in BEEPS[tone]:
        count, fade = round(seconds * RATE_HZ), round(FADE_S * RATE_HZ)
        for n in range(count):
            level = LOUDNESS * min(n / fade, (count - n) / fade, 1.0)
            samples.append(round(32767 * level * math.sin(2 * math.pi * pitch_hz * n / RATE_HZ)))
    buffer = BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(struct.pack(f"<{len(samples)}h", *samples))
    return buffer.getvalue()
