"""Live eyes from shared memory: degrees, beats, a running nystagmus, signs."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import msgspec
import numpy as np
import pytest

from analysis.live import LiveNystagmus, live_signs
from capture.calibration import Calibration
from capture.samples import SAMPLE_DTYPE, Eye
from tests.ui.visit.sender import PROFILE, Sender
from ui.visit.live_eyes import LiveEyes, Rolling, velocity_dps
from ui.visit.searching import Asked, Found, search
from ui.window.traces import size_words


@pytest.fixture
def sender() -> Iterator[Sender]:
    sender = Sender()
    yield sender
    sender.reader.close()
    sender.writer.close()


def _live(sender: Sender, eyes: LiveEyes, seconds: float, px_per_s: float, quality: float = 0.9) -> None:
    for _ in range(round(seconds * 10)):
        sender.send(0.1, px_per_s, quality)
        eyes.tick(sender.now_s)


def test_a_run_of_beats_is_told_within_a_second_of_its_third_beat_and_ends_3_s_after_its_last(
    sender: Sender,
) -> None:
    eyes = LiveEyes(sender.reader, PROFILE, {})
    _live(sender, eyes, 4.0, 0.0)
    assert not eyes.running()
    began_s = sender.now_s
    while not eyes.running():
        _live(sender, eyes, 0.1, 60.0)
        assert sender.now_s < began_s + 3 * 0.4 + 1.0
    _live(sender, eyes, 4.0, 60.0)
    assert eyes.running()
    ended_s = sender.now_s
    while eyes.running():
        _live(sender, eyes, 0.1, 0.0)
        assert sender.now_s < ended_s + 4.0
    assert sender.now_s > ended_s + 2.4


def test_a_search_in_the_background_finds_the_same_and_keeps_no_tick_waiting(
    sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    held, begun = threading.Event(), []

    def slow(asked: list[Asked]) -> list[Found]:
        begun.append(asked)
        held.wait(10.0)
        return search(asked)

    eyes = LiveEyes(sender.reader, PROFILE, {}, background=True)
    held.set()
    _live(sender, eyes, 6.0, 60.0)
    while not all(live.beats for live in eyes.eyes.values()):
        time.sleep(0.01)
        _live(sender, eyes, 0.1, 60.0)
    assert eyes.running()
    assert all(live.nystagmus.words() for live in eyes.eyes.values())
    held.clear()
    monkeypatch.setattr("ui.visit.live_eyes.search", slow)
    time.sleep(0.1)  # the search before it ends
    _live(sender, eyes, 1.5, 60.0)
    assert len(begun) == 1  # never two at once
    for live in eyes.eyes.values():
        assert live.nystagmus.words() == ()  # what is older than a second is not shown
        assert live.beats == ()
    assert eyes.running()  # a hold does not end because the computer is slow
    held.set()
    while not all(live.nystagmus.words() for live in eyes.eyes.values()):
        time.sleep(0.01)
        _live(sender, eyes, 0.1, 60.0)
    eyes.close()


def test_velocity_is_the_slope_of_the_degrees(sender: Sender) -> None:
    eyes = LiveEyes(sender.reader, PROFILE, {})
    _live(sender, eyes, 6.0, 60.0)
    for live in eyes.eyes.values():
        rows = live.kept.rows
        slow = (rows["time_s"] % 0.4 > 0.1) & (rows["time_s"] % 0.4 < 0.3)
        slope = np.median(velocity_dps(rows)[slow, 0])
        deg_per_px = np.polyfit(rows["x_px"], rows["horizontal_deg"], 1)[0]
        assert slope == pytest.approx(60.0 * deg_per_px, rel=0.05)
        assert live.nystagmus.velocity_dps[0] == pytest.approx(slope, rel=0.1)
        assert live.nystagmus.present[:2] == (True, False)


@pytest.mark.parametrize(
    ("radius_px", "said"),
    [
        (30.0, ""),
        (31.9, ""),  # 2 * 1.9 * 0.1 = 0.38 mm wider: within the half millimetre that is not told
        (39.0, "pupil 1.8 mm wider: zero may be off"),
        (24.0, "pupil 1.2 mm smaller: zero may be off"),
    ],
)
def test_a_pupil_of_another_size_than_the_calibrated_one_is_told(
    sender: Sender, radius_px: float, said: str
) -> None:
    """The pictures show 0.1 mm in a pixel."""
    eyes = LiveEyes(sender.reader, PROFILE, {})
    _live(sender, eyes, 3.0, 0.0)
    assert size_words(eyes.eyes) == ""
    made = {eye: _calibrated(live.calibration) for eye, live in eyes.eyes.items()}
    eyes.calibrate(made)
    sender.radius_px = radius_px
    _live(sender, eyes, 2.0, 0.0)
    assert size_words(eyes.eyes) == said


def _calibrated(average: Calibration) -> Calibration:
    return msgspec.structs.replace(
        average, calibrated=True, model=msgspec.structs.replace(average.model, mm_per_px=0.1)
    )


def test_an_uncalibrated_eye_has_no_signs(sender: Sender) -> None:
    eyes = LiveEyes(sender.reader, PROFILE, {})
    _live(sender, eyes, 6.0, 60.0)
    assert not any(live.proven for live in eyes.eyes.values())
    assert eyes.signs("dark", in_position=True) == ()


def test_a_lost_pupil_and_a_silent_camera_are_told_apart(sender: Sender) -> None:
    eyes = LiveEyes(sender.reader, PROFILE, {})
    _live(sender, eyes, 1.0, 0.0)
    assert eyes.trouble("right", sender.now_s) == ""
    _live(sender, eyes, 1.0, 0.0, quality=0.0)
    assert eyes.trouble("right", sender.now_s) == "pupil lost"
    eyes.tick(sender.now_s + 2.0)
    assert eyes.trouble("right", sender.now_s + 2.0) == "no picture"


def test_rolling_rows_keep_the_newest_in_flat_memory() -> None:
    rolling, size = Rolling(10), len(Rolling(10)._rows)
    for start in range(0, 1000, 7):
        rows = np.zeros(7, SAMPLE_DTYPE)
        rows["frame"] = np.arange(start, start + 7)
        rolling.add(rows)
        kept = rolling.rows["frame"]
        assert kept[-1] == start + 6
        assert (np.diff(kept) == 1).all()
        assert len(kept) >= min(start + 7, 10)
        assert len(rolling._rows) == size


def _eye(lasting: tuple[float, float, float], present: tuple, *, beats: int = 10) -> dict[Eye, LiveNystagmus]:
    """An axis that is not present is surely still where `present` says False; it may say "unsure"."""
    still = tuple(there is False for there in present)
    there = tuple(False if one == "unsure" else one for one in present)
    return {"right": LiveNystagmus(True, lasting, there, lasting, still, beats)}


@pytest.mark.parametrize(
    ("lasting", "present", "said"),
    [  # slow phase up is down-beating
        ((0.0, 6.0, 0.0), (False, True, False), "Purely vertical nystagmus (down-beating). Doctor now."),
        ((0.0, -6.0, 0.0), (False, True, False), "Purely vertical nystagmus (up-beating). Doctor now."),
        ((0.0, 6.0, 4.0), (False, True, True), ""),  # vertical and torsional: a canal may give it
        ((0.0, 6.0, 0.9), (False, True, "unsure"), ""),  # torsion that only begins is not none
        ((0.5, 6.0, 0.0), ("unsure", True, False), ""),
        ((3.0, 6.0, 0.0), (True, True, False), ""),
        ((0.0, 6.0, 0.0), (None, True, False), ""),
        ((0.0, 1.5, 0.0), (False, True, False), ""),  # healthy people show up to 2 deg/s in one position
        ((0.0, 6.0, 0.0), (False, True, None),
         "Nystagmus without a horizontal part (down-beating); torsion not read. Show the doctor now."),
        ((0.0, 0.0, -4.0), (False, False, True), "Purely torsional nystagmus (upper pole beating toward the "
         "patient's right ear). Doctor now."),
        ((0.0, -0.8, -4.0), (False, "unsure", True), ""),
    ],
)  # fmt: skip
def test_signs_in_a_position(lasting: tuple, present: tuple, said: str) -> None:
    assert live_signs(_eye(lasting, present), "dark", in_position=True) == ((said,) if said else ())


def test_a_few_beats_are_no_sign() -> None:
    begun = _eye((0.0, 6.0, 0.0), (False, True, False), beats=7)
    assert live_signs(begun, "dark", in_position=True) == ()


def test_small_vertical_nystagmus_in_the_dark_is_no_sign_upright() -> None:
    slow = _eye((0.0, 4.0, 0.0), (False, True, False))
    assert live_signs(slow, "dark", in_position=False) == ()  # healthy people: up to 5.5 deg/s
    assert live_signs(slow, "light", in_position=False) != ()  # but 1 deg/s with fixation
