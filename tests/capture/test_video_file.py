from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from capture.samples import Frame
from capture.video_file import open_video
from tests.capture.videos import jpegs, pictures, write_avi, write_lossless, write_times


def frames_of(path: Path, times: Path | None = None) -> Iterator[Frame]:
    source = open_video(path, times)
    try:
        while (frame := source.read()) is not None:
            yield frame
        assert source.read() is None
    finally:
        source.close()


def test_the_cameras_own_bytes_are_kept(tmp_path: Path) -> None:
    sent = jpegs(8)
    frames = list(frames_of(write_avi(tmp_path / "v.avi", sent)))
    assert [frame.encoded for frame in frames] == sent
    expected = [cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE) for data in sent]
    assert all(np.array_equal(frame.image, image) for frame, image in zip(frames, expected, strict=True))


def test_a_picture_cannot_be_written_to(tmp_path: Path) -> None:
    for path in (write_avi(tmp_path / "v.avi", jpegs(2)), write_lossless(tmp_path / "v.mkv", pictures(2))):
        for frame in frames_of(path):
            assert frame.image.dtype == np.uint8
            with pytest.raises(ValueError, match="read-only"):
                frame.image[0, 0] = 1


@pytest.mark.parametrize("name", ["v.mkv", "v.avi"])
def test_a_lossless_grey_video_gives_every_grey_level_back(tmp_path: Path, name: str) -> None:
    shown = pictures(6)
    frames = list(frames_of(write_lossless(tmp_path / name, shown)))
    assert all(np.array_equal(frame.image, picture) for frame, picture in zip(frames, shown, strict=True))
    assert [frame.encoded for frame in frames] == [None] * 6


def test_an_mp4_reads(tmp_path: Path) -> None:
    writer = cv2.VideoWriter(
        str(tmp_path / "v.mp4"), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"mp4v"), 30.0, (64, 48)
    )
    for level in (40, 90, 140, 190):
        writer.write(np.full((48, 64, 3), level, np.uint8))
    writer.release()
    frames = list(frames_of(tmp_path / "v.mp4"))
    assert [round(float(frame.image.mean()), -1) for frame in frames] == [40, 90, 140, 190]
    assert [frame.time_s for frame in frames] == pytest.approx(np.arange(4) / 30, abs=1e-6)


def test_times_from_the_recorder_are_measured(tmp_path: Path) -> None:
    times_s = [10.0, 10.021, 10.021, 10.063]
    source = open_video(write_avi(tmp_path / "v.avi", jpegs(4)), write_times(tmp_path / "times.csv", times_s))
    frames = list(iter(source.read, None))
    source.close()
    assert source.info.times == "measured"
    assert source.info.frame_count == 4
    assert [frame.time_s for frame in frames] == times_s
    assert all(np.isnan(frame.device_time_s) for frame in frames)


@pytest.mark.parametrize("rate_hz", [24, 30, 60, 250])
def test_without_times_they_are_nominal_and_steady(tmp_path: Path, rate_hz: int) -> None:
    """Matroska rounds to 1 ms: 60 frames/s would come out as 16 and 17 ms, which no velocity bears."""
    for path in (
        write_lossless(tmp_path / "v.mkv", pictures(12), rate_hz),
        write_avi(tmp_path / "v.avi", jpegs(12), rate_hz),
    ):
        source = open_video(path)
        time_s = [frame.time_s for frame in iter(source.read, None)]
        source.close()
        assert source.info.times == "nominal"
        assert source.info.nominal_rate_hz == pytest.approx(rate_hz)
        assert time_s == pytest.approx(np.arange(12) / rate_hz, abs=1e-9)


def test_what_is_known_before_the_first_frame(tmp_path: Path) -> None:
    source = open_video(write_avi(tmp_path / "HL-0007.avi", jpegs(3, (80, 60)), 120, (80, 60)))
    info = source.info
    source.close()
    assert (info.name, info.width_px, info.height_px, info.frame_count) == ("HL-0007.avi", 80, 60, 3)


def test_an_empty_packet_is_a_lost_frame(tmp_path: Path) -> None:
    sent = jpegs(10)
    for lost in (3, 6, 7):
        sent[lost] = b""
    frames = list(frames_of(write_avi(tmp_path / "v.avi", sent)))
    assert [frame.number for frame in frames] == [0, 1, 2, 4, 5, 8, 9]
    assert [frame.time_s for frame in frames] == pytest.approx(np.array([0, 1, 2, 4, 5, 8, 9]) / 50)


def test_times_may_count_places_or_pictures(tmp_path: Path) -> None:
    sent = jpegs(10)
    sent[3] = sent[4] = b""
    path = write_avi(tmp_path / "v.avi", sent)
    places = write_times(tmp_path / "places.csv", [1 + 0.02 * n for n in range(10)])
    shown = write_times(tmp_path / "shown.csv", [1 + 0.02 * n for n in (0, 1, 2, 5, 6, 7, 8, 9)])
    by_place, by_picture = list(frames_of(path, places)), list(frames_of(path, shown))
    assert [frame.number for frame in by_place] == [0, 1, 2, 5, 6, 7, 8, 9]
    assert [frame.number for frame in by_picture] == list(range(8))
    assert [frame.time_s for frame in by_place] == [frame.time_s for frame in by_picture]


def test_a_broken_jpeg_is_a_lost_frame_not_half_a_picture(tmp_path: Path) -> None:
    sent = jpegs(6)
    sent[2], sent[4] = sent[2][: len(sent[2]) // 2], b"no picture at all"
    assert [frame.number for frame in frames_of(write_avi(tmp_path / "v.avi", sent))] == [0, 1, 3, 5]


def test_a_repeated_picture_is_marked(tmp_path: Path) -> None:
    sent = jpegs(5)
    sent[2] = sent[1]
    shown = pictures(5)
    shown[2] = shown[1]
    for path in (write_avi(tmp_path / "v.avi", sent), write_lossless(tmp_path / "v.mkv", shown)):
        assert [frame.repeated for frame in frames_of(path)] == [False, False, True, False, False]


@pytest.mark.parametrize("name", ["s02", "s05", "s08", "s11"])
def test_every_packet_of_a_jpeg_recording_arrives(phantom: Callable[[str], Path], name: str) -> None:
    video = next(phantom(name).glob("video_*.avi"))
    times = next(phantom(name).glob("frames_*.csv.gz"))
    content = video.read_bytes()
    frames = list(frames_of(video, times))
    at = 0
    for frame in frames:
        assert frame.encoded is not None
        at = content.index(frame.encoded, at)  # in order, byte for byte
    assert len(frames) == content.count(b"00dc", 0, content.index(b"idx1"))
    assert [frame.number for frame in frames] == list(range(len(frames)))
    assert not any(frame.repeated for frame in frames)
