"""Goggles that slip while a technician watches: told in words, and neither nystagmus nor a direction."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.calibration import Calibration, default_calibration
from capture.profile import MountGeometry
from capture.samples import EYES, SAMPLE_DTYPE, Eye
from recordings.journal import SampleRow
from tests.ui.visit.sender import PROFILE, Sender
from ui.visit.hints import slip_words
from ui.visit.live_eyes import LiveEyes

RATE_HZ, MM_PER_PX, BLOCK = 60.0, 0.1, 4
SLIP_S, SECONDS = 12.0, 17.0
SLIPS_MM = ((1.5, 0.6), (-0.5, -0.3))

Floats = NDArray[np.float64]


@pytest.fixture
def sender() -> Iterator[Sender]:
    sender = Sender(RATE_HZ)
    yield sender
    sender.reader.close()
    sender.writer.close()


def known() -> dict[Eye, Calibration]:
    """As if calibrated: an average eye before a camera of 0.1 mm a pixel."""
    average: dict[Eye, Calibration] = {
        eye: default_calibration(PROFILE.view(eye), MountGeometry(mm_per_px=MM_PER_PX), (320, 240))
        for eye in EYES
    }
    return {
        eye: msgspec.structs.replace(one, calibrated=True, grade="good", direction="proven")
        for eye, one in average.items()
    }


def samples(gaze_mm: Floats, slipped_mm: Floats, rng: np.random.Generator) -> NDArray[np.void]:
    """Rows (n,): the reflection follows a turn half as far as the pupil, a slip nearly as far."""
    pupil = gaze_mm + slipped_mm + 0.002 * rng.standard_normal(gaze_mm.shape)
    glint = 0.5 * gaze_mm + 0.91 * slipped_mm + 0.002 * rng.standard_normal(gaze_mm.shape)
    rows = np.zeros(len(gaze_mm), SAMPLE_DTYPE)
    rows["frame"] = np.arange(len(rows))
    rows["time_s"] = rows["frame"] / RATE_HZ
    rows["device_time_s"] = np.nan
    rows["x_px"], rows["y_px"] = 160 + pupil.T[0] / MM_PER_PX, 120 + pupil.T[1] / MM_PER_PX
    rows["glint_x_px"], rows["glint_y_px"] = 160 + glint.T[0] / MM_PER_PX, 120 + glint.T[1] / MM_PER_PX
    rows["glint_count"], rows["pupil_quality"], rows["visible_share"] = 2, 0.95, 1.0
    rows["torsion_quality"], rows["rotation_deg"] = 0.9, 0.02 * rng.standard_normal(len(rows))
    rows["major_px"] = rows["minor_px"] = 20.0
    return rows


def still(time_s: Floats) -> Floats:
    return np.zeros((len(time_s), 2))


def looking(time_s: Floats) -> Floats:
    """To another place every 0.7 s."""
    places = np.random.default_rng(7).uniform(-1.5, 1.5, (100, 2))
    return places[(time_s / 0.7).astype(int)]


def beating(time_s: Floats) -> Floats:
    """A slow phase of 0.36 s, as far as 6 deg, and a quick phase of 0.04 s back."""
    phase_s = time_s % 0.4
    x = np.where(phase_s < 0.36, phase_s / 0.36, 1 - (phase_s - 0.36) / 0.04)
    return np.column_stack((1.2 * x, np.zeros(len(x))))


class Told(dict[float, str]):
    """Words about the right eye, by the time at which they were there."""


def live(
    sender: Sender, gaze: Callable[[Floats], Floats], slips: list[tuple[float, tuple[float, float]]]
) -> tuple[LiveEyes, Told, list[tuple[float, bool, tuple[str, ...]]]]:
    """Feed a recording block by block; what was told of the goggles, and of nystagmus."""
    eyes, told, seen = LiveEyes(sender.reader, PROFILE, known()), Told(), []
    time_s = np.arange(0.0, SECONDS, 1 / RATE_HZ)
    slipped = np.zeros((len(time_s), 2))
    for at_s, by_mm in slips:
        slipped += np.clip((time_s - at_s) / 0.1, 0, 1)[:, None] * by_mm
    rows = samples(gaze(time_s), slipped, np.random.default_rng(3))
    for first in range(0, len(rows), BLOCK):
        for row in rows[first : first + BLOCK]:
            for k in range(len(EYES)):
                sender.writer.sample(SampleRow(k, row.tobytes()))
        now_s = float(rows["time_s"][min(first + BLOCK, len(rows)) - 1])
        eyes.tick(now_s)
        right = eyes.eyes["right"]
        told[now_s] = slip_words(right)
        seen.append((now_s, eyes.running(), right.nystagmus.words()))
    return eyes, told, seen


@pytest.mark.parametrize("gaze", [still, looking, beating])
@pytest.mark.parametrize("by_mm", SLIPS_MM)
def test_a_slip_is_told_within_half_a_second(sender: Sender, gaze, by_mm) -> None:
    eyes, told, _ = live(sender, gaze, [(SLIP_S, by_mm)])
    assert not any(words for at_s, words in told.items() if at_s < SLIP_S)
    first_s = min(at_s for at_s, words in told.items() if words)
    assert first_s <= SLIP_S + 0.5
    slip = eyes.eyes["right"].slip
    assert slip is not None
    assert slip.size_mm == pytest.approx(np.hypot(*by_mm), rel=0.15)
    words = f"The goggles moved by what looks like {slip.size_deg:.1f} deg of gaze of the right eye"
    assert told[max(told)].startswith(words)


@pytest.mark.parametrize("by_mm", SLIPS_MM)
def test_slips_of_a_still_eye_are_no_nystagmus(sender: Sender, by_mm) -> None:
    """Four slips the same way, a second apart, would be a run of beats."""
    eyes, told, seen = live(sender, still, [(SLIP_S + k, by_mm) for k in range(4)])
    assert not any(running or words for _, running, words in seen)
    assert any(told.values())
    assert len(eyes.eyes["right"].since(SLIP_S)) > 100


@pytest.mark.parametrize("by_mm", SLIPS_MM)
def test_a_slip_changes_no_direction(sender: Sender, by_mm) -> None:
    """Pupils that drift along the picture's x go to the patient's left: the beats are to the right."""
    _, _, seen = live(sender, beating, [(SLIP_S, by_mm)])
    steady = [(running, words) for at_s, running, words in seen if at_s > SLIP_S - 2.0]
    assert all(running for running, _ in steady)
    directions = {word.split()[0] for _, words in steady for word in words}
    assert directions == {"right-beating"}
    assert all(words for _, words in steady)


@pytest.mark.parametrize("by_mm", SLIPS_MM)
def test_after_a_slip_the_degrees_are_as_before(sender: Sender, by_mm) -> None:
    eyes, _, _ = live(sender, still, [(SLIP_S, by_mm)])
    rows = eyes.eyes["right"].kept.rows
    late = rows[rows["time_s"] > SLIP_S + 1.0]
    per_mm = np.ptp(np.degrees(np.arctan(np.array([0.0, 1.0]) / 12.0)))  # at least; nearer eyes turn further
    assert np.hypot(*by_mm) * per_mm > 2.0
    for axis in ("horizontal", "vertical"):
        before = np.median(rows[rows["time_s"] < SLIP_S - 0.2][f"{axis}_deg"])
        assert np.median(late[f"{axis}_deg"]) == pytest.approx(before, abs=1.0)  # the bar after correction


def test_looking_around_is_no_slip(sender: Sender) -> None:
    eyes, told, _ = live(sender, looking, [])
    assert not any(told.values())
    assert eyes.slipped() == ()


def test_a_slip_is_over_with_the_next_calibration(sender: Sender) -> None:
    eyes, _, _ = live(sender, looking, [(SLIP_S, (1.5, 0.6))])
    eyes.begin(SECONDS)  # a recording begins: the file does not know of it, but is told
    (right, left) = eyes.slipped()
    assert right.startswith("right eye: the goggles had slipped since the calibration by what looks like ")
    assert left.startswith("left eye: ")
    eyes.calibrate(known())
    assert eyes.slipped() == ()
    assert slip_words(eyes.eyes["right"]) == ""


def test_an_eye_that_is_not_calibrated_is_told_nothing(sender: Sender) -> None:
    eyes, _, _ = live(sender, looking, [])
    right = eyes.eyes["right"]
    right.moving = True
    assert slip_words(right) == "The goggles are moving in front of the right eye: hold them still."
    right.calibration = msgspec.structs.replace(right.calibration, calibrated=False)
    assert slip_words(right) == ""
