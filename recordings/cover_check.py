"""Which eye is which, proven by covering one on command: the covered eye's pupil goes, the other's stays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from capture.samples import EYES, Eye
from recordings.camera_watch import Look
from recordings.info import EyeIdentity


@dataclass(frozen=True, slots=True)
class CoverSettings:
    """When an eye counts as covered. Chosen by thought, on no data: a hand before the camera hides the pupil
    and changes the light by far more than a blink, which is short and takes both eyes.
    """  # noqa: D205

    fewest_frames: int = 15  # in each window; a quarter of a second at 60 pictures/s
    seen_share: float = 0.7  # of the frames that show the pupil of an eye that is open
    hidden_share: float = 0.2  # of the frames that may still seem to show one while it is covered
    same_light: float = 0.5  # the open eye's mean grey level stays within this share of what it was


@dataclass(frozen=True, slots=True)
class CoverVerdict:
    """What covering one eye showed."""

    identity: EyeIdentity
    covered: Eye | None  # the one whose pupil went; None: not exactly one
    reason: str


@dataclass(frozen=True, slots=True)
class _Window:
    frames: int
    seen: float  # share of frames with a pupil
    brightness: float


def judge_cover(
    asked: Eye,
    looks: Mapping[Eye, Sequence[Look]],
    open_s: tuple[float, float],
    covered_s: tuple[float, float],
    settings: CoverSettings = CoverSettings(),
) -> CoverVerdict:
    """Compare the looks of each eye while both were open with those while `asked` was to be covered.

    `open_s`, `covered_s`: from and to, host time. Proven where exactly the asked eye went, contradicted where
    exactly the other one did; else unproven, with the reason.
    """
    if set(looks) != set(EYES):
        return CoverVerdict("unproven", None, "Only one eye is seen, so covering proves nothing.")
    before = {eye: _window(looks[eye], open_s) for eye in EYES}
    during = {eye: _window(looks[eye], covered_s) for eye in EYES}
    for window in (*before.values(), *during.values()):
        if window.frames < settings.fewest_frames:
            return CoverVerdict("unproven", None, "Too few pictures came to judge. Try again.")
    if any(window.seen < settings.seen_share for window in before.values()):
        return CoverVerdict("unproven", None, "Both pupils must be seen before one eye is covered.")
    hidden: list[Eye] = [eye for eye in EYES if during[eye].seen <= settings.hidden_share]
    if len(hidden) != 1:
        how = "Both pupils were gone" if hidden else "No pupil was gone"
        return CoverVerdict("unproven", None, f"{how}. Cover the {asked} eye alone, for two seconds.")
    (other,) = (eye for eye in EYES if eye != hidden[0])
    if during[other].seen < settings.seen_share or not _same_light(before[other], during[other], settings):
        return CoverVerdict("unproven", hidden[0], f"The {other} eye was disturbed too. Try again.")
    if hidden[0] == asked:
        return CoverVerdict("proven", asked, f"The {asked} eye was covered, and its pupil went.")
    return CoverVerdict(
        "contradicted",
        hidden[0],
        f"The {asked} eye was to be covered, but the picture of the {hidden[0]} eye went: the cameras are "
        "exchanged, or the other eye was covered. Check the plugs and the goggle profile, then try again.",
    )


def _window(looks: Iterable[Look], between_s: tuple[float, float]) -> _Window:
    seen = [look for look in looks if between_s[0] <= look.time_s <= between_s[1]]
    if not seen:
        return _Window(0, 0.0, 0.0)
    share = sum(look.pupil for look in seen) / len(seen)
    return _Window(len(seen), share, float(np.nanmean([look.brightness for look in seen])))


def _same_light(before: _Window, during: _Window, settings: CoverSettings) -> bool:
    return abs(during.brightness - before.brightness) <= settings.same_light * max(before.brightness, 1.0)
