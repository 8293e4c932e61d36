"""Square-wave jerks that follow each other as closely as their own two saccades do."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.square_wave_jerks import square_wave_jerks
from tests.analysis.stimulus_traces import Eyed, EyePath, TrueSaccade, trace_of


@pytest.mark.parametrize("jerks", [2, 3, 5])
def test_no_saccade_belongs_to_two_jerks(jerks: int) -> None:
    """Off and back without a longer rest between: as many jerks as ways out, all of them to the right."""
    path = EyePath()
    for k in range(2 * jerks):
        path.saccades[0].append(TrueSaccade(2.0 + 0.25 * k, -2.0 if k % 2 else 2.0))
    trace = trace_of(path, 8.0, Eyed(noise_deg=0.05), np.random.default_rng(7))
    found = square_wave_jerks(trace, 0.0, 8.0)
    assert [round(one.size_deg) for one in found] == [2] * jerks
