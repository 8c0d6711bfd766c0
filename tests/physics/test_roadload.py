"""The force balance against closed forms (references.md topic 9) and scipy's integration of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from speedlog.physics.roadload import (
    coast_down,
    coasting_accel,
    coasting_distance,
    fading_at_constant_force,
    fading_at_constant_power,
    run_up_at_constant_power,
    terminal_speed_at_constant_power,
)  # fmt: skip

# the case of references.md topic 9: 8 kg and 0.5 kg of turning parts, Crr 0.02, CdA 0.012 m², 1.2 kg/m³
F0, F2, MASS = 1.569064, 0.0072, 8.5
ROLLING, DRAG = F0 / MASS, F2 / MASS


def test_first_deceleration_of_the_published_case() -> None:
    assert coasting_accel(np.array([100.0]), DRAG, ROLLING)[0] == pytest.approx(-8.655184, abs=1e-6)
    assert coasting_accel(np.array([0.0]), DRAG, ROLLING)[0] == -ROLLING


@pytest.mark.parametrize(
    ("time_s", "speed_mps", "driven_m"),
    [(1.0, 92.020325, 95.902148), (5.0, 69.571700, 415.049901), (10.0, 53.007981, 717.964709)],
)
def test_a_coast_down_is_the_closed_form(time_s: float, speed_mps: float, driven_m: float) -> None:
    """v = B tan(P0 - G t), x = (m/F2) ln(cos(P0 - G t) / cos P0): the table's values, from 100 m/s."""

    def motion(_: float, s: np.ndarray) -> list[float]:
        return [float(coasting_accel(s[:1], DRAG, ROLLING)[0]), s[0]]

    found = solve_ivp(motion, (0, time_s), [100.0, 0.0], rtol=1e-10, atol=1e-10).y[:, -1]
    assert found == pytest.approx([speed_mps, driven_m], abs=1e-6)


@pytest.mark.parametrize("time_s", [0.5, 3.0, 9.0])
def test_coasting_is_the_closed_forms_derivative(time_s: float) -> None:
    b, g = np.sqrt(F0 / F2), np.sqrt(F0 * F2) / MASS
    p0 = np.arctan(100 / b)
    step = 1e-4
    speed = b * np.tan(p0 - g * np.array([time_s - step, time_s, time_s + step]))
    slope = (speed[2] - speed[0]) / (2 * step)
    assert coasting_accel(speed[1:2], DRAG, ROLLING)[0] == pytest.approx(slope, rel=1e-7)


def fading_seen(accel_of, speed_mps: float) -> float:
    """-(da/dt)/a at a speed, by integrating the run to both sides of it (solve_ivp, central difference)."""
    h = 1e-4
    ends = [
        solve_ivp(lambda _, v: accel_of(v), (0, t), [speed_mps], rtol=1e-12, atol=1e-12).y[0, -1]
        for t in (-h, h)
    ]
    slope = (accel_of(ends[1]) - accel_of(ends[0])) / (2 * h)
    return float(-slope / accel_of(speed_mps))


@pytest.mark.parametrize("speed_mps", [30.0, 60.0, 95.0])
def test_fading_at_constant_power_is_that_of_an_integrated_run(speed_mps: float) -> None:
    def accel(v):
        return 14000.0 / MASS / v - ROLLING - DRAG * v**2

    found = fading_at_constant_power(speed_mps, float(accel(speed_mps)), DRAG, ROLLING)
    assert found == pytest.approx(fading_seen(accel, speed_mps), rel=1e-5)


@pytest.mark.parametrize("speed_mps", [30.0, 60.0, 95.0])
def test_fading_at_constant_force_is_that_of_an_integrated_run(speed_mps: float) -> None:
    def accel(v):
        return 100.0 / MASS - ROLLING - DRAG * v**2

    assert fading_at_constant_force(speed_mps, DRAG) == pytest.approx(fading_seen(accel, speed_mps), rel=1e-5)


def test_constant_force_run_is_the_closed_form() -> None:
    """v = vT tanh(k t): the acceleration fades by 2 k tanh(k t) a second, by hand. F - F0 = 72 N: k from the source."""
    k = np.sqrt(72.0 * F2) / MASS
    top = np.sqrt(72.0 / F2)
    for time_s in (2.0, 5.0, 10.0):
        speed = top * np.tanh(k * time_s)
        assert fading_at_constant_force(float(speed), DRAG) == pytest.approx(
            2 * k * np.tanh(k * time_s), rel=1e-12
        )
    # the source's own value: after 10 s 68.952981 m/s
    assert top * np.tanh(10 * k) == pytest.approx(68.952981, abs=1e-6)


def test_the_usual_fading_lies_between_force_and_power() -> None:
    """FusionSettings.pull_fades_per_s 0.2: 0.1 at constant force, 0.3 at power, by hand at 70 m/s, 5 m/s²."""
    from speedlog.settings import FusionSettings

    usual = FusionSettings()
    low = fading_at_constant_force(70.0, usual.drag_per_m)
    high = fading_at_constant_power(70.0, 5.0, usual.drag_per_m, usual.rolling_mps2)
    assert low == pytest.approx(0.098) and high == pytest.approx((5 + 0.2 + 3.43) / 70 + 0.098)
    assert low < usual.pull_fades_per_s < high


@pytest.mark.parametrize(
    ("time_s", "speed_mps", "driven_m"),
    [(1.0, 92.020325, 95.902148), (5.0, 69.571700, 415.049901), (10.0, 53.007981, 717.964709)],
)
def test_the_coast_down_itself(time_s: float, speed_mps: float, driven_m: float) -> None:
    speed, driven = coast_down(100.0, np.array([time_s]), DRAG, ROLLING)
    assert (speed[0], driven[0]) == pytest.approx((speed_mps, driven_m), abs=1e-6)


def test_the_coast_down_ends() -> None:
    """References.md topic 9: it stops after 113.897199 s and 2271.238574 m; 91.693245 m/s after 100 m."""
    speed, driven = coast_down(100.0, np.array([113.897199, 500.0]), DRAG, ROLLING)
    assert speed == pytest.approx([0.0, 0.0], abs=1e-6) and driven == pytest.approx(2271.238574, abs=1e-5)
    assert coasting_distance(100.0, 0.0, DRAG, ROLLING) == pytest.approx(2271.238574, abs=1e-6)
    assert coasting_distance(100.0, 91.693245, DRAG, ROLLING) == pytest.approx(100.0, abs=1e-5)


def test_constant_power_against_scipy() -> None:
    power = 900.0

    def motion(_: float, s: np.ndarray) -> list[float]:
        return [s[1], power / s[1] - DRAG * s[1] ** 2]

    found = solve_ivp(motion, (0, 6), [0.0, 20.0], rtol=1e-11, atol=1e-11).y[:, -1]
    assert run_up_at_constant_power(20.0, found[1], power, DRAG) == pytest.approx(found[0], abs=1e-6)


def test_terminal_speed_in_wind() -> None:
    """References.md topic 8: with rolling, head wind 4 and -4 m/s, of a car that does 100 m/s in still air."""
    power = (ROLLING + DRAG * 100.0**2) * 100.0
    assert terminal_speed_at_constant_power(power, DRAG, ROLLING) == pytest.approx(100.0, abs=1e-9)
    assert terminal_speed_at_constant_power(power, DRAG, ROLLING, 4.0) == pytest.approx(97.370364, abs=1e-6)
    assert terminal_speed_at_constant_power(power, DRAG, ROLLING, -4.0) == pytest.approx(102.664927, abs=1e-6)
