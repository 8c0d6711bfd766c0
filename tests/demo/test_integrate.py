"""The integrator on plain floats against the library's own, and the quick forces against the plain ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from speedlog.demo.car import Air, Bump, Car, Drive, ElectricDrive, Tow
from speedlog.demo.integrate import ATOL, RTOL, integrate

AIR = Air(1.2, 2.0, ((0.5, 0.2, 0.3), (0.4, 0.5, 1.0), (0.3, 0.1, 2.0)))


def smooth(time_s: float, x: float, v: float, q: float) -> tuple[float, float, float]:
    """A car under steady power with drag: no kink anywhere, so that both step alike."""
    return v, 40.0 / (1.0 + 0.1 * v) - 4e-4 * v * v + math.sin(time_s), 100.0 / (1.0 + x / 500.0)


def test_equals_scipy_to_1e_9() -> None:
    """scipy's solve_ivp with DOP853: the same steps, the same dense output."""
    mine, end, state = integrate(smooth, 0.0, (0.0, 1.0, 0.0), 12.0, longest_s=0.2)
    theirs = solve_ivp(
        lambda t, y: smooth(t, *y), (0.0, 12.0), [0.0, 1.0, 0.0], method="DOP853", rtol=RTOL, atol=ATOL,
        max_step=0.2, dense_output=True,
    )  # fmt: skip
    at = np.linspace(0.0, 12.0, 4321)
    assert end == 12.0 and len(mine.start_s) == len(theirs.t) - 1
    assert theirs.sol is not None
    assert np.max(np.abs(mine(at) - theirs.sol(at))) < 1e-9
    assert np.max(np.abs(np.array(state) - theirs.y[:, -1])) < 1e-9


def test_stops_where_a_level_is_crossed() -> None:
    # free fall: v = 3 - t, x = 3 t - t²/2: stands at 3 s after 4.5 m
    found, end, state = integrate(
        lambda t, x, v, q: (v, -1.0, 0.0), 0.0, (0.0, 3.0, 0.0), 99.0, longest_s=0.5, until=(1, 0.0)
    )
    assert end == pytest.approx(3.0, abs=1e-12)
    assert state[0] == pytest.approx(4.5, abs=1e-12)
    assert found.at(1.0)[0] == pytest.approx(2.5, abs=1e-12)


def test_gives_up_where_nothing_is_short_enough() -> None:
    with pytest.raises(ArithmeticError, match="no step"):
        integrate(
            lambda t, x, v, q: (1.0 / (1.0 - t) ** 3, 0.0, 0.0), 0.0, (0.0, 0.0, 0.0), 2.0, longest_s=0.2
        )


@pytest.mark.parametrize(
    "drive", [ElectricDrive(), ElectricDrive(pack_limit_a=90.0, gear_ratio=1.3), Tow(40.0)]
)
def test_quick_push_is_the_drive(drive: Drive) -> None:
    push = drive.quick()
    for speed in (0.0, 12.0, 50.0, 88.0, 140.0):
        for throttle in (0.0, 0.3, 1.0):
            for grip in (20.0, 500.0):
                point = drive.at(speed, throttle, 900.0, grip)
                force, current = push(speed, throttle, 900.0, grip)
                assert force == pytest.approx(float(point.force_n), abs=1e-9)
                assert current == pytest.approx(float(point.pack_current_a), abs=1e-9)


def test_quick_forces_are_the_cars() -> None:
    car = replace(Car(), bump=Bump(300.0))
    for which in (car, Car()):
        grip, resist = which.quick_grip(1.2), which.quick_resistance(1.2)
        for x, v in ((0.0, 0.0), (299.0, 60.0), (303.0, 90.0)):
            assert grip(x, v) == pytest.approx(float(which.grip_n(x, v, 1.2)), rel=1e-12)
            assert resist(v, -3.0) == pytest.approx(which.resistance_n(v, -3.0, 1.2), rel=1e-12)
    for air in (AIR, Air(1.2, 3.0), Air(1.2, 3.0, ((2.0, 0.25, 0.0),))):
        head = air.quick_head()
        assert [head(t) for t in (0.0, 1.7)] == pytest.approx(
            [float(air.head_at(t)) for t in (0.0, 1.7)], abs=1e-12
        )


def test_at_many_moments_at_once() -> None:
    drive, speed = ElectricDrive(), np.array([0.0, 30.0, 90.0])
    many = drive.at(speed, 1.0, 0.0, 1e9)
    assert many.force_n.tolist() == [float(drive.at(v, 1.0, 0.0, 1e9).force_n) for v in speed]
