"""A straight line through passes, against scipy and statsmodels-like closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress
from scipy.stats import t as student

from speedlog.vehicle.effect import Corrected
from speedlog.vehicle.trend import trend_of

LIMITS = [95.0, 125.0, 140.0, 160.0, 195.0, 215.0, 250.0]
SPEEDS = [71.2, 75.9, 78.0, 80.4, 83.1, 84.6, 87.0]


def test_slope_interval_and_p_are_scipy_s() -> None:
    found = trend_of("speed", "m/s", LIMITS, [Corrected(value) for value in SPEEDS], 10.0)
    wanted = linregress(LIMITS, SPEEDS)
    assert found is not None and found.passes == 7
    assert found.slope.value == pytest.approx(10 * wanted.slope, rel=1e-12)
    assert found.p_value == pytest.approx(wanted.pvalue, rel=1e-9)
    half = 10 * wanted.stderr * student.ppf(0.975, 5)
    assert found.slope.interval95 == pytest.approx((10 * wanted.slope - half, 10 * wanted.slope + half))


def test_the_passes_own_uncertainty_counts_where_they_happen_to_lie_on_a_line() -> None:
    """By hand: x -1, 0, 1 and u 0.3: the slope's u is 0.3 √2 / 2."""
    found = trend_of("sag", "V", [1.0, 2.0, 3.0], [Corrected(value, 0.3) for value in (1.0, 2.0, 3.0)], 1.0)
    assert found is not None and found.slope.value == pytest.approx(1.0)
    half = 0.3 * np.sqrt(2) / 2 * student.ppf(0.975, 1)
    assert found.slope.high - found.slope.value == pytest.approx(half)


@pytest.mark.parametrize("values", [[1.0, 2.0], [2.0, 2.0, 2.0], [1.0, 2.0, 2.0, 1.0]])
def test_too_little_for_a_line(values: list[float]) -> None:
    assert trend_of("speed", "m/s", values, [Corrected(80.0 + k) for k in range(len(values))], 1.0) is None


def test_held_as_often_as_it_says() -> None:
    """400 seasons with a known slope: 95 % inside, give or take three standard errors (binomial)."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        speeds = [0.1 * x + rng.normal(0.0, 0.8) for x in LIMITS]
        found = trend_of("speed", "m/s", LIMITS, [Corrected(value, 0.2) for value in speeds], 10.0)
        assert found is not None
        held += found.slope.low <= 1.0 <= found.slope.high
    assert abs(held / 400 - 0.95) < 3 * (0.95 * 0.05 / 400) ** 0.5
