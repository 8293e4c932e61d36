"""Saccades across the target that grow and shrink are no square-wave jerks, and jerks are none of these."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.saccadic_oscillations import macrosaccadic_oscillations
from tests.analysis.stimulus_traces import Eyed, EyePath, TrueSaccade, recorded, result_of, trace_of

PLACES_DEG = (0.0, 2.0, -3.0, 5.0, -6.0, 4.0, -2.5, 1.5, 0.0)  # seven, six of them reached across the target
KEYS = ("square_wave_jerk_rate", "macro_square_wave_jerks", "macrosaccadic_oscillations")


def through(places_deg: tuple[float, ...], at_s: float, rest_s: float = 0.2, axis: int = 0) -> EyePath:
    """Saccades from one place to the next, with a rest on each."""
    path = EyePath()
    for size in np.diff(places_deg).tolist():
        path.saccades[axis].append(TrueSaccade(at_s, size))
        at_s += path.saccades[axis][-1].lasts_s + rest_s
    return path


def seen(path: EyePath, noise_deg: float = 0.1, rate_hz: float = 250.0, until_s: float = 8.0):
    trace = trace_of(path, until_s, Eyed(rate_hz, noise_deg), np.random.default_rng(5))
    return macrosaccadic_oscillations(trace, 0.0, until_s)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("rate_hz", "noise_deg"), [(60.0, 0.1), (250.0, 0.1), (250.0, 0.2)])
def test_growing_and_shrinking_across_the_target(side: int, rate_hz: float, noise_deg: float) -> None:
    (run,) = seen(through(tuple(side * p for p in PLACES_DEG), 2.0), noise_deg, rate_hz)
    assert run.saccades == 6
    assert run.largest_deg == pytest.approx(11.0, abs=0.5)  # from 5 to -6
    first_s = 2.0 + TrueSaccade(0.0, 2.0).lasts_s + 0.2  # the one across behind the one out
    assert run.start_s == pytest.approx(first_s, abs=2 / rate_hz)


@pytest.mark.parametrize(
    "places_deg",
    [
        (0.0, *(2.0, 0.0) * 6),  # square-wave jerks without a pause between, to one side
        (0.3, *(2.3, 0.3) * 6),  # of an eye that is seen 0.3 deg off
        (0.0, 2.0, 0.0, -2.0, 0.0, 2.0, 0.0, -2.0, 0.0),  # to both sides, each back to the target
        (0.0, *(2.0, -2.0) * 4, 0.0),  # across, but all alike
        (0.0, 3.0, -1.0, 0.6, 0.0),  # an error that is corrected twice
    ],
)
def test_none_of_these_is_an_oscillation(places_deg: tuple[float, ...]) -> None:
    assert seen(through(places_deg, 2.0)) == ()


def test_saccades_with_long_rests_look_about() -> None:
    assert seen(through(PLACES_DEG, 2.0, rest_s=0.8), until_s=12.0) == ()


def test_a_run_belongs_to_the_span_in_which_it_begins() -> None:
    trace = trace_of(through(PLACES_DEG, 2.0), 8.0, Eyed(), np.random.default_rng(5))
    assert macrosaccadic_oscillations(trace, 0.0, 2.0) == macrosaccadic_oscillations(trace, 3.0, 8.0) == ()
    with pytest.raises(ValueError, match="end_s"):
        macrosaccadic_oscillations(trace, 0.0, np.nan)


def test_the_report_names_them_and_counts_no_jerks_of_theirs() -> None:
    path = through(PLACES_DEG, 20.0)
    path.saccades[0].extend(through((0.0, 2.0, 0.0), 40.0).saccades[0])  # and one jerk
    made = recorded(procedure_named("fixation_stability"), {"right": path}, Eyed(), np.random.default_rng(5))
    result = result_of(made)
    rate, macro, runs = (next(f for f in result.findings if f.key == key) for key in KEYS)
    assert (rate.accepted, macro.value, runs.value) == (1, 0, 1)
    assert any("fits the cerebellum" in text for text in result.fits)
