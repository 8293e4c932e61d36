"""The pupil in pictures as varied as homemade goggles give them: shares, errors, and the worst to look at.

`python -m tests.bench.pupil_table [--eyes 600] [--empty 0] [--first 900000] [--shape 0] [--jpeg Q]
[--worst OUT.png]`.
Anatomy, camera, light and noise of every picture are drawn from its number (`tests.capture.pictures`); each
seen for the first time, without a frame before. `--shape 0.0117`: pupils leave their ellipse by that share of
the radius, as living ones do. Flagged: answered with a quality below that from which a result is trusted.
`--empty` pictures hold no pupil. `--jpeg`: every picture comes as a JPEG of that quality. `--worst`: a row
of pictures a kind, from the worst answer on; the true outline in light, the found one in dark dots.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.pupil import SURE_QUALITY, PupilFinder
from capture.samples import NO_PUPIL, Pupil
from capture.simulation.painter import PictureTruth
from tests.capture.pictures import KINDS, empty_picture, eye_picture

VISIBLE = 0.6
SHOWN, SIDE_PX = 6, 220
LIGHT, DARK = 255, 0


class Seen(NamedTuple):
    """One eye and what was found in it."""

    number: int
    shape: float
    jpeg: int | None
    kind: str
    pupil: Pupil
    error_px: float  # NaN: nothing found


def look(number: int, shape: float, jpeg: int | None) -> Seen | None:
    """What is found in one picture; None where too little of the pupil is in view to count."""
    shown = eye_picture(number, shape, jpeg)
    if not shown.truth.visible_share >= VISIBLE:
        return None
    pupil = PupilFinder().find(shown.image)
    error = float(np.hypot(pupil.x_px - shown.truth.x_px, pupil.y_px - shown.truth.y_px))
    return Seen(number, shape, jpeg, shown.kind, pupil, error)


def row(kind: str, seen: list[Seen]) -> str:
    """Shares of all eyes of a kind and the distribution of the errors of those that were answered."""
    answered = [one for one in seen if one.pupil is not NO_PUPIL]
    errors = np.array([one.error_px for one in answered])
    spread = " ".join(f"{v:7.3f}" for v in np.quantile(errors, (0.5, 0.9, 0.95, 1.0))) if len(errors) else ""
    beyond = np.mean(errors > 1) if len(errors) else np.nan
    flagged = np.mean([one.pupil.quality < SURE_QUALITY for one in answered]) if answered else np.nan
    share = len(errors) / max(len(seen), 1)
    return f"{kind:12} {len(seen):5d} {share:9.1%} {flagged:8.1%} {beyond:11.1%}  {spread}"


def portrait(one: Seen) -> NDArray[np.uint8]:
    """The picture about the true pupil, with both outlines."""
    shown = eye_picture(one.number, one.shape, one.jpeg)
    reach = 2.2 * shown.truth.major_px
    scale = SIDE_PX / (2 * reach)
    shift = reach - np.array((shown.truth.x_px, shown.truth.y_px))
    place = np.array([[scale, 0, scale * shift[0]], [0, scale, scale * shift[1]]])
    picture = cv2.warpAffine(shown.image, place, (SIDE_PX, SIDE_PX), flags=cv2.INTER_CUBIC)
    for outline, level, step in ((shown.truth, LIGHT, 1), (one.pupil, DARK, 12)):
        for x, y in _outline(outline)[::step]:
            at = place @ (x, y, 1.0)
            cv2.circle(picture, (round(float(at[0])), round(float(at[1]))), 1, level, -1)
    cv2.putText(picture, f"{one.number}: {one.error_px:.1f} px", (4, 14), 0, 0.45, LIGHT)
    return np.asarray(picture, np.uint8)


def _outline(ellipse: Pupil | PictureTruth) -> NDArray[np.float64]:
    around, turn = np.linspace(0, 2 * np.pi, 360, endpoint=False), np.radians(ellipse.angle_deg)
    along, across = ellipse.major_px * np.cos(around), ellipse.minor_px * np.sin(around)
    x = ellipse.x_px + along * np.cos(turn) - across * np.sin(turn)
    return np.column_stack((x, ellipse.y_px + along * np.sin(turn) + across * np.cos(turn)))


def save_worst(seen: list[Seen], path: Path) -> None:
    """A sheet with one row a kind."""
    sheet = np.zeros((len(KINDS) * SIDE_PX, SHOWN * SIDE_PX), np.uint8)
    for k, kind in enumerate(KINDS):
        mine = [one for one in seen if one.kind == kind and one.pupil is not NO_PUPIL]
        for n, one in enumerate(sorted(mine, key=lambda s: -s.error_px)[:SHOWN]):
            sheet[k * SIDE_PX : (k + 1) * SIDE_PX, n * SIDE_PX : (n + 1) * SIDE_PX] = portrait(one)
    cv2.imwrite(str(path), sheet)


def main(numbers: range, shape: float, jpeg: int | None, empty: int, worst: Path | None) -> None:
    """Print the table of `numbers`, of as many pictures without a pupil, and save the worst."""
    seen = [one for number in numbers if (one := look(number, shape, jpeg)) is not None]
    print("kind         eyes  answered  flagged beyond 1 px   error px: median, 90 %, 95 %, worst")
    for kind in KINDS:
        print(row(kind, [one for one in seen if one.kind == kind]), flush=True)
    if worst is not None:
        save_worst(seen, worst)
    if empty:
        pictures = (empty_picture(number, jpeg) for number in range(numbers.start, numbers.start + empty))
        wrong = Counter(scene for scene, image in pictures if PupilFinder().find(image) is not NO_PUPIL)
        print(f"without a pupil: {wrong.total()} of {empty} answered {dict(wrong)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--eyes", type=int, default=600)
    parser.add_argument("--empty", type=int, default=0)
    parser.add_argument("--first", type=int, default=900_000)
    parser.add_argument("--shape", type=float, default=0.0)
    parser.add_argument("--jpeg", type=int)
    parser.add_argument("--worst", type=Path)
    given = parser.parse_args()
    numbers = range(given.first, given.first + given.eyes)
    main(numbers, given.shape, given.jpeg, given.empty, given.worst)
