"""What is measured from memory is what the sealed file of the same recording says."""

from __future__ import annotations

import errno
import io
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from capture.calibration import Calibration, default_calibration
from capture.clock import SystemClock
from capture.samples import AXES, EYES, SAMPLE_DTYPE, Eye, Target
from recordings.event import Event
from recordings.held import BLOCK_ROWS, HeldRecording
from recordings.live_recorder import LiveRecorder
from recordings.sealed import open_recording
from recordings.shared_samples import SharedReader
from tests.faults.live import BENCH, ToldCamera, goggles, told_recorder
from tests.recordings.making import SIZE

pytestmark = pytest.mark.usefixtures("seal_here")
ASKED = replace(
    BENCH, circumstances=msgspec.structs.replace(BENCH.circumstances, procedure="dix_hallpike_right")
)


def given() -> dict[Eye, Calibration]:
    """Of the right eye alone: the left one's is made from the targets, or is the average eye's."""
    profile = goggles(*EYES)
    made = default_calibration(profile.view("right"), profile.camera("right").geometry, SIZE)
    return {"right": msgspec.structs.replace(made, calibrated=True, grade="good")}


def record(
    data: Path, during: Callable[[LiveRecorder, HeldRecording], None], reason: str = ""
) -> tuple[HeldRecording, Path]:
    cameras: dict[str, ToldCamera] = {}
    with told_recorder(data, cameras, *EYES) as recorder:
        reader = SharedReader(recorder.open())
        time.sleep(0.1)  # samples from before the recording are not of it
        held = HeldRecording(reader, given())
        time.sleep(0.05)
        folder = recorder.start(replace(ASKED, calibrations=given()))
        during(recorder, held)
        recorder.stop(reason)
        time.sleep(0.05)  # nor are those from after it
        held.close(recorder.facts())
        assert recorder.wait_sealed(30)
        reader.close()
    return held, folder


def look_and_mark(recorder: LiveRecorder, held: HeldRecording) -> None:
    now_s = SystemClock().now_s()
    for what in (Target(now_s, now_s + 0.1, 0.0, 0.0), Event(now_s, now_s + 0.2, "step", "right ear down")):
        recorder.mark(what)
        held.mark(what)
    for _ in range(10):
        time.sleep(0.03)
        held.tick()


@pytest.mark.parametrize(("reason", "block"), [("", 7), ("stopped by the technician", BLOCK_ROWS)])
def test_it_says_what_the_sealed_file_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reason: str, block: int
) -> None:
    monkeypatch.setattr("recordings.held.BLOCK_ROWS", block)
    held, folder = record(tmp_path, look_and_mark, reason)
    with open_recording(folder) as sealed:
        for eye in EYES:
            assert len(held.samples[eye]) > 20
            for name in SAMPLE_DTYPE.names or ():
                assert np.array_equal(held.samples[eye][name], sealed.samples[eye][name], equal_nan=True), (
                    name
                )
            assert all(np.isfinite(held.samples[eye][f"{axis}_deg"]).any() for axis in AXES)
        assert held.samples["right"]["time_s"].min() == 0 or held.samples["left"]["time_s"].min() == 0
        assert held.calibrations == sealed.calibrations
        assert held.calibrations["right"] == given()["right"]
        assert (held.targets, held.events) == (sealed.targets, sealed.events)
        assert [event.text for event in held.events if event.kind == "step"] == ["right ear down"]
        assert held.profile == sealed.profile
        assert held.complete == sealed.complete == (reason == "")
        assert held.verified
        assert held.info.procedure == sealed.info.procedure == "dix_hallpike_right"
        kept = {"pictures": 0, "pictures_bytes": 0, "pictures_sha256": ""}  # the file's alone
        eyes = {eye: msgspec.structs.replace(info, **kept) for eye, info in sealed.info.eyes.items()}
        assert held.info == msgspec.structs.replace(sealed.info, images="none", eyes=eyes)


def test_who_looks_too_seldom_has_no_whole_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recordings.shared_samples.ROWS", 20)

    def be_held_up(recorder: LiveRecorder, held: HeldRecording) -> None:
        held.tick()
        time.sleep(0.5)

    held, folder = record(tmp_path, be_held_up)
    assert not held.complete
    assert "the file has them" in held.info.ending
    with open_recording(folder) as sealed:
        assert sealed.complete
        rows = sealed.samples["right"]
        assert 0 < len(held.samples["right"]) < len(rows)
        assert set(held.samples["right"]["frame"]) < set(rows["frame"])


def test_a_temporary_folder_that_is_full_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recordings.held.BLOCK_ROWS", 7)

    class Full(io.BytesIO):
        def write(self, block: object) -> int:
            raise OSError(errno.ENOSPC, "no space left")

    monkeypatch.setattr("recordings.held.tempfile.TemporaryFile", Full)
    held, folder = record(tmp_path, look_and_mark)
    assert not held.complete
    assert "the file has them" in held.info.ending
    with open_recording(folder) as sealed:
        assert sealed.complete


def test_before_its_end_nothing_is_measured(tmp_path: Path) -> None:
    def look(recorder: LiveRecorder, held: HeldRecording) -> None:
        assert not recorder.facts().ending.complete  # should the recorder die now
        assert not held.complete
        with pytest.raises(AssertionError, match="still being recorded"):
            _ = held.samples

    record(tmp_path, look)
