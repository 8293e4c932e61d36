"""The tracker of one eye: pictures in, pupil (pixels of the picture) and iris rotation (degrees) out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capture.glints import NO_GLINT, GlintReader
from capture.pupil import PupilFinder, PupilSettings, warm_up_rest
from capture.pupil_checks import CONTRAST, DARK, FIELDS, QUALITY, SHARE, UNREST, P, S, X, Y
from capture.samples import NAN, NO_PUPIL, Tracked
from capture.torsion import IrisReader, TorsionSettings

NOTHING = Tracked(NO_PUPIL, NAN, 0.0)
ENOUGH = 12  # made-up pictures: the iris is read against a reference, made of the first of them
PUPIL_PX = 30.0  # its radius in them
LEAST_SIDE_PX = 24  # a smaller picture cannot hold a pupil that the edge search could fit


@dataclass(frozen=True, slots=True)
class TrackerSettings:
    """One configuration for every camera, light and eye."""

    pupil: PupilSettings = field(default_factory=PupilSettings)
    iris: TorsionSettings = field(default_factory=TorsionSettings)
    torsion: bool = True  # False: leave the iris unread, for speed
    glints: bool = True  # False: leave the reflections on the cornea unread, for speed


class Tracker:
    """Tracks one eye. Give each eye its own; a tracker is used by one thread at a time.

    What it remembers between frames: where the pupil was (only a hint where to look first), the iris
    reference of the first good frames, and the pattern of the lamps. Kernels release the interpreter's lock,
    so two trackers in two threads use two cores.
    """

    def __init__(self, settings: TrackerSettings = TrackerSettings()) -> None:
        self._finder = PupilFinder(settings.pupil)
        self._iris = IrisReader(settings.iris) if settings.torsion else None
        self._glints = GlintReader() if settings.glints else None

    def track(self, image: NDArray[np.uint8]) -> Tracked:
        """Pupil, iris rotation and reflection in one picture (height, width) of uint8, in its pixels.

        A picture without a pupil, or one that is no grey picture at all, gives NO_PUPIL; never raises for it.
        """
        if image.dtype != np.uint8 or image.ndim != 2 or min(image.shape) < LEAST_SIDE_PX:
            return NOTHING
        image = np.ascontiguousarray(image)
        pupil = self._finder.find(image)
        if pupil is NO_PUPIL:
            return NOTHING
        outline = self._finder.outline
        rotation = self._iris.read(image, outline) if self._iris else (NAN, 0.0)
        return Tracked(pupil, *rotation, *(self._glints.read(image, outline) if self._glints else NO_GLINT))


def warm_up() -> None:
    """Compile (or load from the cache) every kernel, so that the first frame is as quick as the rest.

    Kernels are compiled for the kind of picture that they see: a believable eye, and read-only as every
    source's pictures are.
    """
    picture, tracker, finder = _made_up_eye(), Tracker(), PupilFinder()
    for _ in range(ENOUGH):
        tracker.track(picture)
    finder.find(picture)
    warm_up_rest(picture, finder.outline)


def warm_up_reading() -> None:
    """The same for what is read beside the pupil; a process of its own may see to that meanwhile."""
    picture, outline = _made_up_eye(), np.zeros(FIELDS)
    outline[[X, Y, P, S]] = 160, 120, PUPIL_PX, PUPIL_PX
    outline[[DARK, CONTRAST, UNREST, SHARE, QUALITY]] = 20, 70, 1.5, 1, 1
    iris, glints = IrisReader(), GlintReader()
    for _ in range(ENOUGH):
        iris.read(picture, outline)
        glints.read(picture, outline)


def _made_up_eye() -> NDArray[np.uint8]:
    y, x = np.mgrid[:240, :320]
    radius, angle = np.hypot(x - 160, y - 120), np.arctan2(y - 120, x - 160)
    beyond_pupil, beyond_iris = (1 / (1 + np.exp(-(radius - edge) / 0.8)) for edge in (PUPIL_PX, 75))
    iris = 90 + 12 * np.sin(11 * angle) + 8 * np.sin(29 * angle + 0.1 * radius)
    eye = 20 + (iris - 20) * beyond_pupil + (160 - iris) * beyond_iris
    noise = np.random.default_rng(0).normal(0, 1.5, eye.shape)
    picture = np.clip(eye + noise, 0, 255).astype(np.uint8)
    picture.setflags(write=False)
    return picture
