"""What is heard during a test, told by a stand-in that notes it."""

from __future__ import annotations

from typing import Literal

from tests.ui.window.conftest import Window
from ui.visit.cues import TOLD_S, Cues


class Noting:
    on = True

    def __init__(self) -> None:
        self.problem = ""
        self.said: list[str] = []
        self.tones: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)

    def tone(self, tone: Literal["end", "lost"]) -> None:
        self.tones.append(tone)

    def tick(self) -> None: ...

    def close(self) -> None: ...


def hear(window: Window) -> Noting:
    noting = Noting()
    window.visit.sounds, window.visit._cues = noting, Cues(noting)
    return noting


def begin_spontaneous(window: Window) -> None:
    window.key("Space")
    while window.footer()[0] == ("N", "No"):
        window.key("N")
    window.key("Space")


def test_each_step_is_said_once_and_its_end_is_a_tone(window: Window) -> None:
    heard = hear(window)
    begin_spontaneous(window)
    steps = window.visit.runs[0].procedure.steps
    window.wait(5)
    assert [words for words in heard.said if words] == [window.visit.runs[0].shown.spoken]
    assert steps[0].instruction in heard.said[-1]
    assert heard.tones == []
    window.wait(17)
    assert heard.tones == ["end"]
    window.key("Space")
    assert steps[1].instruction in heard.said[-1]
    window.key("Escape")
    assert heard.said[-1] == ""  # what was being said is cut short


def test_a_pupil_that_is_lost_is_heard_and_not_thirty_times_a_second(window: Window) -> None:
    heard = hear(window)
    begin_spontaneous(window)
    window.wait(2)
    window.wait(4, quality=0.0)
    assert heard.tones == ["lost"]
    window.wait(4, quality=0.0)
    assert heard.tones == ["lost", "lost"]


def test_f11_turns_the_sound_off_and_on(window: Window) -> None:
    hear(window)
    window.key("F11")
    assert not window.visit.sounds.on
    window.key("F11")
    assert window.visit.sounds.on


def test_what_cannot_be_heard_is_told_for_a_while_and_then_stands_small(window: Window) -> None:
    heard = hear(window)
    heard.problem = "No voice on this computer."
    window.wait(1.0)
    assert window.visit.strip["sound"] == "No voice on this computer."
    window.wait(TOLD_S)
    assert "sound" not in window.visit.strip
    assert "sound: on, with trouble" in window.shell._names.text()
