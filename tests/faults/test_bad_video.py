"""Video files that cannot be measured: told at once or at the frame, by name, without a word from FFmpeg."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from capture.errors import SourceError
from capture.video_file import open_video
from tests.capture.videos import jpegs, pictures, write_avi, write_lossless, write_times
from tests.conftest import ROOT


def read_until_error(path: Path, times: Path | None = None) -> tuple[int, str]:
    """How many frames came before the error, and its text."""
    source, count = open_video(path, times), 0
    try:
        while source.read() is not None:
            count += 1
    except SourceError as error:
        return count, str(error)
    finally:
        source.close()
    pytest.fail(f"{path.name} was read to its end without an error")


def coloured(difference: int) -> np.ndarray:
    picture = np.full((48, 64, 3), 100, np.uint8)
    picture[20:30, 20:30, 2] += difference
    return picture


def test_a_colour_video_is_refused_at_once(tmp_path: Path) -> None:
    path = write_lossless(tmp_path / "v.mkv", [coloured(60)] * 3)
    with pytest.raises(SourceError, match="colour"):
        open_video(path)


def test_a_colour_jpeg_is_refused_at_once(tmp_path: Path) -> None:
    data = cv2.imencode(".jpg", coloured(120))[1].tobytes()
    with pytest.raises(SourceError, match="colour"):
        open_video(write_avi(tmp_path / "v.avi", [data] * 3))


def test_colour_that_comes_later_is_noticed_at_its_frame(tmp_path: Path) -> None:
    grey = cv2.cvtColor(pictures(1)[0], cv2.COLOR_GRAY2BGR)
    sent = [cv2.imencode(".jpg", picture)[1].tobytes() for picture in (grey, grey, grey, coloured(120))]
    count, text = read_until_error(write_avi(tmp_path / "v.avi", sent))
    assert count == 3
    assert "Frame 3 " in text


def test_three_equal_channels_are_one_grey_picture(tmp_path: Path) -> None:
    shown = pictures(3)
    sent = [cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))[1].tobytes() for picture in shown]
    source = open_video(write_avi(tmp_path / "v.avi", sent))
    first = source.read()
    source.close()
    assert first is not None
    assert np.array_equal(first.image, cv2.imdecode(np.frombuffer(sent[0], np.uint8), cv2.IMREAD_GRAYSCALE))


@pytest.mark.parametrize("content", [b"", b"no video\n" * 100, b"RIFF\0\0\0\0AVI "])
def test_what_is_no_video_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "v.avi"
    path.write_bytes(content)
    with pytest.raises(SourceError, match=r"v\.avi"):
        open_video(path)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.mkv", tmp_path):
        with pytest.raises(SourceError, match="no video file"):
            open_video(path)


@pytest.mark.parametrize("sent", [[], [b""] * 5, [b"junk"] * 5], ids=["no packets", "empty", "junk"])
def test_a_video_without_pictures_is_refused(tmp_path: Path, sent: list[bytes]) -> None:
    with pytest.raises(SourceError, match=r"v\.avi"):
        open_video(write_avi(tmp_path / "v.avi", sent))


def test_a_cut_off_video_gives_what_it_has_and_says_so(tmp_path: Path) -> None:
    path = write_avi(tmp_path / "v.avi", jpegs(40))
    content = path.read_bytes()
    path.write_bytes(content[: content.index(b"movi") + (len(content) * 6) // 10])
    times = write_times(tmp_path / "times.csv", [0.02 * n for n in range(40)])
    for given in (None, times):
        count, text = read_until_error(path, given)
        assert 20 <= count <= 26
        assert "of 40 frames" in text
        assert "cut off" in text


def test_a_cut_off_matroska_gives_what_it_has(tmp_path: Path) -> None:
    path = write_lossless(tmp_path / "v.mkv", pictures(40, (160, 120)))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    count, text = read_until_error(path)
    assert 15 <= count <= 21
    assert "cut off" in text


@pytest.mark.parametrize("rows", [1, 9, 11, 30])
@pytest.mark.parametrize("name", ["v.avi", "v.mkv"])
def test_times_of_another_length_are_refused(tmp_path: Path, name: str, rows: int) -> None:
    path = tmp_path / name
    if name == "v.avi":
        write_avi(path, jpegs(10))
    else:
        write_lossless(path, pictures(10))
    times = write_times(tmp_path / "times.csv", [0.02 * n for n in range(rows)])
    with pytest.raises(SourceError, match="10 frames") as caught:
        open_video(path, times)
    assert "times.csv" in str(caught.value)


def test_a_frame_without_its_row_is_named(tmp_path: Path) -> None:
    times = tmp_path / "times.csv"
    times.write_text("video_frame,host_time_s\n0,1.0\n1,1.02\n3,1.06\n")
    count, text = read_until_error(write_avi(tmp_path / "v.avi", jpegs(4)), times)
    assert count == 2
    assert "frame 2" in text


def test_a_picture_of_another_size_ends_the_video(tmp_path: Path) -> None:
    sent = [*jpegs(3), *jpegs(1, (32, 24))]
    count, text = read_until_error(write_avi(tmp_path / "v.avi", sent))
    assert count == 3
    assert "32x24" in text


QUIET = """
import sys
from pathlib import Path
from capture.errors import SourceError
from capture.video_file import open_video
for name in sys.argv[1:]:
    try:
        source = open_video(Path(name))
        while source.read() is not None:
            pass
    except SourceError:
        pass
"""


def test_ffmpeg_says_nothing_of_its_own(tmp_path: Path, phantom: Callable[[str], Path]) -> None:
    spoiled = write_lossless(tmp_path / "spoiled.mkv", pictures(20, (160, 120)))
    content = bytearray(spoiled.read_bytes())
    content[5000::5000] = bytes(byte ^ 0xFF for byte in content[5000::5000])
    spoiled.write_bytes(content)
    (tmp_path / "text.avi").write_text("no video")
    cut = tmp_path / "cut.avi"
    cut.write_bytes(next(phantom("s08").glob("*.avi")).read_bytes()[:300_000])
    done = subprocess.run(
        [sys.executable, "-c", QUIET, str(spoiled), str(tmp_path / "text.avi"), str(cut)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
