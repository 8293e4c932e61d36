"""An invented eye that drifts and beats, written into shared memory as a recorder does."""

from __future__ import annotations

import numpy as np

from capture.profile import CameraProfile, EyeView, GoggleProfile
from capture.samples import EYES, NAN, SAMPLE_DTYPE, Frame
from recordings.journal import SampleRow
from recordings.shared_samples import SharedReader, SharedWriter

RATE_HZ = 250.0
PICTURE = np.zeros((240, 320), np.uint8)
PROFILE = GoggleProfile("made up", tuple(CameraProfile(eye, (EyeView(eye),)) for eye in EYES))


class Sender:
    """Writes an eye that drifts and beats into shared memory."""

    def __init__(self, rate_hz: float = RATE_HZ) -> None:
        self.rate_hz = rate_hz
        self.writer = SharedWriter(dict.fromkeys(EYES, (320, 240)), {"right": 0, "left": 1})
        self.reader = SharedReader(self.writer.plan)
        self.frame, self.x_px, self.radius_px = 0, 160.0, 30.0
        self.rng = np.random.default_rng(1)

    def send(self, seconds: float, px_per_s: float, quality: float = 0.9) -> None:
        """A slow phase of 0.36 s and a quick phase of 0.04 s back, in both eyes."""
        for _ in range(round(seconds * self.rate_hz)):
            time_s = self.frame / self.rate_hz
            phase_s = time_s % 0.4
            slow_s = 0.4 - 0.04
            back = 1 - (phase_s - slow_s) / 0.04 if phase_s > slow_s else phase_s / slow_s
            row = np.zeros((), SAMPLE_DTYPE)
            row["frame"], row["time_s"], row["device_time_s"] = self.frame, time_s, NAN
            row["x_px"] = 160.0 + px_per_s * slow_s * back + 0.02 * self.rng.standard_normal()
            row["y_px"] = 120.0 + 0.02 * self.rng.standard_normal()
            row["major_px"] = row["minor_px"] = self.radius_px
            row["visible_share"], row["pupil_quality"], row["torsion_quality"] = 1.0, quality, 0.9
            row["rotation_deg"] = 0.02 * self.rng.standard_normal()
            for k, eye in enumerate(EYES):
                self.writer.picture((eye,), Frame(self.frame, time_s, NAN, PICTURE))
                self.writer.sample(SampleRow(k, row.tobytes()))
            self.frame += 1

    @property
    def now_s(self) -> float:
        return self.frame / self.rate_hz
