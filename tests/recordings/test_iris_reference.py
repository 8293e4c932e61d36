"""One iris reference for the recordings of a visit, and when it is taken anew."""

from __future__ import annotations

import math

import pytest

from capture.samples import NAN, NO_PUPIL, Pupil, Tracked
from recordings.iris_reference import IrisReference, zero_doubt

GOOD = Pupil(160.0, 120.0, 30.0, 30.0, 0.0, 1.0, 0.9)


def see(
    reference: IrisReference, start_s: float, end_s: float, rotation_deg: float, pupil: Pupil = GOOD
) -> None:
    """Ten pictures a second."""
    for k in range(round(10 * start_s), round(10 * end_s)):
        reference.saw(k / 10, Tracked(pupil, rotation_deg, 0.9 if math.isfinite(rotation_deg) else 0.1))


def test_it_is_handed_on_over_blinks_closed_lids_and_bad_moments() -> None:
    reference = IrisReference()
    assert reference.serves
    see(reference, 1.0, 5.0, 0.0)
    see(reference, 5.0, 13.0, NAN, NO_PUPIL)  # eyes closed
    see(reference, 13.0, 14.0, 0.3)
    see(reference, 14.0, 15.5, NAN)  # a lid over the iris
    assert reference.serves
    assert reference.taken_s == 1.0


@pytest.mark.parametrize(
    "spoil",
    [
        lambda reference: (see(reference, 5.0, 15.5, NAN, NO_PUPIL), see(reference, 15.5, 16.0, 0.1)),  # off
        lambda reference: see(reference, 5.0, 8.0, NAN),  # another patient, or other light
    ],
)
def test_it_is_taken_anew(spoil) -> None:
    reference = IrisReference()
    see(reference, 1.0, 5.0, 0.0)
    spoil(reference)
    assert not reference.serves
    reference.begin()
    assert reference.serves
    see(reference, 20.0, 22.0, 0.0)
    assert reference.serves
    assert reference.taken_s == 20.0


def test_zero_is_that_of_the_calibration_only_where_the_reference_is_older() -> None:
    assert zero_doubt("left", 20.0, 21.0) == ""
    assert zero_doubt("left", 20.0, 19.0).startswith("left eye: the iris is read against pictures")
    assert zero_doubt("left", None, 19.0) != ""  # still to be taken
    assert zero_doubt("left", None, None) == ""


def test_a_tracker_that_reads_no_iris_is_left_alone() -> None:
    reference = IrisReference()
    see(reference, 1.0, 60.0, NAN)
    assert reference.serves
