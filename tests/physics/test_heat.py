"""The first-order thermal model against its closed form."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.physics.heat import filtered, following, soaking, warmed


def test_constant_power_against_the_closed_form() -> None:
    # references.md, topic 10: P 720 W, R 0.5 K/W, C 150 J/K, air 25 °C: 48.217485 at 5 s, 252.563401 at 75 s
    tau, rate = 75.0, 720.0 / 150.0
    rise = warmed(np.full(1501, rate), 0.05, np.array(tau))
    assert 25 + rise[100] == pytest.approx(48.217485, abs=1e-6)
    assert 25 + rise[1500] == pytest.approx(252.563401, abs=1e-6)


def test_adiabatic_where_cooling_is_slow() -> None:
    # references.md, topic 10: 300 A, 8 mOhm, 5 s into 150 J/K: 24 K
    rise = warmed(np.full(51, 300.0**2 * 0.008 / 150.0), 0.1, np.array(1e9))
    assert rise[-1] == pytest.approx(24.0, abs=1e-6)


def test_many_constants_at_once_are_the_same_as_one_by_one() -> None:
    power = np.random.default_rng(1).uniform(0, 5, 60)
    taus = np.array([20.0, 60.0, 300.0])
    together = warmed(power, 0.1, taus)
    for place, tau in enumerate(taus):
        assert together[:, place] == pytest.approx(warmed(power, 0.1, np.array(tau)))


@pytest.mark.parametrize("lag", [0.5, 8.0, 59.9999999, 60.0])
def test_soak_against_steps_in_time(lag: float) -> None:
    """A cooling winding of 40 K and a sensor that shows 10 K, by small steps (no shared formula)."""
    tau, step = 60.0, 2e-3
    time = np.arange(0, 40, step)
    winding = 40.0 * np.exp(-(time + step / 2) / tau)
    seen = filtered(winding, step, np.array(lag), 10.0)
    assert soaking(np.array(40.0), np.array(10.0), time[-1], np.array(tau), np.array(lag)) == pytest.approx(
        seen[-1], abs=2e-4
    )


@pytest.mark.parametrize("tau", [0.02, 0.5, 30.0])
def test_a_ramp_is_followed_with_its_lag(tau: float) -> None:
    """By hand: the answer to u = t from rest is t - tau (1 - exp(-t / tau)), whatever the grid."""
    time = np.arange(0, 3.01, 0.1)
    found = following(time, 0.1, np.array(tau), 0.0)
    assert found == pytest.approx(time - tau * (1 - np.exp(-time / tau)), abs=1e-12)
