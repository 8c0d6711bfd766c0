"""Evidences of a window against SciPy's multivariate normal density, and the process by its closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from speedlog.faults.likelihood import Noise, _covariance, window
from speedlog.settings import FaultSettings

SETTINGS = FaultSettings()
TIME = np.array([0.0, 0.1, 0.2, 0.3, 0.45, 0.55, 0.65, 0.75])  # an epoch of uneven length among them
N = len(TIME)
NOISE = Noise(np.full(N, 0.08), np.full(N, 0.05), np.full(N, 0.03))
ALL = np.ones(N, dtype=bool)


def some_values(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    speed = 40.0 + 6.0 * TIME + 0.08 * rng.standard_normal(N)
    place = 40.0 * TIME + 3.0 * TIME**2 + 0.05 * rng.standard_normal(N)
    return np.concatenate([speed, place])


def densities(extra: np.ndarray, values: np.ndarray, speed=ALL, place=ALL) -> float:
    """The largest log density over the levels of process noise, the constant that all share left out."""
    covariance = _covariance(TIME, speed, place, NOISE, SETTINGS)
    shared = 0.5 * len(values) * np.log(2 * np.pi)
    return max(
        multivariate_normal(cov=one + extra, allow_singular=False).logpdf(values) + shared
        for one in covariance
    )


def test_the_process_by_its_closed_form():
    """Cov of a twice integrated Wiener process: q (3 M - m) m² / 6, m the earlier time; of its integral, the
    distance: q t⁵ / 20 (Särkkä and Solin, Applied Stochastic Differential Equations, 2019, section 6)."""
    quiet = Noise(np.zeros(N), np.zeros(N), np.zeros(N))
    low, high = _covariance(TIME, ALL, ALL, quiet, SETTINGS)[[0, -1]]
    q = SETTINGS.outlier_jerk_m2_s5[-1] - SETTINGS.outlier_jerk_m2_s5[0]
    late, early = np.maximum.outer(TIME, TIME), np.minimum.outer(TIME, TIME)
    by_hand = q * early**2 * (3 * late - early) / 6
    # the wide prior of the start, 1e6, costs ten digits of the difference
    assert (high - low)[:N, :N] == pytest.approx(by_hand, abs=1e-6)
    assert np.diag(high - low)[N:] == pytest.approx(q * TIME**5 / 20, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_a_wrong_speed_by_the_normal_density(seed):
    rows = np.array([3, 4])
    values = some_values(seed)
    values[rows] += 3.0
    form = window(TIME, {"speed": ALL, "place": np.zeros(N, dtype=bool)}, NOISE, SETTINGS, jumps=False)
    speed = values[:N]
    doubt = form.doubt(form.weigh(speed[:, None]), "speed", rows)
    hit = np.isin(np.arange(N), rows).astype(float)
    none = np.zeros(N, dtype=bool)
    one = densities(SETTINGS.outlier_size_mps**2 * np.outer(hit, hit), speed, place=none)
    each = densities(SETTINGS.outlier_size_mps**2 * np.diag(hit), speed, place=none)
    # a start that is known to 1e3 m/s only makes covariances of 1e6 beside noise of 6e-3: 1e-5 is left
    assert doubt.sound[0] == pytest.approx(densities(np.zeros((N, N)), speed, place=none), abs=1e-4)
    assert doubt.wrong[0] == pytest.approx(max(one, each), abs=1e-4)
    assert doubt.size[0] == pytest.approx(3.0, abs=0.3)
    assert doubt.wrong[0] - doubt.sound[0] > SETTINGS.outlier_log_odds


def test_places_that_jump_and_stay_by_the_normal_density():
    values = some_values(5)
    values[N + 4 :] += 6.0
    form = window(TIME, {"speed": ALL, "place": ALL}, NOISE, SETTINGS, jumps=True)
    plain = window(TIME, {"speed": ALL, "place": ALL}, NOISE, SETTINGS, jumps=False)
    rows = np.array([2])
    found = form.doubt(form.weigh(values[:, None]), "speed", rows)
    jump = np.concatenate([np.zeros(N + 4), np.ones(N - 4)])
    # any of the 7 epochs after the first may be the one
    by_hand = densities(SETTINGS.outlier_size_m**2 * np.outer(jump, jump), values) - np.log(N - 1)
    assert found.sound[0] == pytest.approx(by_hand, abs=1e-3)
    assert found.sound[0] > plain.doubt(plain.weigh(values[:, None]), "speed", rows).sound[0] + 50


def test_a_sound_window_is_called_sound():
    form = window(TIME, {"speed": ALL, "place": ALL}, NOISE, SETTINGS, jumps=False)
    given = form.weigh(np.column_stack([some_values(seed) for seed in range(200)]))
    for what in ("speed", "place"):
        doubt = form.doubt(given, what, np.array([3, 4]))
        # the prior of the error alone costs about ln(10 / 0.1), 4.6
        assert np.median(doubt.wrong - doubt.sound) < -2.0
        assert (doubt.wrong - doubt.sound < SETTINGS.outlier_log_odds).all()


def test_places_decide_where_speed_alone_can_not():
    """1 m/s too much over five epochs at a lift: places that know nothing of it make it wrong, else it is true."""
    rows = np.arange(2, 7)
    values = some_values(1)
    lift = np.minimum(0.0, -25.0 * (TIME - 0.35)) * (TIME > 0.35)
    values[:N] += lift
    values[N:] += np.where(TIME > 0.35, -12.5 * (TIME - 0.35) ** 2, 0.0)
    sound_speed = values.copy()
    values[rows] += 1.0
    form = window(TIME, {"speed": ALL, "place": ALL}, NOISE, SETTINGS, jumps=False)
    wrong = form.doubt(form.weigh(values[:, None]), "speed", rows)
    true = form.doubt(form.weigh(sound_speed[:, None]), "speed", rows)
    assert wrong.wrong[0] - wrong.sound[0] > 0 > true.wrong[0] - true.sound[0]
