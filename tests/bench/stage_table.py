"""Time per frame of each stage of the chain: `python -m tests.bench.stage_table [s02 s10 ...]`.

On recordings with known truth, pictures in recorded order, one thread, everything compiled before. The floor
is one bare read of the frame (the sum of its pixels). Share is of the way from JPEG bytes to degrees.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.calibration import default_calibration, degrees
from capture.profile import EyeView, MountGeometry
from capture.tracker import Tracker, TrackerSettings, warm_up
from capture.video_file import open_video
from tests.conftest import DATA, WHOLE_PHANTOM
from tests.end_to_end.phantom import LETTER, Case, read_case


def timed(step: Callable, inputs: list) -> tuple[NDArray, list]:
    """Microseconds (n,) and what came out, one call an input."""
    took, out = np.empty(len(inputs)), []
    for k, value in enumerate(inputs):
        start = time.perf_counter_ns()
        out.append(step(value))
        took[k] = (time.perf_counter_ns() - start) * 1e-3
    return took, out


def row(name: str, took_us: NDArray, floor_us: float, error_px: NDArray | None = None) -> None:
    """Print one line of the table."""
    text = f"{name:<38}{np.median(took_us):9.1f}{np.percentile(took_us, 99):9.1f}"
    text += f"{np.median(took_us) / floor_us:9.1f}"
    if error_px is not None:
        seen = np.isfinite(error_px)
        text += (
            f"{np.median(error_px[seen]):9.3f}{np.percentile(error_px[seen], 95):9.3f}{1 - seen.mean():9.1%}"
        )
    print(text)


def table(case: Case) -> None:
    """The table of one recording."""
    eye = case.eyes[0]
    source = open_video(next(case.folder.glob(f"video_{LETTER[eye]}.*")))
    frames = []
    while (frame := source.read()) is not None:
        frames.append(frame)
    source.close()
    images, truth = [f.image for f in frames], case.truth(eye)
    good, width_height = truth["pupil_visible"] >= 0.6, frames[0].image.shape[::-1]

    def error(centres: list[tuple[float, float]]) -> NDArray:
        x, y = np.array(centres, float).T
        return np.hypot(x - truth["ell_x"], y - truth["ell_y"])[good]

    floor_us = float(np.median(timed(cv2.sumElems, images)[0]))
    decode, _ = timed(
        lambda f: cv2.imdecode(np.frombuffer(f.encoded, np.uint8), cv2.IMREAD_GRAYSCALE), frames
    )
    pupil, found = timed(Tracker(TrackerSettings(torsion=False)).track, images)
    both, tracked = timed(Tracker().track, images)
    calibration = default_calibration(EyeView(eye), MountGeometry(), width_height)
    numbers = np.array([(t.pupil.x_px, t.pupil.y_px, t.rotation_deg) for t in tracked])
    start = time.perf_counter()
    degrees(calibration, *numbers.T)
    to_degrees_us = (time.perf_counter() - start) / len(frames) * 1e6

    print(f"\n{case.about['name']}, {width_height[0]}x{width_height[1]}, {len(frames)} frames")
    print(f"{'':<38}{'median us':>9}{'99th us':>9}{'x read':>9}{'err px':>9}{'95th px':>9}{'missing':>9}")
    row("one bare read of the frame", np.array([floor_us]), floor_us)
    row("opening the camera's JPEG", decode, floor_us)
    row("pupil", pupil, floor_us, error([t.pupil[:2] for t in found]))
    row("pupil and torsion", both, floor_us, error([t.pupil[:2] for t in tracked]))
    row("pixels to degrees", np.array([to_degrees_us]), floor_us)
    stages = {
        "JPEG": np.median(decode),
        "pupil": np.median(pupil),
        "torsion": np.median(both) - np.median(pupil),
        "degrees": to_degrees_us,
    }
    total = sum(stages.values())
    print("share of the chain: " + ", ".join(f"{k} {v / total:.0%}" for k, v in stages.items()))


def main(names: list[str]) -> None:
    """Print a table for each recording that delivers JPEG; by default one of 320x240 and one of 640x480."""
    cv2.setNumThreads(1)
    warm_up()
    place = WHOLE_PHANTOM if WHOLE_PHANTOM.is_dir() else DATA / "phantom"
    for name in names or ["s02", "s10"]:
        for folder in sorted(place.glob(f"{name}_*")):
            table(read_case(folder))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("recordings", nargs="*")
    main(parser.parse_args().recordings)
