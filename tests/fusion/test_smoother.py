"""The smoother against general libraries, published values and the dense posterior."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from speedlog.fusion.motion import jump_within, white_jerk
from speedlog.fusion.smoother import LinearModel, Smoothed, Wild, smooth

RNG = np.random.default_rng(20261125)


def plain_model(transition, noise, mean, cov, row, value, variance, node=None) -> LinearModel:
    """One noise level, no jumps: the textbook filter."""
    transition = np.asarray(transition, dtype=float)
    node = np.arange(len(value)) if node is None else node
    return LinearModel(
        transition, np.asarray(noise, dtype=float)[None], np.zeros_like(transition), np.zeros(len(transition)),
        np.asarray(mean, dtype=float), np.asarray(cov, dtype=float), node, np.asarray(row, dtype=float),
        np.asarray(value, dtype=float), np.asarray(variance, dtype=float), np.zeros(len(value), dtype=np.int64),
    )  # fmt: skip


def test_equals_statsmodels_on_the_same_model() -> None:
    """Oracle: statsmodels' KalmanSmoother, another implementation, on 60 uneven white-jerk steps."""
    steps = RNG.uniform(0.02, 0.3, 59)
    transition, noise = white_jerk(steps)
    noise = 30.0 * noise
    value = 40 + np.cumsum(RNG.normal(0, 1, 60))
    variance = RNG.uniform(0.05, 0.5, 60)
    row = np.tile([0.0, 1.0, 0.0], (60, 1))
    mean, cov = np.array([0.0, 35.0, 2.0]), np.diag([4.0, 25.0, 9.0])

    oracle = KalmanSmoother(k_endog=1, k_states=3, k_posdef=3)
    oracle.bind(value[:, None])
    oracle["design"] = np.array([[0.0, 1.0, 0.0]])
    oracle["selection"] = np.eye(3)
    oracle["obs_cov"] = variance[None, None, :]
    # statsmodels' last transition leads past the end and is never used
    oracle["transition"] = np.concatenate([transition, transition[-1:]]).transpose(1, 2, 0)
    oracle["state_cov"] = np.concatenate([noise, noise[-1:]]).transpose(1, 2, 0)
    oracle.initialize_known(mean, cov)
    wanted = oracle.smooth()

    found = smooth(plain_model(transition, noise, mean, cov, row, value, variance), 1)

    np.testing.assert_allclose(found.mean[:, 0], wanted.smoothed_state.T, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(
        found.cov[:, 0], wanted.smoothed_state_cov.transpose(2, 0, 1), rtol=1e-8, atol=1e-8
    )
    assert found.log_likelihood == pytest.approx(wanted.llf, rel=1e-8)


def nile(variance_of_start: float) -> tuple[np.ndarray, Smoothed]:
    value = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)
    n = len(value)
    model = plain_model(
        np.ones((n - 1, 1, 1)), np.full((n - 1, 1, 1), 1469.1), value[:1], [[variance_of_start]], np.ones((n, 1)),
        value, np.full(n, 15099.0),
    )  # fmt: skip
    return value, smooth(model, 1)


def test_nile_series_of_durbin_and_koopman() -> None:
    """Durbin and Koopman, 2nd ed. (2012), 2.2: local level, variances 15099 and 1469.1.

    Expected values: references.md topic 6, from statsmodels with an exact diffuse start. Here the
    start is the first value with a variance of 1e12, which differs by about 1e-8 of it.
    """
    value, found = nile(1e12)
    assert value.mean() == pytest.approx(919.35, abs=1e-9)
    assert found.mean[[0, 49, 99], 0, 0] == pytest.approx([1111.668319, 834.763259, 798.370293], rel=1e-6)
    assert found.cov[[0, 49], 0, 0, 0] == pytest.approx([4032.157942, 2326.756870], rel=1e-6)


def test_small_speed_smoother_with_two_values_missing() -> None:
    """references.md topic 6: constant-velocity model, q 25, R 0.01; filterpy and dense conditioning agree there."""
    dt = 0.1
    transition = np.tile([[1.0, dt], [0.0, 1.0]], (9, 1, 1))
    noise = np.tile(25.0 * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]]), (9, 1, 1))
    value = np.array([90, 90.9, 91.6, 92.3, 94.8, 95.3, 94.2, 92.9])
    node = np.array([0, 1, 2, 3, 6, 7, 8, 9])
    row = np.tile([0.0, 1.0], (8, 1))
    found = smooth(
        plain_model(transition, noise, [0, 90], np.diag([1.0, 100.0]), row, value, np.full(8, 0.01), node), 1
    )
    wanted = [
        90.0035822, 90.8992206, 91.5999990, 92.3005287, 93.1332355, 93.9659423, 94.7986492, 95.2936423, 94.1992017,
        92.9051761,
    ]  # fmt: skip
    assert found.mean[:, 0, 1] == pytest.approx(wanted, abs=1e-6)
    assert found.cov[[0, 4], 0, 1, 1] == pytest.approx([0.0099593, 1.6721987], abs=1e-6)
    assert found.mean[9, 0, 0] == pytest.approx(83.7644798, abs=1e-6)
    assert found.cov[9, 0, 0, 0] == pytest.approx(1.0699990, abs=1e-6)
    assert found.log_likelihood == pytest.approx(-14.8361405, abs=1e-6)


def test_gain_products_give_the_dense_posterior_covariance() -> None:
    """By linear algebra: the joint normal of all states conditioned on all values, uneven steps."""
    steps = RNG.uniform(0.05, 0.4, 11)
    transition, noise = white_jerk(steps)
    cov0 = np.diag([9.0, 25.0, 16.0])
    value, row = RNG.normal(0, 3, 12), np.tile([1.0, 0.0, 0.0], (12, 1))
    found = smooth(plain_model(transition, noise, np.zeros(3), cov0, row, value, np.full(12, 0.3)), 1)

    joint = np.zeros((36, 36))
    joint[:3, :3] = cov0
    for k in range(11):
        before = joint[: 3 * k + 3, 3 * k : 3 * k + 3]
        joint[: 3 * k + 3, 3 * k + 3 : 3 * k + 6] = before @ transition[k].T
        joint[3 * k + 3 : 3 * k + 6, : 3 * k + 3] = joint[: 3 * k + 3, 3 * k + 3 : 3 * k + 6].T
        last = joint[3 * k : 3 * k + 3, 3 * k : 3 * k + 3]
        joint[3 * k + 3 : 3 * k + 6, 3 * k + 3 : 3 * k + 6] = (
            transition[k] @ last @ transition[k].T + noise[k]
        )
    seen = joint[::3]
    gain = joint[:, ::3] @ np.linalg.inv(joint[::3, ::3] + 0.3 * np.eye(12))
    mean, cov = gain @ value, joint - gain @ seen

    np.testing.assert_allclose(found.mean[:, 0].ravel(), mean, atol=1e-9)
    product = np.eye(3)
    for k in range(4, 9):
        product = product @ found.gain[k, 0]
    np.testing.assert_allclose(product @ found.cov[9, 0], cov[12:15, 27:30], atol=1e-9)


@pytest.mark.parametrize(
    ("values", "span", "wanted"),
    [
        # references.md topic 6, bridges with both ends known: CA, v and a known, q 100, T 1 s
        ((100.0, 8.0, 100.0, -12.0), 1.0, (102.5, 0.5208333)),
    ],
)
def test_bridge_with_known_ends(values, span, wanted) -> None:
    v0, a0, v1, a1 = values
    transition, noise = white_jerk(np.full(10, span / 10))
    row = np.array([[0, 1.0, 0], [0, 0, 1.0], [0, 1.0, 0], [0, 0, 1.0]])
    model = plain_model(
        transition, 100.0 * noise, [0, 100.0, 0.0], np.diag([1.0, 1e6, 1e6]), row, [v0, a0, v1, a1],
        np.full(4, 1e-10), np.array([0, 0, 10, 10]),
    )  # fmt: skip
    found = smooth(model, 1)
    assert found.mean[5, 0, 1] == pytest.approx(wanted[0], abs=1e-4)
    assert found.cov[5, 0, 1, 1] == pytest.approx(wanted[1], abs=1e-4)


def test_two_undecided_noise_levels_share_the_weight_as_their_likelihoods_do() -> None:
    """Bayes by hand: each level alone gives its likelihood; together they weigh as those do."""
    steps = np.full(19, 0.1)
    transition, unit = white_jerk(steps)
    value, row = np.cumsum(RNG.normal(0, 1, 20)), np.tile([0.0, 1.0, 0.0], (20, 1))
    alone = [
        smooth(plain_model(transition, q * unit, [0, 0, 0], np.eye(3), row, value, np.full(20, 0.1)), 1)
        for q in (5.0, 500.0)
    ]
    both = LinearModel(
        transition, np.stack([5.0 * unit, 500.0 * unit]), np.zeros_like(unit), np.zeros(19), np.zeros(3), np.eye(3),
        np.arange(20), row, value, np.full(20, 0.1), np.zeros(20, dtype=np.int64),
    )  # fmt: skip
    found = smooth(both, 8)
    ratio = np.exp(alone[1].log_likelihood - alone[0].log_likelihood)
    assert found.weight[1] / found.weight[0] == pytest.approx(ratio, rel=1e-9)
    total = np.logaddexp(alone[0].log_likelihood, alone[1].log_likelihood) - np.log(2)
    assert found.log_likelihood == pytest.approx(total, rel=1e-9)


def test_a_jump_is_found_where_it_was_made() -> None:
    """Acceleration steps from +6 to -8 m/s² at node 20: the likeliest path jumps within a node of it."""
    dt, n = 0.04, 50
    accel = np.where(np.arange(n) < 20, 6.0, -8.0)
    speed = 60 + np.concatenate([[0.0], np.cumsum(accel[:-1] * dt)]) + RNG.normal(0, 0.03, n)
    transition, unit = white_jerk(np.full(n - 1, dt))
    jump = 100.0 * jump_within(np.full(n - 1, dt))
    model = LinearModel(
        transition, 0.5 * unit[None], jump, np.full(n - 1, 0.01), np.array([0, 60.0, 6.0]), np.diag([1.0, 1.0, 4.0]),
        np.arange(n), np.tile([0.0, 1.0, 0.0], (n, 1)), speed, np.full(n, 0.03**2), np.zeros(n, dtype=np.int64),
    )  # fmt: skip
    found = smooth(model, 64)
    best = int(np.argmax(found.weight))
    assert found.jumps[best] == 1
    turn = int(np.argmin(np.diff(found.mean[:, best, 2])))
    assert abs(turn - 19) <= 1
    assert found.weight.sum() == pytest.approx(1.0)


def test_a_run_of_wild_readings_is_left_out_and_the_rest_is_untouched() -> None:
    """By construction: with five readings 9 m/s off, the result is that of the log without them."""
    n = 60
    transition, unit = white_jerk(np.full(n - 1, 0.1))
    speed = 50 + 0.3 * np.arange(n) + RNG.normal(0, 0.05, n)
    keep = np.ones(n, dtype=bool)
    keep[30:35] = False
    spoilt = np.where(keep, speed, speed + 9.0)
    row = np.tile([0.0, 1.0, 0.0], (n, 1))
    mean, cov = [0.0, 50.0, 3.0], np.diag([1.0, 1.0, 4.0])
    without = plain_model(
        transition, unit, mean, cov, row[keep], speed[keep], np.full(n - 5, 0.05**2), np.flatnonzero(keep)
    )
    model = plain_model(transition, unit, mean, cov, row, spoilt, np.full(n, 0.05**2))
    wild = replace(model, wild=Wild(0.002, 0.7, np.array([20.0])))
    np.testing.assert_allclose(smooth(wild, 1).mean, smooth(without, 1).mean, atol=1e-12)
    # and without the thought of wild readings the estimate is dragged away
    assert abs(smooth(model, 1).mean[32, 0, 1] - speed[32]) > 1.0
