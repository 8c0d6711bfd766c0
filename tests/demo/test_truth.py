"""The simulated motion against the closed forms of references.md, topics 9, 10 and 11."""

from __future__ import annotations

import math

import numpy as np
import pytest

from speedlog.demo.car import Air, Bump, Car, Tow, Tyre
from speedlog.demo.truth import Driver, Truth, drive_pass, warm, wheel_rpm

# the case of topic 9: m 8 kg, rotating part 0.5 kg, Crr 0.02, CdA 0.012 m², rho 1.2 kg/m³
CASE = {"mass_kg": 8.0, "rotating_kg": 0.5, "rolling": 0.02, "drag_area_m2": 0.012}
STILL = Air(1.2)


@pytest.fixture(scope="module")
def coast() -> Truth:
    """Towed past 100 m/s, then left alone until it stands."""
    car = Car(**CASE, friction=9.0, drive=Tow(300.0))
    return drive_pass(car, Driver(1e-6, lift_m=300.0, brake_mps2=None), STILL, (100.0, 130.0))


def _time_at(truth: Truth, speed: float) -> float:
    falling = slice(int(np.argmax(truth.speed_mps)), None)
    return float(np.interp(-speed, -truth.speed_mps[falling], truth.time_s[falling]))


@pytest.mark.parametrize(
    ("after_s", "speed", "distance"),
    [(1.0, 92.020325, 95.902148), (5.0, 69.571700, 415.049901), (10.0, 53.007981, 717.964709)],
)
def test_coast_down_from_100(coast: Truth, after_s: float, speed: float, distance: float) -> None:
    # references.md topic 9, coast-down; from the moment the car falls through 100 m/s.
    # 5e-5: that moment is read between milliseconds
    start = _time_at(coast, 100.0)
    x0 = coast.motion_at(np.array([start]))[0][0]
    x, v, _ = coast.motion_at(np.array([start + after_s]))
    assert v[0] == pytest.approx(speed, abs=5e-5)
    assert x[0] - x0 == pytest.approx(distance, abs=1e-4)


@pytest.mark.parametrize(("high", "low", "seconds"), [(100.0, 80.0, 2.871888), (40.0, 20.0, 22.575850)])
def test_coast_down_times(coast: Truth, high: float, low: float, seconds: float) -> None:
    assert _time_at(coast, low) - _time_at(coast, high) == pytest.approx(seconds, abs=2e-6)


def test_coast_down_to_a_stand(coast: Truth) -> None:
    # topic 9: stops after 113.897199 s and 2271.238574 m
    start = _time_at(coast, 100.0)
    assert coast.stop_s - start == pytest.approx(113.897199, abs=2e-6)
    assert coast.travel_m[-1] - coast.motion_at(np.array([start]))[0][0] == pytest.approx(
        2271.238574, abs=2e-4
    )


@pytest.mark.parametrize(
    ("at_s", "speed", "distance"),
    [(2.0, 16.780943, 16.860755), (5.0, 39.989960, 102.860498), (10.0, 68.952981, 380.857321)],
)
def test_constant_force(at_s: float, speed: float, distance: float) -> None:
    # topic 9: F - F0 = 72 N, F0 = 1.569064 N. The throttle takes a microsecond to open.
    car = Car(**CASE, friction=2.0, drive=Tow(72.0 + 0.02 * 8.0 * 9.80665))
    truth = drive_pass(car, Driver(1e-6, lift_m=600.0), STILL, (100.0, 130.0))
    x, v, _ = truth.motion_at(np.array([at_s]))
    assert v[0] == pytest.approx(speed, abs=2e-5)
    assert x[0] == pytest.approx(distance, abs=5e-5)


def test_trap_time_with_constant_acceleration() -> None:
    # topic 5: 8 m/s² from 96 m/s over 30 m takes 0.308533625 s. In a vacuum without rolling
    # resistance the car reaches 96 m/s after 96²/16 = 576 m.
    car = Car(mass_kg=8.0, rotating_kg=0.0, rolling=0.0, friction=9.0, drive=Tow(64.0))
    truth = drive_pass(car, Driver(1e-9, lift_m=620.0), Air(0.0), (576.0, 606.0))
    assert truth.exit_s - truth.entry_s == pytest.approx(0.308533625, abs=1e-8)
    assert truth.trap_mps == pytest.approx(97.234135, abs=2e-6)


def test_lift_and_brake_happen_at_one_instant() -> None:
    car = Car()
    truth = drive_pass(car, Driver(lift_m=600.0, coast_s=0.5, brake_mps2=11.0), STILL, (550.0, 580.0))
    x, _, _ = truth.motion_at(np.array([truth.lift_s]))
    assert x[0] == pytest.approx(600.0, abs=1e-6)
    braking = (truth.time_s > truth.brake_s + 0.35) & (truth.time_s < truth.stop_s - 0.01)
    assert truth.accel_mps2[braking] == pytest.approx(-11.0, abs=1e-4)
    assert truth.speed_mps[truth.time_s > truth.stop_s] == pytest.approx(0.0)
    assert truth.speed_mps[truth.time_s < 0] == pytest.approx(0.0)


def test_lift_before_inside_and_after_the_trap() -> None:
    late = drive_pass(Car(), Driver(lift_m=600.0), STILL, (550.0, 580.0))
    early = drive_pass(Car(), Driver(lift_m=520.0), STILL, (550.0, 580.0))
    assert early.lift_s < early.entry_s and late.lift_s > late.exit_s
    assert early.trap_mps < late.trap_mps


def test_speed_is_the_derivative_of_distance() -> None:
    truth = drive_pass(Car(), Driver(lift_m=600.0), Air(1.2, 2.0, ((1.0, 0.3, 0.5),)), (550.0, 580.0))
    slope = np.gradient(truth.travel_m, truth.time_s)
    apart = np.abs(slope - truth.speed_mps)[5:-5]
    assert np.quantile(apart, 0.999) < 1e-4  # a kink at launch, lift or stop spoils a point or two


def test_never_through_the_trap_is_an_error() -> None:
    with pytest.raises(ValueError, match="second beam"):
        drive_pass(Car(), Driver(lift_m=50.0), STILL, (550.0, 580.0))


def test_a_bump_costs_speed() -> None:
    flat = drive_pass(Car(), Driver(lift_m=600.0), STILL, (550.0, 580.0))
    bumpy = drive_pass(Car(bump=Bump(300.0, 20.0)), Driver(lift_m=600.0), STILL, (550.0, 580.0))
    assert bumpy.trap_mps < flat.trap_mps - 0.01


@pytest.mark.parametrize(("at_s", "temp_c"), [(5.0, 48.217485), (75.0, 252.563401)])
def test_first_order_heat(at_s: float, temp_c: float) -> None:
    # topic 10: P 720 W, Rth 0.5 K/W, C 150 J/K, air 25 °C
    time = np.arange(0, 80, 0.01)
    found = warm(time, np.full(len(time), 720.0), 25.0, 25.0, 150.0, 0.5)
    assert np.interp(at_s, time, found) == pytest.approx(temp_c, abs=1e-5)


def test_wheel_turns() -> None:
    # topic 11: D 88 mm, 100 m/s = 21702.9468 rpm without growth
    plain = Car(tyre=Tyre(0.044, 0.0, 0.05))
    assert wheel_rpm(plain, np.array([100.0]), np.array([0.0]))[0] == pytest.approx(21702.9468, abs=1e-4)
    # slip as (W - W0)/W0 (SAE J670): 5 % more turns at the grip's limit
    assert wheel_rpm(plain, np.array([100.0]), np.array([1.0]))[0] == pytest.approx(
        1.05 * 21702.9468, abs=1e-3
    )


def test_tyre_growth_solves_its_own_equation() -> None:
    grown = Car(tyre=Tyre(0.044, 0.06, 0.0))
    turns = wheel_rpm(grown, np.array([90.0]), np.array([0.0]))[0]
    radius = 0.044 * (1 + 0.06 * (turns / 20_000) ** 2)
    assert 2 * math.pi * radius * turns / 60 == pytest.approx(90.0, abs=1e-6)
