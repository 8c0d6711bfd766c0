"""A slow log as one Gaussian process, by its closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from speedlog.faults.whole import Guess, Whole
from speedlog.settings import FaultSettings

SETTINGS = FaultSettings()
TIME = np.array([0.0, 1.0, 2.5, 3.0])
QUIET = Guess(speed_mps=0.1, place_m=0.2, wander_m2_s=0.05, jerk_m2_s5=0.0, lag_s=0.0)


def made(speed: np.ndarray, place: np.ndarray, time: np.ndarray = TIME) -> Whole:
    return Whole(time, speed, place, SETTINGS)


def test_what_jerk_drives_by_its_closed_form() -> None:
    """White jerk of density 1 since nought: E[v²] = t³/3, E[v s] = t⁴/8, E[s²] = t⁵/20 (twice and three
    times integrated white noise; Bar-Shalom, Li and Kirubarajan 2001, section 6.2.3)."""
    driven = made(np.zeros(4), np.zeros(4)).driven(0.0).sum(axis=0)
    for row, time in enumerate(TIME):
        assert driven[row, row] == pytest.approx(time**3 / 3)
        assert driven[row, 4 + row] == pytest.approx(time**4 / 8)
        assert driven[4 + row, 4 + row] == pytest.approx(time**5 / 20)


def test_a_single_interval_by_its_closed_form() -> None:
    """Jerk in the first second alone: E[v(3)²] = integral of (3 - u)² over 0..1 = (27 - 8) / 3."""
    first = made(np.zeros(4), np.zeros(4)).driven(0.0)[0]
    assert first[3, 3] == pytest.approx(19 / 3)


def test_a_late_speed_is_that_of_before() -> None:
    """With a lag of 0.4 s the process starts 0.4 s before the first place: E[s(t)²] = (t + 0.4)⁵ / 20."""
    driven = made(np.zeros(4), np.zeros(4)).driven(0.4).sum(axis=0)
    assert driven[3, 3] == pytest.approx(3.0**3 / 3)
    assert driven[7, 7] == pytest.approx(3.4**5 / 20)


def test_the_evidence_by_the_normal_density() -> None:
    rng = np.random.default_rng(3)
    speed, place = rng.normal(0, 1, 4), np.array([0.0, 1.0, np.nan, 2.0])
    whole = made(speed, place)
    guess = Guess(0.1, 0.2, 0.05, 2.0, 0.0)
    found = whole.weights(guess, {1: 50.0})
    driven = whole.driven(0.0)
    at, is_place = np.concatenate([TIME, TIME[[0, 1, 3]]]), np.arange(7) >= 4
    start = np.stack([is_place * 1e3, np.where(is_place, at, 1) * 1e3,
                      np.where(is_place, at**2 / 2, at) * SETTINGS.outlier_accel_mps2,
                      ~is_place * SETTINGS.outlier_bias_mps])  # fmt: skip
    walk = 0.05 * np.minimum.outer(at, at) * np.outer(is_place, is_place)
    covariance = start.T @ start + 2.0 * (driven[0] + driven[2]) + 50.0 * driven[1] + walk
    covariance += np.diag(np.where(is_place, 0.2, 0.1) ** 2)
    values = np.concatenate([speed, [0.0, 1.0, 2.0]])
    # both without the constant of the density, which no comparison sees
    density = multivariate_normal(np.zeros(7), covariance, allow_singular=True).logpdf(values)
    assert found.evidence == pytest.approx(density + 3.5 * np.log(2 * np.pi), abs=1e-5)
    errors = np.zeros((7, 2))
    errors[1, 0], errors[2, 1] = 10.0, 10.0
    wrong = multivariate_normal(np.zeros(7), covariance + errors @ errors.T, allow_singular=True).logpdf(
        values
    )
    assert found.gain(errors[None])[0][0] == pytest.approx(wrong - density, abs=1e-5)
    told = found.with_errors(errors, values)
    assert told.evidence == pytest.approx(wrong + 3.5 * np.log(2 * np.pi), abs=1e-5)
    assert told.inverse @ (covariance + errors @ errors.T) == pytest.approx(np.eye(7), abs=1e-5)
