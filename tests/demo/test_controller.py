"""The simulated controller's log: its clock, its turns, its channels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from speedlog.demo.car import Air, Bump, Car, ElectricDrive, Tyre
from speedlog.demo.controller import Controller, ControllerLog, log_controller
from speedlog.demo.truth import Driver, Truth, drive_pass


def _truth(car: Car) -> Truth:
    return drive_pass(car, Driver(lift_m=600.0), Air(), (550.0, 580.0))


def _log(truth: Truth, controller: Controller) -> ControllerLog:
    return log_controller(np.random.default_rng(4), truth, controller, truth.car.drive.gear_ratio)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return _truth(Car(drive=ElectricDrive(gear_ratio=1.2), tyre=Tyre(0.044, 0.0, 0.0)))


def test_clock_gains_as_stated(truth: Truth) -> None:
    log = _log(truth, Controller(on_s=-100.0, fast_ppm=50.0))
    # its clock read zero 100 s before the launch and gains 50 µs a second
    assert log.clock_s == pytest.approx((log.true_s + 100.0) * (1 + 50e-6), abs=1e-9)
    assert np.diff(log.clock_s) == pytest.approx(0.05)


def test_turns_are_the_motors(truth: Truth) -> None:
    # v = pi D n / 60 / gear (references.md topic 11), no growth, no slip, no noise
    log = _log(truth, Controller(rpm_noise=0.0, rpm_step=0.0))
    _, speed, _ = truth.motion_at(log.true_s)
    moving = (speed > 5) & (log.true_s < truth.stop_s - 0.1)
    # turns are kept every 10 ms: not where the speed has a kink
    moving &= np.abs(log.true_s - truth.lift_s) > 0.06
    assert math.pi * 0.088 * log.rpm[moving] / 60 / 1.2 == pytest.approx(speed[moving], abs=2e-3)


def test_electrical_turns(truth: Truth) -> None:
    one = _log(truth, Controller(rpm_noise=0.0, rpm_step=0.0))
    four = _log(truth, Controller(rpm_noise=0.0, rpm_step=0.0, pole_pairs=4))
    assert four.rpm == pytest.approx(4 * one.rpm)


def test_bursts_raise_the_turns_inside_alone(truth: Truth) -> None:
    calm = _log(truth, Controller(rpm_noise=0.0, rpm_step=0.0, rate_hz=100.0))
    spun = _log(truth, Controller(rpm_noise=0.0, rpm_step=0.0, rate_hz=100.0, bursts=((4.0, 0.4, 0.2),)))
    ratio = spun.rpm[calm.rpm > 0] / calm.rpm[calm.rpm > 0]
    at = calm.true_s[calm.rpm > 0]
    assert ratio.max() == pytest.approx(1.2, abs=1e-3)
    assert ratio[(at < 4.0) | (at > 4.4)] == pytest.approx(1.0)


def test_a_bump_spins_the_wheels() -> None:
    bumped = _truth(Car(tyre=Tyre(0.044, 0.0, 0.0), bump=Bump(300.0, spin=0.1)))
    log = _log(bumped, Controller(rpm_noise=0.0, rpm_step=0.0, rate_hz=100.0))
    travel, speed, _ = bumped.motion_at(log.true_s)
    over = log.rpm[speed > 5] / (speed[speed > 5] * 60 / (math.pi * 0.088)) - 1
    assert over.max() == pytest.approx(0.1, abs=0.005)
    assert abs(travel[speed > 5][np.argmax(over)] - 300.0) < 2.0


def test_channels_are_in_their_ranges(truth: Truth) -> None:
    log = _log(truth, Controller())
    assert log.throttle.min() == 0 and log.throttle.max() == 1
    assert log.current_a.max() == pytest.approx(truth.pack_current_a.max(), abs=2.0)
    assert log.voltage_v.min() < log.voltage_v[0] - 0.5
    assert log.motor_temp_c[-1] > log.motor_temp_c[0] + 3
