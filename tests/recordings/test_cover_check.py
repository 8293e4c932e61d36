"""Covering one eye: all four ways to plug and cover, and what proves nothing."""

from __future__ import annotations

import pytest

from capture.samples import EYES, NAN, Eye
from recordings.camera_watch import Look
from recordings.cover_check import judge_cover

OPEN_S, COVERED_S = (0.0, 2.0), (3.0, 5.0)


def looks(seen_before: float, seen_during: float, grey_during: float = 100.0) -> list[Look]:
    """30 looks a second; a pupil in this share of them, spread evenly."""
    made = []
    for n in range(150):
        time_s = n / 30
        covered = time_s >= 2.5
        share = seen_during if covered else seen_before
        pupil = int((n + 1) * share) > int(n * share)
        x_px = 50.0 if pupil else NAN
        made.append(Look(time_s, grey_during if covered else 100.0, x_px, x_px, x_px))
    return made


@pytest.mark.parametrize("asked", EYES)
@pytest.mark.parametrize("exchanged", [False, True])
def test_the_eye_that_goes_is_the_eye_that_was_covered(asked: Eye, exchanged: bool) -> None:
    (other,) = (eye for eye in EYES if eye != asked)
    goes, stays = (other, asked) if exchanged else (asked, other)
    verdict = judge_cover(asked, {goes: looks(1.0, 0.05, 30.0), stays: looks(0.9, 0.95)}, OPEN_S, COVERED_S)
    assert verdict.covered == goes
    assert verdict.identity == ("contradicted" if exchanged else "proven")
    assert exchanged == ("exchanged" in verdict.reason)


@pytest.mark.parametrize(
    ("right", "left", "why"),
    [
        (looks(1.0, 0.0), looks(1.0, 0.1), "Both pupils were gone"),
        (looks(1.0, 1.0), looks(1.0, 0.9), "No pupil was gone"),
        (looks(0.3, 0.0), looks(1.0, 1.0), "must be seen before"),
        (looks(1.0, 0.0), looks(1.0, 0.5), "disturbed"),
        (looks(1.0, 0.0), looks(1.0, 1.0, 250.0), "disturbed"),
        (looks(1.0, 0.0)[::20], looks(1.0, 1.0), "Too few"),
        (looks(1.0, 0.4), looks(1.0, 1.0), "No pupil was gone"),
    ],
)
def test_what_proves_nothing_says_why(right: list[Look], left: list[Look], why: str) -> None:
    verdict = judge_cover("right", {"right": right, "left": left}, OPEN_S, COVERED_S)
    assert verdict.identity == "unproven"
    assert why in verdict.reason


def test_one_eye_alone_proves_nothing() -> None:
    assert judge_cover("right", {"right": looks(1, 0)}, OPEN_S, COVERED_S).identity == "unproven"
