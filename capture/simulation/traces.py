"""What a tracker would have stored of an invented patient, without pictures: hours of samples within seconds.

    patient = RespondingPatient(draw("left posterior canal", rng), seed=3, keep=True)
    patient.pose(Pose("left ear down", "dark"), 20.0)
    rows = seen_rows(patient, "right", 90.0, Seeing(), rng)     # SAMPLE_DTYPE
    patient.true_beats()

What it leaves out: everything that goes wrong in pictures, but for lids, noise, slips and a skew calibration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.samples import AXES, NAN, SAMPLE_DTYPE, Eye
from capture.simulation.blinks import BLINK_DIP_DEG
from capture.simulation.canals import Triple
from capture.simulation.responding import RespondingPatient

Floats = NDArray[np.float64]
AT_ONCE = 50_000  # samples worked out at a time
PIXELS_PER_DEG, MIDDLE_PX, PUPIL_PX = 2.0, (160.0, 120.0), 30.0
LOST_SHARE = 0.35  # a pupil of which less is to be seen is lost
SLOWEST_NOISE_HZ = 0.05  # noise that falls with frequency is no slower than this


@dataclass(frozen=True, slots=True)
class Slipped:
    """From `at_s` on every position is another one by `shift_deg`, with no movement between."""

    at_s: float
    shift_deg: Triple


@dataclass(frozen=True, slots=True)
class Seeing:
    """How a tracker sees and a calibration scales; the defaults are a good recording."""

    rate_hz: float = 250.0
    noise_deg: Triple = (0.08, 0.08, 0.15)  # white, standard deviation of a sample
    falling_noise_deg: float = 0.0  # whose power falls as 1/f, standard deviation, on each axis
    gain: Triple = (1.0, 1.0, 1.0)
    roll_deg: float = 0.0  # of the camera, from the patient's up toward the patient's right, not taken out
    cross_talk: float = 0.0  # share of each axis that appears on both others
    jitter_s: float = 0.0  # of true frame times about even ones, standard deviation
    lost_share: float = 0.0  # frames that never came
    torsion_quality: float = 0.9  # below 0.5 torsion counts as unreadable
    slip: Slipped | None = None

    def matrix(self) -> Floats:
        """(3, 3) that makes what is measured of true degrees."""
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        roll = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        mixed = np.full((3, 3), self.cross_talk) + (1 - self.cross_talk) * np.eye(3)
        return np.diag(self.gain) @ mixed @ roll


def seen_rows(
    patient: RespondingPatient, eye: Eye, end_s: float, seeing: Seeing, rng: np.random.Generator
) -> NDArray[np.void]:
    """(n,) rows of SAMPLE_DTYPE of one eye from the patient's beginning to `end_s`; degrees as calibrated.

    What the patient was told so far is lived through first; the patient must have been made to keep it.
    """
    patient.live_until(end_s + 1.0)
    count = int((end_s - patient.start_s) * seeing.rate_hz)
    time = patient.start_s + np.arange(count) / seeing.rate_hz
    late = np.clip(seeing.jitter_s * rng.standard_normal(count), -0.4 / seeing.rate_hz, 0.4 / seeing.rate_hz)
    time, kept = time + late, rng.random(count) >= seeing.lost_share
    number, time = np.flatnonzero(kept), np.maximum(time, patient.start_s)[kept]
    shut, opening = patient.lids(time)
    position = _noise(seeing, time.size, rng)
    for first in range(0, time.size, AT_ONCE):
        part = slice(first, first + AT_ONCE)
        gaze = patient.eyes.gaze_deg(time[part], eye) + shut[part, None] * np.array(BLINK_DIP_DEG)
        position[part] += gaze @ seeing.matrix().T
    if seeing.slip is not None:
        position[time >= seeing.slip.at_s] += seeing.slip.shift_deg
    return _rows(number, time - patient.start_s, position, opening, seeing)


def _noise(seeing: Seeing, count: int, rng: np.random.Generator) -> Floats:
    """(count, 3) white and falling noise."""
    noise = rng.standard_normal((count, 3)) * np.array(seeing.noise_deg)
    if seeing.falling_noise_deg and count > 1:
        hz = np.fft.rfftfreq(count, 1 / seeing.rate_hz)
        height = 1 / np.sqrt(np.maximum(hz, SLOWEST_NOISE_HZ))
        height[0] = 0.0
        drawn = rng.standard_normal((2, 3, hz.size))
        falling = np.fft.irfft(height * (drawn[0] + 1j * drawn[1]), count, axis=1).T
        noise += seeing.falling_noise_deg * falling / falling.std(axis=0)
    return noise


def _rows(
    number: NDArray[np.int64], time_s: Floats, position: Floats, opening: Floats, seeing: Seeing
) -> NDArray[np.void]:
    rows = np.zeros(time_s.size, SAMPLE_DTYPE)
    rows["frame"], rows["time_s"], rows["device_time_s"] = number, time_s, NAN
    share = np.clip(1.5 * opening - 0.2, 0.0, 1.0)  # the lid comes to the pupil when it is a fifth down
    rows["visible_share"], rows["pupil_quality"], rows["torsion_quality"] = (
        share,
        0.95,
        seeing.torsion_quality,
    )
    rows["x_px"], rows["y_px"] = (MIDDLE_PX - PIXELS_PER_DEG * position[:, :2]).T
    rows["major_px"], rows["minor_px"] = PUPIL_PX, 0.97 * PUPIL_PX
    rows["rotation_deg"] = position[:, 2]
    for axis, name in enumerate(AXES):
        rows[f"{name}_deg"] = position[:, axis]
    lost = share < LOST_SHARE
    for name in ("x_px", "y_px", "major_px", "minor_px", "rotation_deg", *(f"{axis}_deg" for axis in AXES)):
        rows[name][lost] = NAN
    for name in ("pupil_quality", "torsion_quality", "visible_share"):
        rows[name][lost] = 0.0
    return rows
