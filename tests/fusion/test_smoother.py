"""The banded solve against published series, closed forms and plain linear algebra."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from speedlog.fusion.motion import van_loan
from speedlog.fusion.smoother import Chain, factored

RNG = np.random.default_rng(11)


def filled(chain: Chain) -> np.ndarray:
    """The whole matrix of a chain."""
    count, d = chain.diagonal.shape[:2]
    out = np.zeros((count * d, count * d))
    for k in range(count):
        out[k * d : (k + 1) * d, k * d : (k + 1) * d] = chain.diagonal[k]
    for k in range(count - 1):
        out[k * d : (k + 1) * d, (k + 1) * d : (k + 2) * d] = chain.beside[k]
        out[(k + 1) * d : (k + 2) * d, k * d : (k + 1) * d] = chain.beside[k].T
    return out


def tied(rate: np.ndarray, density: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Precision blocks of a linear motion driven by white noise, nothing measured; log-determinant of its noise."""
    d = len(rate)
    diagonal, beside = np.zeros((len(steps) + 1, d, d)), np.zeros((len(steps), d, d))
    total = 0.0
    for k, length in enumerate(steps):
        moved, inverse, log_det = van_loan(rate, density, float(length))
        diagonal[k] += moved.T @ inverse @ moved
        diagonal[k + 1] += inverse
        beside[k] = -moved.T @ inverse
        total += log_det
    return diagonal, beside, total


@pytest.mark.parametrize(("count", "d"), [(1, 3), (2, 1), (7, 4), (40, 6)])
def test_solve_determinant_and_covariances_are_those_of_the_whole_matrix(count: int, d: int) -> None:
    """Against NumPy's dense solve, inverse and slogdet."""
    beside = RNG.normal(0, 1, (count - 1, d, d))
    square = RNG.normal(0, 1, (count, d, d))
    diagonal = square @ square.transpose(0, 2, 1) + 4 * d * np.eye(d)
    chain = factored(diagonal, beside)
    whole = filled(chain)
    right = RNG.normal(0, 1, (count * d, 3))
    np.testing.assert_allclose(chain.solve(right), np.linalg.solve(whole, right), rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(chain.solve(right[:, 0]), chain.solve(right)[:, 0], rtol=1e-12)
    first = count // 3
    few = right[first * d : first * d + d * (count - first + 1) // 2 // d * d]
    padded = np.concatenate([np.zeros((first * d, 3)), few])
    padded = np.concatenate([padded, np.zeros((count * d - len(padded), 3))])
    wide = chain.solve_wide(first, few.reshape(-1, d, 3)).reshape(-1, 3)
    np.testing.assert_allclose(wide, np.linalg.solve(whole, padded), rtol=1e-9, atol=1e-12)
    assert chain.log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
    inverse = np.linalg.inv(whole).reshape(count, d, count, d)
    wanted = np.stack([inverse[k, :, k] for k in range(count)])
    np.testing.assert_allclose(chain.variances(), wanted, rtol=1e-9, atol=1e-12)


def test_what_is_no_precision_is_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        factored(np.array([[[1.0]], [[1.0]]]), np.array([[[2.0]]]))


def local_level(value: np.ndarray, known: np.ndarray) -> tuple[Chain, np.ndarray, float]:
    """Level with a flat prior, variances 15099 (value) and 1469.1 (step); level, log-likelihood."""
    seen, moves = 15099.0, 1469.1
    n = len(value)
    diagonal = known / seen + (np.r_[0, np.ones(n - 1)] + np.r_[np.ones(n - 1), 0]) / moves
    chain = factored(diagonal[:, None, None], np.full((n - 1, 1, 1), -1 / moves))
    level = chain.solve(np.where(known, value, 0.0) / seen)
    size = np.sum(known * (value - level) ** 2) / seen + np.sum(np.diff(level) ** 2) / moves
    count = int(known.sum())
    # a flat prior integrates one factor (2 pi)^-1/2 away; statsmodels keeps it
    log = -0.5 * (size + chain.log_determinant + count * np.log(seen) + (n - 1) * np.log(moves))
    return chain, level, log - 0.5 * count * np.log(2 * np.pi)


def test_nile_series_of_durbin_and_koopman() -> None:
    """Durbin, Koopman, "Time Series Analysis by State Space Methods", 2nd ed. 2012, 2.2.

    Expected values: references.md topic 6 (statsmodels with an exact diffuse start).
    """
    value = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)
    chain, level, log = local_level(value, np.ones(100, dtype=bool))
    assert level[[0, 49, 99]] == pytest.approx([1111.668319, 834.763259, 798.370293], rel=1e-8)
    assert chain.variances()[[0, 49, 99], 0, 0] == pytest.approx(
        [4032.157942, 2326.756870, 4032.157942], rel=1e-8
    )
    assert log == pytest.approx(-633.464564, abs=1e-6)


def test_nile_series_with_two_holes() -> None:
    """The same source, values 21-40 and 61-80 missing; the variance at 30 in closed form."""
    value = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)
    known = np.ones(100, dtype=bool)
    known[20:40] = known[60:80] = False
    chain, level, log = local_level(value, known)
    assert level[[19, 20, 29]] == pytest.approx([999.712684, 990.083526, 903.421103], rel=1e-8)
    assert chain.variances()[29, 0, 0] == pytest.approx(9715.00590, rel=1e-8)
    assert log == pytest.approx(-381.506001, abs=1e-6)


def test_small_speed_smoother_with_two_values_missing() -> None:
    """references.md topic 6: constant velocity, q 25, R 0.01; filterpy and dense conditioning agree there."""
    rate, density = np.array([[0.0, 1.0], [0.0, 0.0]]), np.diag([0.0, 25.0])
    diagonal, beside, noise = tied(rate, density, np.full(9, 0.1))
    value = np.array([90, 90.9, 91.6, 92.3, 0, 0, 94.8, 95.3, 94.2, 92.9])
    known = value > 0
    diagonal[known, 1, 1] += 1 / 0.01
    diagonal[0] += np.diag([1.0, 0.01])
    right = np.zeros((10, 2))
    right[:, 1] = value / 0.01
    right[0, 1] += 0.01 * 90
    chain = factored(diagonal, beside)
    mean = chain.solve(right.ravel()).reshape(10, 2)
    wanted = [
        90.0035822, 90.8992206, 91.5999990, 92.3005287, 93.1332355, 93.9659423, 94.7986492, 95.2936423, 94.1992017,
        92.9051761,
    ]  # fmt: skip
    assert mean[:, 1] == pytest.approx(wanted, abs=1e-6)
    spread = chain.variances()
    assert spread[[0, 4], 1, 1] == pytest.approx([0.0099593, 1.6721987], abs=1e-6)
    assert (mean[9, 0], spread[9, 0, 0]) == pytest.approx((83.7644798, 1.0699990), abs=1e-6)
    # -2 log-likelihood = what the best drive leaves + log-determinants, by completing the square
    prior = np.array([0.0, 90.0])
    size = (
        np.sum(value[known] ** 2) / 0.01 + prior @ np.diag([1.0, 0.01]) @ prior - mean.ravel() @ right.ravel()
    )
    log = -0.5 * (
        size + chain.log_determinant + noise + np.log(100.0) + 8 * np.log(0.01) + 8 * np.log(2 * np.pi)
    )
    assert log == pytest.approx(-14.8361405, abs=2e-6)


def bridge(order: int, q: float, ends: tuple[list[float], list[float]], span: float, known: list[int]):
    """Mean and covariance in the middle of a gap with both ends known exactly; noise on the last of `order` states."""
    rate, density = np.eye(order, k=1), np.zeros((order, order))
    density[-1, -1] = q
    steps = 10
    diagonal, beside, _ = tied(rate, density, np.full(steps, span / steps))
    right = np.zeros((steps + 1, order))
    sure = 1e9  # stands for exactly: 0.03 mm
    for k, values in ((0, ends[0]), (steps, ends[1])):
        for state, value in zip(known, values, strict=True):
            diagonal[k, state, state] += sure
            right[k, state] += sure * value
    for state in range(order):  # a state that nothing ties: nearly flat
        diagonal[0, state, state] += 1e-9
    chain = factored(diagonal, beside)
    mean = chain.solve(right.ravel()).reshape(steps + 1, order)
    return mean[steps // 2], chain.variances()[steps // 2]


def test_bridge_of_a_random_walk() -> None:
    """references.md topic 6: speed known at both ends, q 25, T 1 s: q T / 4 = 6.25 in the middle."""
    mean, spread = bridge(1, 25.0, ([90.0], [104.0]), 1.0, [0])
    assert mean[0] == pytest.approx(97.0, abs=1e-6)
    assert spread[0, 0] == pytest.approx(6.25, abs=1e-6)


def test_bridge_of_constant_velocity() -> None:
    """Place and speed known, q 25, T 1 s: q T³/192, q T/16; middle speed 1.5 dx/T - (v0 + v1)/4 = 101.5."""
    mean, spread = bridge(2, 25.0, ([0.0, 90.0], [100.0, 104.0]), 1.0, [0, 1])
    assert mean[1] == pytest.approx(101.5, abs=1e-5)
    assert (spread[0, 0], spread[1, 1]) == pytest.approx((0.1302083, 1.5625), abs=1e-6)


def test_bridge_of_constant_acceleration() -> None:
    """Speed and acceleration known, q 100, T 1 s: q T³/192, q T/16; 100 and 100 m/s with +8 and -12: 102.5."""
    mean, spread = bridge(3, 100.0, ([100.0, 8.0], [100.0, -12.0]), 1.0, [1, 2])
    assert mean[1] == pytest.approx(102.5, abs=1e-5)
    assert (spread[1, 1], spread[2, 2]) == pytest.approx((0.5208333, 6.25), abs=1e-6)


def test_bridge_with_place_speed_and_acceleration_known() -> None:
    """The same source: q T⁵/20480, q T³/3072, q T/16 at q 60, T 2 s; what a quintic between knots leaves out."""
    q, span = 60.0, 2.0
    _, spread = bridge(3, q, ([0.0, 90.0, 5.0], [190.0, 96.0, -2.0]), span, [0, 1, 2])
    assert np.diag(spread) == pytest.approx(
        [q * span**5 / 20480, q * span**3 / 3072, q * span / 16], abs=1e-6
    )
