"""The noise of an eye at rest, told from made places whose parts are known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.rest_noise import LASTS_S, WANDERS_S, RestNoise, rest_noise

HZ = 250.0


def test_white_noise_is_white() -> None:
    places = np.random.default_rng(1).normal(0.0, 0.1, (4, 2000))
    found = rest_noise(list(places), HZ, 0.0)
    assert found.white_deg == pytest.approx(0.1, rel=0.1)
    assert max(found.lasting_deg) < 0.03
    assert found.drift_dps < 0.01


def test_noise_that_lasts_is_told_from_white_noise() -> None:
    """Each value is exp(-1 / (250 * 0.05)) of the one before and fresh noise: 0.2 deg, beside 0.05 white."""
    rng, kept = np.random.default_rng(2), np.exp(-1 / (HZ * LASTS_S[0]))
    lasting, fresh = np.zeros(20_000), rng.normal(0.0, 0.2 * np.sqrt(1 - kept**2), 20_000)
    for k in range(1, len(lasting)):
        lasting[k] = kept * lasting[k - 1] + fresh[k]
    found = rest_noise([lasting + rng.normal(0.0, 0.05, 20_000)], HZ, 0.0)
    assert found.white_deg == pytest.approx(0.05, rel=0.15)
    assert found.lasting_deg[0] == pytest.approx(0.2, rel=0.2)


def test_eyes_that_drift_evenly_drift() -> None:
    """Slopes of 0.4 deg/s (standard deviation) over 400 spans of 1.2 s; at least the wander asked for."""
    rng, time = np.random.default_rng(3), np.arange(300) / HZ
    found = rest_noise([slope * time for slope in rng.normal(0.0, 0.4, 400)], HZ, 0.1)
    assert np.hypot(found.drift_dps, found.wander_dps) == pytest.approx(0.4, rel=0.15)
    assert found.wander_dps >= 0.1


def test_a_few_samples_tell_white_noise_at_most() -> None:
    """Changes of 0.1 deg between neighbours: half their square is 0.005 deg^2, as 0.455 of the mean."""
    found = rest_noise([np.array([0.0, 0.1, 0.0, 0.1, 0.0, 0.1])], HZ, 0.2)
    assert found.white_deg == pytest.approx(0.10483, abs=1e-5)
    assert (found.lasting_deg, found.wander_dps, found.drift_dps) == ((0.0, 0.0), 0.2, 0.0)
    assert rest_noise([], HZ, 0.2).wander_dps == 0.2


def test_covariance_by_hand() -> None:
    """Two means of 4 samples 0.3 s apart: 0.2^2 / 4 white, 0.1^2 exp(-1) and (0.5 * 0.3)^2 exp(-1/2) shared.

    A drift of 2 deg/s takes them 0.15 s * 2 deg/s from their middle, to opposite sides: -0.09.
    """
    assert (LASTS_S[1], WANDERS_S) == (0.3, 0.3)
    found = RestNoise(0.2, (0.0, 0.1), 0.5, 2.0).covariance(np.array([1.0, 1.3]), 4)
    assert found[0, 0] == pytest.approx(0.01 + 0.01 + 0.0225 + 0.09)
    assert found[0, 1] == pytest.approx(0.01 * 0.367879 + 0.0225 * 0.606531 - 0.09, abs=1e-6)
