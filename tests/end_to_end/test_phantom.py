"""The whole chain, by the command line, on rendered recordings with known truth."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from tests.end_to_end.phantom import (
    BeatScore,
    DegreeScore,
    read_case,
    run_chain,
    score_beats,
    score_degrees,
)

HERE_ALWAYS = ("s02", "s05", "s08", "s11")
WHOLE = ("s01", "s03", "s04", "s06", "s07", "s09", "s10", "s12")
BEAT_BARS = {"s01": 1, "s02": 1, "s04": 1, "s05": 1, "s06": 1, "s10": 1, "s12": 2}
TORSION_BARS = ("s01", "s02", "s03", "s04", "s05", "s06", "s07", "s08", "s09", "s10", "s12")
DEGREE_BARS = ("s01", "s02", "s03", "s04", "s05", "s08", "s12")


def _marks(name: str) -> list[pytest.MarkDecorator]:
    return [] if name in HERE_ALWAYS else [pytest.mark.phantom, pytest.mark.long]


def _cases(*names: str) -> list:
    return [pytest.param(name, marks=_marks(name)) for name in names]


@pytest.fixture(scope="session")
def scores(
    phantom: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], tuple[BeatScore, list[DegreeScore]]]:
    """Run a recording once a session; its scores, both eyes pooled."""

    @cache
    def run(name: str) -> tuple[BeatScore, list[DegreeScore]]:
        case = read_case(phantom(name))
        export = run_chain(case, tmp_path_factory.mktemp(name))
        beats = BeatScore()
        for eye in case.eyes:
            beats.add(score_beats(case, export, eye))
        return beats, [score_degrees(case, export, eye) for eye in case.eyes]

    return run


@pytest.mark.parametrize("name", _cases(*HERE_ALWAYS, *WHOLE))
def test_every_recording_goes_through_the_chain_and_is_answered(name: str, scores: Callable) -> None:
    _, degrees = scores(name)
    for eye in degrees:
        assert eye.unanswered_share <= (0.005 if name not in ("s07", "s11") else 0.05)


@pytest.mark.parametrize("name", _cases(*BEAT_BARS))
def test_beats_agree_with_the_true_ones(name: str, scores: Callable) -> None:
    beats, _ = scores(name)
    assert beats.errors <= BEAT_BARS[name], f"missed {beats.missed}, false {beats.false}"
    assert beats.wrong_direction == 0
    absolute, share = beats.velocity_median_error
    assert absolute <= 0.5 or share <= 0.05


@pytest.mark.phantom
@pytest.mark.long
def test_beats_pooled_over_all_nystagmus_recordings(scores: Callable) -> None:
    pooled = BeatScore()
    for name in BEAT_BARS:
        pooled.add(scores(name)[0])
    assert pooled.f1 >= 0.97
    absolute, share = pooled.velocity_median_error
    assert absolute <= 0.5 or share <= 0.05


def test_no_nystagmus_is_found_in_normal_fixation(scores: Callable) -> None:
    assert len(scores("s08")[0].false) <= 1


@pytest.mark.parametrize("name", _cases(*DEGREE_BARS))
def test_degrees_are_as_good_as_true_pupil_centres_allow(name: str, scores: Callable) -> None:
    for eye in scores(name)[1]:
        for axis in (0, 1):
            assert abs(eye.gain[axis] - 1) <= abs(eye.reference_gain[axis] - 1) + 0.01
            assert eye.rms_deg[axis] <= eye.reference_rms_deg[axis] + 0.05


@pytest.mark.parametrize("name", _cases(*TORSION_BARS))
def test_torsion_near_straight_ahead(name: str, scores: Callable) -> None:
    for eye in scores(name)[1]:
        rms_deg, _, answered = eye.torsion_within[5.0]
        assert rms_deg <= 0.08
        assert answered >= 0.95


@pytest.mark.parametrize("name", _cases(*TORSION_BARS, "s11"))
def test_torsion_to_15_degrees_of_gaze(name: str, scores: Callable) -> None:
    """Also s11, where iris and pupil are hardly told apart: near straight ahead its 0.08 deg are missed."""
    for eye in scores(name)[1]:
        rms_deg, _, answered = eye.torsion_within[15.0]
        assert rms_deg <= 0.15
        assert answered >= 0.95


@pytest.mark.parametrize("name", _cases("s02", "s12"))
def test_torsion_is_neither_too_small_nor_too_large(name: str, scores: Callable) -> None:
    """The two recordings that turn by more than their error: 1.7 and 0.5 deg, one standard deviation."""
    for eye in scores(name)[1]:
        _, slope, _ = eye.torsion_within[5.0]
        assert slope == pytest.approx(1.0, abs=0.03)
