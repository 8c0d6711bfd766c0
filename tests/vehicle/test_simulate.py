"""The simulation against closed forms (references.md topic 9), scipy's solve_ivp, and its own energy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from speedlog.demo.car import Air, ElectricDrive, Motor, Pack, Tyre
from speedlog.demo.car import Car as DemoCar
from speedlog.demo.truth import Driver, drive_pass
from speedlog.physics.roadload import run_up_at_constant_power
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.forecast import terminal
from speedlog.vehicle.simulate import LIMITS, Road, energy_of, lanes_of, run_up, script

SETTINGS = ForecastSettings()
# far from every limit but the motor's: a constant force, as the case of the references has it
PULLED = Car(
    mass_kg=8.0, rotating_kg=0.5, rolling=0.02, drag_area_m2=0.012, friction=1e4, kv_rpm_per_v=100.0, winding_ohm=1e-6,
    idle_a=0.0, efficiency=1.0, growth=0.0, open_v=900.0, pack_ohm=0.0, fall_v_per_ah=0.0, pack_limit_a=1e6,
    limit_scale=1.0, motor_share=0.0, ramp_s=1e-3,
)  # fmt: skip


def pulled_with(force_n: float) -> Car:
    """The motor limit that makes this force: F = ke I / r."""
    ke = 60 / (2 * np.pi * 100.0)
    return replace(PULLED, motor_limit_a=force_n * 0.044 / ke)


@pytest.mark.parametrize(
    ("time_s", "speed_mps", "driven_m"),
    [(2.0, 16.780943, 16.860755), (5.0, 39.989960, 102.860498), (10.0, 68.952981, 380.857321)],
)
def test_constant_force_is_the_closed_form(time_s: float, speed_mps: float, driven_m: float) -> None:
    """v = vT tanh(kt), x = (m/F2) ln cosh(kt) with F - F0 = 72 N; the ramp of 1 ms shifts the time by half of it."""
    runs = run_up([pulled_with(72.0 + 1.569064)], Road(1.2), 500.0, replace(SETTINGS, step_s=0.03))
    when, speed = runs.at_travel(driven_m)
    assert speed[0] == pytest.approx(speed_mps, abs=1e-6)
    assert when[0] == pytest.approx(time_s + 0.0005, abs=2e-5)


def test_constant_power_is_the_closed_form() -> None:
    """Pack-limited without losses: v² dv/dx = p - k v³."""
    car = replace(
        PULLED,
        motor_limit_a=1e9,
        motor_share=0.0,
        pack_limit_a=10.0,
        rolling=0.0,
        winding_ohm=1e-12,
        open_v=700.0,
    )
    runs = run_up([car], Road(1.2), 400.0, replace(SETTINGS, step_s=0.02), corner=0.0)
    k, p = 0.0072 / 8.5, 7000.0 / 8.5
    (_, v0), (_, v1) = runs.at_travel(100.0), runs.at_travel(300.0)
    assert run_up_at_constant_power(float(v0[0]), float(v1[0]), p, k) == pytest.approx(200.0, abs=2e-4)
    # the terminal speed of power and drag alone: (2 P / rho CdA)^(1/3)
    top = terminal(runs.lanes, np.zeros(1), np.zeros(1))[0]
    assert top == pytest.approx((7000.0 / 0.0072) ** (1 / 3), abs=1e-6)


def test_terminal_speed_at_constant_force() -> None:
    """vT² = (F - F0) / F2 = 72 / 0.0072: 100 m/s; in a head wind of 4 m/s 96 (references.md topic 8)."""
    lanes = lanes_of([pulled_with(72.0 + 1.569064)] * 2, Road(1.2))
    assert terminal(lanes, np.zeros(2), np.array([0.0, 4.0])) == pytest.approx([100.0, 96.0], abs=1e-6)


@pytest.mark.parametrize(
    "car",
    [
        Car(),
        Car(friction=0.6, driven_share=0.6),
        Car(pack_limit_a=110.0, ramp_s=2.0),
        Car(kv_rpm_per_v=380.0),
    ],
)
def test_against_solve_ivp_with_events(car: Car) -> None:
    """The same right-hand side by scipy's adaptive method, stopped by events at both beams."""
    road = Road(1.18, 3.0, 0.001)
    lanes, one = lanes_of([car], road), np.ones(1)

    def rate(t: float, y: np.ndarray) -> list[float]:
        a, i = lanes.rate(y[1] * one, y[2] * one, car.throttle(np.array([t])), 3.0)
        return [y[1], float(a[0]), float(i[0])]

    def entry(_: float, y: np.ndarray) -> float:
        return float(y[0] - 400.0)

    def leave(_: float, y: np.ndarray) -> float:
        return float(y[0] - 430.0)

    leave.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        rate, (0, 40), [0.0, 0.0, 0.0], rtol=1e-8, atol=1e-8, events=[entry, leave], max_step=0.05
    )
    runs = run_up([car], road, 430.0, SETTINGS)
    for k, at in enumerate((400.0, 430.0)):
        when, speed = runs.at_travel(at)
        assert when[0] == pytest.approx(found.t_events[k][0], abs=5e-4)
        assert speed[0] == pytest.approx(found.y_events[k][0][1], rel=5e-6)


@settings(max_examples=40, deadline=None)
@given(
    mass=st.floats(3, 15),
    drag=st.floats(0.004, 0.04),
    friction=st.floats(0.3, 2),
    kv=st.floats(250, 2000),
    limit=st.floats(40, 400),
    ramp=st.floats(0, 4),
    growth=st.floats(-0.02, 0.15),
    head=st.floats(-8, 8),
    share=st.floats(0.3, 1),
)
def test_the_energy_of_every_run_balances(
    mass: float,
    drag: float,
    friction: float,
    kv: float,
    limit: float,
    ramp: float,
    growth: float,
    head: float,
    share: float,
) -> None:
    car = Car(
        mass_kg=mass, drag_area_m2=drag, friction=friction, kv_rpm_per_v=kv, pack_limit_a=limit, ramp_s=ramp,
        growth=growth, driven_share=share,
    )  # fmt: skip
    runs = run_up([car], Road(1.2, head, 0.001), 400.0, replace(SETTINGS, longest_run_s=30.0))
    energy = energy_of(runs)
    assert energy.error < 1e-6
    assert energy.kinetic > 0 and energy.pack > energy.kinetic


def test_runs_side_by_side_are_runs_alone() -> None:
    cars = [Car(), Car(mass_kg=6.0, ramp_s=2.0), Car(pack_limit_a=90.0)]
    road = Road(np.array([1.2, 1.1, 1.25]), np.array([0.0, 3.0, -2.0]))
    both = run_up(cars, road, 500.0, SETTINGS).at_travel(500.0)
    for k, car in enumerate(cars):
        alone = run_up([car], Road(float(road.density_kgm3[k]), float(road.head_mps[k])), 500.0, SETTINGS)
        assert alone.at_travel(500.0)[1][0] == pytest.approx(both[1][k], rel=1e-12)


def test_a_distance_that_is_never_reached_is_not_a_number() -> None:
    runs = run_up(
        [Car(pack_limit_a=1.0, motor_limit_a=1.0)], Road(), 500.0, replace(SETTINGS, longest_run_s=5.0)
    )
    assert np.isnan(runs.at_travel(500.0)[1][0])


def test_against_the_simulator_with_its_own_equations() -> None:
    """The demo's car: its wheel grows in the log alone, so here it is stiff, and its limits meet sharply."""
    theirs = DemoCar(
        drive=ElectricDrive(Motor(520.0, 0.007, 5.0), Pack(49.9, 0.0055, 0.8), 1.0, 0.044, 0.95, 250.0, 200.0),
        tyre=Tyre(0.044, 0.0, 0.0),
    )  # fmt: skip
    truth = drive_pass(theirs, Driver(squeeze_s=1.2, lift_m=560.0), Air(1.19, 2.0), (500.0, 530.0))
    share = np.linspace(0, 1, 41)
    mine = Car(
        mass_kg=8.0,
        rotating_kg=0.5,
        drag_area_m2=0.012,
        rolling=0.02,
        friction=1.05,
        down_area_m2=0.008,
        kv_rpm_per_v=520.0,
        winding_ohm=0.0085,
        idle_a=5.0,
        efficiency=0.95,
        wheel_m=0.088,
        growth=0.0,
        open_v=49.9,
        pack_ohm=0.0055,
        fall_v_per_ah=0.8,
        pack_limit_a=200.0,
        motor_limit_a=250.0,
        motor_share=0.0,
        ramp_s=1.2,
        squeeze=tuple(share * share * (3 - 2 * share)),
    )
    runs = run_up([mine], Road(1.19, 2.0), 530.0, SETTINGS, corner=0.0)
    (t0, _), (t1, _) = runs.at_travel(500.0), runs.at_travel(530.0)
    assert 30.0 / (t1 - t0)[0] == pytest.approx(truth.trap_mps, abs=1e-3)


def test_the_ramp_ends_on_a_step() -> None:
    plan = script([Car(ramp_s=1.7)], 0.0, SETTINGS)
    assert 1.7 in plan.time_s[::2, 0]
    assert plan.throttle[0, 0] == 0.0 and plan.throttle[2 * SETTINGS.ramp_steps, 0] == 1.0


def test_which_limit_holds() -> None:
    runs = run_up([Car(friction=0.4), Car(friction=5.0, pack_limit_a=60.0)], Road(), 400.0, SETTINGS)
    which = runs.point().which
    assert LIMITS[which[30, 0]] == "traction"
    assert LIMITS[which[-1, 1]] == "current limit"
