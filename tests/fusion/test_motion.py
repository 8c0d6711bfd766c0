"""The motion model against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from speedlog.fusion.motion import Layout, dynamics, jump_within, start, white_jerk
from speedlog.settings import FusionSettings


@pytest.mark.parametrize("step", [0.001, 0.04, 0.3, 1.0])
def test_white_jerk_equals_the_matrix_exponential(step: float) -> None:
    """Van Loan, IEEE Trans. Automatic Control 23 (1978) 395: F and Q from one matrix exponential (scipy)."""
    drift = np.array([[0, 1, 0], [0, 0, 1], [0, 0, 0]], dtype=float)
    block = np.zeros((6, 6))
    block[:3, :3], block[:3, 3:], block[3:, 3:] = -drift, np.diag([0, 0, 1.0]), drift.T
    whole = expm(block * step)
    wanted_f = whole[3:, 3:].T
    transition, noise = white_jerk(np.array([step]))
    np.testing.assert_allclose(transition[0], wanted_f, rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(noise[0], wanted_f @ whole[:3, 3:], rtol=1e-9, atol=1e-18)


def test_drifts_keep_their_variance_and_wheels_jump_with_the_acceleration() -> None:
    settings, layout = FusionSettings(), Layout(gnss=2, wheels=1)
    transition, noise, jump, chance = dynamics(np.array([0.2, 0.7]), layout, np.array([0.01, 0.02]), settings)
    mean, cov = start(layout, 5.0, 30.0, settings)
    at = layout.speed_drift(1)
    # a stationary Gauss-Markov process: f² P + Q = P
    kept = transition[:, at, at] ** 2 * cov[at, at] + noise[0, :, at, at]
    np.testing.assert_allclose(kept, settings.speed_drift_sd_mps**2)
    np.testing.assert_allclose(noise[0, :, layout.place_drift(1), layout.place_drift(1)], [0.004, 0.014])
    assert np.all(jump[:, 2, 2] == settings.accel_jump_sd_mps2**2)
    assert np.all(jump[:, layout.wheel_scale(0), layout.wheel_scale(0)] == settings.wheel_scale_jump_sd**2)
    # Poisson: the chance of at least one jump in t seconds is 1 - exp(-rate t)
    np.testing.assert_allclose(chance, 1 - np.exp(-settings.jumps_per_s * np.array([0.2, 0.7])))
    assert (mean[0], mean[1]) == (5.0, 30.0)
    assert (
        len({layout.speed_drift(0), layout.place_drift(0), at, layout.place_drift(1), layout.wheel_scale(0)})
        == 5
    )
    assert layout.size == 8


def test_a_jump_inside_a_step_has_the_moments_of_an_evenly_likely_moment() -> None:
    """By brute force: a million moments u in a step of 0.3 s, effects (u²/2, u, 1)."""
    u = np.random.default_rng(8).uniform(0, 0.3, 1_000_000)
    effect = np.stack([u**2 / 2, u, np.ones_like(u)])
    np.testing.assert_allclose(jump_within(np.array([0.3]))[0], effect @ effect.T / u.size, rtol=0.01)
