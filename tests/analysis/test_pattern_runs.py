"""Random invented patients of every pattern: what is named is right, and no side that may not be named.

Bars: at least 98 % of the answered right, at most 10 % unanswered, no wrong side; of healthy people at most
5 % have a nystagmus called present that is truly slower than 1 deg/s. With few cases one more may miss a bar.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil

import pytest

from analysis.battery import procedure_named
from capture.samples import EYES
from capture.simulation.drawing import STEADY
from capture.simulation.patterns import Course, geotropic
from capture.simulation.traces import Seeing
from tests.analysis.drawn import Drawn, Outcome
from tests.analysis.led_patient import lead
from tests.analysis.look_alikes import LOOK_ALIKES, flaw_of
from tests.analysis.pattern_cases import CASES, run_case
from tests.analysis.pattern_cases import geotropic as geotropic_case

FEW, MANY = 20, 1000
GOOD = dict.fromkeys(EYES, Seeing(rate_hz=100.0))


def check(outcomes: list[Outcome], spare: int) -> None:
    """Hold the outcomes of one pattern against the bars."""
    count = len(outcomes)
    answered = [o for o in outcomes if o.answered]
    wrong = [o.said for o in answered if not o.right]
    assert len(answered) >= 0.9 * count - spare
    assert len(wrong) <= ceil(0.02 * count) - 1 + spare, wrong
    assert not [o.said for o in outcomes if o.wrong_side]
    assert sum(bool(o.present) for o in outcomes) <= 0.05 * count + spare


BOTH = pytest.mark.parametrize("other", [False, True], ids=["own", "other"])


@BOTH
@pytest.mark.parametrize("name", CASES)
def test_one_of_each(name: str, other: bool) -> None:
    outcome = run_case(name, 0, other=other)
    assert not outcome.wrong_side
    assert outcome.right or not outcome.answered


@pytest.mark.long
@pytest.mark.parametrize("name", CASES)
def test_a_few_of_each(name: str) -> None:
    check([run_case(name, number) for number in range(1, FEW + 1)], spare=1)


@BOTH
@pytest.mark.release
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", CASES)
def test_a_thousand_of_each(name: str, other: bool) -> None:
    check([run_case(name, number, other=other) for number in range(MANY)], spare=0)


@BOTH
@pytest.mark.parametrize("name", LOOK_ALIKES)
def test_no_look_alike_is_mistaken(name: str, other: bool) -> None:
    assert flaw_of(name, 0, other=other) == ""


@BOTH
@pytest.mark.release
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("name", LOOK_ALIKES)
def test_of_two_hundred_look_alikes_none_is_mistaken(name: str, other: bool) -> None:
    assert not [flaw for number in range(200) if (flaw := flaw_of(name, number, other=other))]


@pytest.mark.parametrize("number", [0, 4])
def test_no_side_is_named_of_a_patient_who_dozes_with_one_ear_down(number: int) -> None:
    """The faster side is the other one by then: one decline is bent, one peak comes late."""
    outcome = geotropic_case(Drawn.of("dozing", number, "sleepy", other=True))
    assert outcome.answered
    assert outcome.right
    assert not outcome.wrong_side
    assert "alertness may have changed" in outcome.said
    assert "the faster side is not named" in outcome.said


def test_no_side_is_named_where_what_dozing_made_uneven_outlasts_the_position() -> None:
    """103 deg/s left, half of it asleep, 99 deg/s right; fading by 12 and 15 s, both outlast 57 s."""
    outcome = run_case("sleepy", 1_000_047, other=True)
    assert outcome.answered
    assert outcome.right
    assert "alertness may have changed" in outcome.said
    assert not outcome.wrong_side


def test_a_paroxysm_whose_quick_phases_hide_in_blinks_is_one() -> None:
    """Of ten seconds blinks leave two beats, then three; its reversal alone looked like another canal."""
    assert flaw_of("reversal", 1_800_107) == ""


def test_a_reversal_whose_beginning_was_two_beats_names_nothing() -> None:
    """Before a down-beat of 6 deg/s two beats up of 9 and 5 were all that showed of the paroxysm."""
    assert flaw_of("reversal", 3_601_069) == ""


def test_a_nystagmus_at_rest_that_grows_is_no_other_one() -> None:
    """Of 7 deg/s, and of 9 for three beats after the head was turned back: no central nystagmus."""
    outcome = run_case("horizontal canal, apogeotropic", 3_601_041)
    assert outcome.right
    assert "purely" not in outcome.said


@pytest.mark.parametrize("rest_dps", [6.0, -6.0])
def test_a_vertical_paroxysm_is_named_on_top_of_vertical_nystagmus_too(rest_dps: float) -> None:
    """A pure down-beat of 12 deg/s with a latency, in people who beat up or down by 6 deg/s all the time."""
    named = 0
    for number in range(10):
        drawn = Drawn.of("down-beat above a resting nystagmus", number)
        person = drawn.patient("healthy", canals=False, rest=False)
        paroxysm = {"hanging right": (Course((0.0, 12.0, 0.0), 3.0, 2.0, 8.0),)}
        pattern = replace(person, provoked=paroxysm, spontaneous_dps=(0.0, rest_dps, 0.0), in_light=1.0)
        _, result = drawn.led("dix_hallpike_right", pattern)
        named += any("purely down-beating" in text for text in result.fits)
    assert named == 10


def test_a_paroxysm_on_top_of_spontaneous_nystagmus_is_not_direction_fixed() -> None:
    """Most beats of the minute are the spontaneous ones: 20 s of a paroxysm among 60 s."""
    pattern = replace(geotropic("left", 60.0), spontaneous_dps=(4.0, 0.0, 0.0), in_light=1.0)
    result = lead(procedure_named("supine_roll"), pattern, 3, GOOD).result()
    assert any(text.startswith("Geotropic on both sides: fits left horizontal canal") for text in result.fits)
    assert not any("direction-fixed" in text for text in result.fits)


@pytest.mark.parametrize("seed", [1])
def test_uneven_spontaneous_nystagmus_is_no_run_of_its_own(seed: int) -> None:
    """Beats of 9.5 deg/s that differ by 25 % of it are the baseline in every position."""
    pattern = replace(STEADY, spontaneous_dps=(9.5, 0.0, 0.0), variation=0.25, beats_per_s=5.0)
    result = lead(procedure_named("static_positions"), pattern, seed, GOOD).result()
    peaks = [f for f in result.findings if f.key == "peak_slow_phase_velocity"]
    assert len(peaks) == 7 * 2 * 3  # positions, eyes, axes
    false = {(f.step, f.axis) for f in peaks if f.present}  # both eyes move alike
    assert len(false) <= 1  # at most 1 % of 21 by chance
