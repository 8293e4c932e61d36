"""Whose clock, which offset, what that rules out: from journals written here, stamp by stamp."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from capture.samples import EYES, NAN, Frame
from recordings.info import Circumstances, Ending, EyeSource, LiveOpening, Opening
from recordings.journal import Journal, pack_sample
from recordings.sealed import Recording, open_recording
from recordings.sealing import seal
from tests.recordings.making import TRACKED, profile

RATE_HZ, COUNT = 250.0, 1000
IMAGE = np.zeros((2, 2), np.uint8)


def sealed(
    folder: Path,
    *,
    jitter_s: float = 1e-3,
    left_offset_s: float = 0.0014,
    device: bool = True,
    missing: tuple[int, ...] = (),
) -> Recording:
    """Two cameras at 250/s whose pictures arrive up to `jitter_s` late; their own clocks run 1e-4 slow."""
    opening = Opening(
        "an id", "2026-11-25T09:00:00+00:00", "driftbeat", "SystemClock", Circumstances(),
        profile("right", "left"),
        tuple(EyeSource(eye, f"camera-{eye}", "a", 64, 48, 250.0, "measured", 8.0) for eye in EYES), "none",
        LiveOpening("2026-11-25T09:00:00.500+00:00", 1000.0, "proven", True),
    )  # fmt: skip
    journal = Journal(folder, opening, {})
    random = np.random.default_rng(3)
    for eye in EYES:
        true_s = 1002.0 + np.arange(COUNT) / RATE_HZ + (left_offset_s if eye == "left" else 0.0)
        host_s = np.maximum.accumulate(true_s + random.exponential(jitter_s, COUNT))
        device_s = (true_s - 900.0) / (1 + 1e-4)
        for n in range(COUNT):
            if n not in missing:
                told_s = device_s[n] if device else NAN
                journal.add([pack_sample(eye, Frame(n, host_s[n], told_s, IMAGE), TRACKED)], [])
    journal.end(Ending(True, ""))
    journal.commit()
    journal.close()
    seal(folder)
    return open_recording(folder)


def test_the_steadier_clock_is_used_and_the_arrivals_are_kept(tmp_path: Path) -> None:
    with sealed(tmp_path) as recording:
        for eye in EYES:
            info, rows = recording.info.eyes[eye], recording.samples[eye]
            assert info.clock_used == "camera"
            assert info.clock_drift == pytest.approx(1e-4, abs=1e-5)
            assert info.clock_offset_s == pytest.approx(900.0, abs=2e-3)
            assert info.host_jitter_s is not None
            assert info.camera_jitter_s is not None
            assert info.camera_jitter_s < 1e-5 < info.host_jitter_s
            assert np.diff(rows["time_s"]) == pytest.approx(1 / RATE_HZ, abs=1e-5)
            assert info.measured_rate_hz == pytest.approx(RATE_HZ, rel=1e-4)
    with h5py.File(tmp_path / "measurement.h5") as file:
        for eye in EYES:
            late_s = file[f"eyes/{eye}/host_time_s"][:] - file[f"eyes/{eye}/time_s"][:]  # type: ignore[index]
            assert late_s.min() > -2e-4
            assert np.median(late_s) == pytest.approx(np.log(2) * 1e-3, rel=0.4)


def test_without_a_clock_of_its_own_the_hosts_is_used(tmp_path: Path) -> None:
    with sealed(tmp_path, device=False) as recording:
        info = recording.info.eyes["right"]
    assert info.clock_used == "host"
    assert "no times of its own" in info.clock_reason
    assert info.clock_drift is info.camera_jitter_s is None


def test_utc_and_what_two_cameras_rule_out(tmp_path: Path) -> None:
    """The first frame came 2 s after the wall clock was read at 09:00:00.5."""
    with sealed(tmp_path) as recording:
        info = recording.info
    assert info.utc_of_zero.startswith("2026-11-25T09:00:02.50")
    assert (info.live, info.bench, info.eye_identity) == (True, True, "proven")
    assert info.pair_offset_s == pytest.approx(0.0014, abs=2e-4)
    assert "Disconjugacy and skew" in info.pair_ruled_out
    assert "8 ms smears the pupil" in info.eyes["right"].ruled_out


def test_cameras_that_see_at_the_same_moment_rule_nothing_out(tmp_path: Path) -> None:
    with sealed(tmp_path, left_offset_s=0.0) as recording:
        assert recording.info.pair_ruled_out == ""


def test_only_a_jump_of_the_number_is_a_loss_however_late_a_frame_is(tmp_path: Path) -> None:
    with sealed(tmp_path, jitter_s=6e-3, device=False, missing=(100, 101, 500)) as recording:
        assert [eye.lost for eye in recording.info.eyes.values()] == [3, 3]


def test_stamps_that_stand_still_do_not_hold_back_the_sealing(tmp_path: Path) -> None:
    opening = Opening(
        "an id", "2026-11-25T09:00:00+00:00", "driftbeat", "SystemClock", Circumstances(),
        profile("right", "left"),
        tuple(EyeSource(eye, f"camera-{eye}", "a", 64, 48, 250.0, "measured") for eye in EYES), "none",
        LiveOpening("2026-11-25T09:00:00.500+00:00", 1000.0),
    )  # fmt: skip
    journal = Journal(tmp_path, opening, {})
    rows = [pack_sample(eye, Frame(n, 7.0, 7.0, IMAGE), TRACKED) for n in range(99) for eye in EYES]
    journal.add(rows, [])
    journal.end(Ending(False, "a reason " * 40))
    journal.commit()
    journal.close()
    seal(tmp_path)
    with open_recording(tmp_path) as recording:
        assert len(recording.samples["left"]) == 99
        assert recording.info.ending == "a reason " * 40
