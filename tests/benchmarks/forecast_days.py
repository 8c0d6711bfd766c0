"""Simulated days for the fitted car: four passes of one car drawn at random, as the pipeline would hand them on.

Car, driver and loggers are the demo's, whose equations are not those of `speedlog.vehicle`. The estimate's
curve is taken from the truth with a little noise, as it serves only to find launch and lift; what the fit is
held to are the loggers' own readings with all their noise. What logs hardly
tell (rolling resistance, efficiency, the scale of the controller's current sensor, and with it what its limit
really is) is drawn as widely as is thought possible beforehand: then an honest interval holds 95 in 100. The
last pass has more current, another wheel and another run-up; the fit never sees it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from speedlog.demo.car import Air, Car, ElectricDrive, Motor, Pack, Tyre
from speedlog.demo.controller import Controller, log_controller
from speedlog.demo.gnss import GnssLogger, Place, log_gnss
from speedlog.demo.truth import Driver, Heat, Truth, drive_pass
from speedlog.physics.air import air_density
from speedlog.results import LoggerTrace, Pass, Trace, Trap
from speedlog.vehicle.facts import CarFacts

ENTRY_M, EXIT_M, LAUNCH_NS = 520.0, 550.0, 1_780_000_000_000_000_000


@dataclass(frozen=True, eq=False)
class DrivenPass:
    """A pass as handed on, and as it was."""

    found: Pass
    facts: CarFacts
    truth: Truth
    run_up_m: float


@dataclass(frozen=True, eq=False)
class Day:
    """`current_off`: logarithm of the logged current over the true one."""

    car: Car
    passes: tuple[DrivenPass, ...]
    current_off: float = 0.0


def drawn_day(seed: int, passes: int = 4) -> Day:
    """A day, the same for a seed on every machine."""
    rng = np.random.default_rng([seed, 5])
    while True:
        try:
            return _day(rng, passes)
        except ValueError:  # the car never gets through the trap: another draw
            continue


def _day(rng: np.random.Generator, passes: int) -> Day:
    radius = rng.uniform(0.040, 0.050)
    open_v = rng.uniform(46, 54)
    top = rng.uniform(95, 120)  # turns of the unloaded motor on a full pack, as a speed
    motor = Motor(top / radius * 60 / (2 * np.pi) / open_v, rng.uniform(0.005, 0.01), rng.uniform(3, 8))
    drive = ElectricDrive(
        motor,
        Pack(open_v, rng.uniform(0.004, 0.008), rng.uniform(0.5, 1.2)),
        1.0,
        radius,
        float(np.clip(rng.normal(0.95, 0.02), 0.88, 0.995)),
    )
    car = Car(
        mass_kg=rng.uniform(6.5, 9.5), rotating_kg=rng.uniform(0.25, 0.7), drag_area_m2=rng.uniform(0.009, 0.016),
        rolling=max(rng.normal(0.02, 0.006), 0.004), friction=rng.uniform(0.95, 1.25),
        down_area_m2=rng.uniform(0.003, 0.013),
        drive=drive, tyre=Tyre(radius, rng.uniform(0.01, 0.06), rng.uniform(0.015, 0.05)),
    )  # fmt: skip
    wind, temperature, pressure = rng.normal(0, 2.0), rng.uniform(283, 303), rng.uniform(98_000, 103_000)
    said = {"mass_kg": rng.normal(0, 0.01), "wheel": rng.normal(0, 0.008), "kv": rng.normal(0, 0.03),
            "current": rng.normal(0, 0.05)}  # fmt: skip
    base = rng.uniform(120, 190)
    limits = [base * share for share in (1.0, rng.uniform(1.05, 1.25), rng.uniform(1.1, 1.4))]
    limits += [limits[-1] * rng.uniform(1.05, 1.2)]
    start_a, per_a = rng.uniform(0.8, 1.2) * 200, rng.uniform(0.0, 0.5)
    found = []
    for n in range(passes):
        last = n == 3
        size = rng.uniform(0.96, 1.05) if last else 1.0
        run_up = rng.uniform(430, 480) + (rng.uniform(60, 150) if last else 0.0)
        run = replace(
            car,
            drive=replace(
                drive,
                wheel_radius_m=radius * size,
                pack_limit_a=limits[n],
                phase_limit_a=start_a + per_a * limits[n],
            ),
            tyre=replace(car.tyre, standing_radius_m=radius * size),
        )
        weather = (wind + rng.normal(0, 0.5), temperature, pressure)
        found.append(_pass(rng, run, n, run_up, weather, wind, said))
    return Day(car, tuple(found), said["current"])


def _pass(
    rng: np.random.Generator, car: Car, n: int, run_up: float, weather: tuple[float, float, float],
    wind_said: float, said: dict[str, float],
) -> DrivenPass:  # fmt: skip
    outbound = n % 2 == 0
    head, temperature, pressure = weather
    gusts = tuple((rng.uniform(0.1, 0.5), rng.uniform(0.08, 0.4), rng.uniform(0, 6.28)) for _ in range(3))
    air = Air(air_density(temperature, pressure, 0.5), head if outbound else -head, gusts)
    driver = Driver(
        squeeze_s=rng.uniform(0.8, 2.0), lift_m=run_up + 30 + rng.uniform(10, 60), coast_s=rng.uniform(0.3, 1.0),
        brake_mps2=rng.uniform(9, 12),
    )  # fmt: skip
    heat = Heat(20.0, 25.0, motor_jpk=140.0)
    truth = drive_pass(car, driver, air, (run_up, run_up + 30.0), heat=heat)
    if not 45 < truth.trap_mps < 115:
        raise ValueError("no pass of this kind")
    launch = ENTRY_M - run_up if outbound else EXIT_M + run_up
    place = Place(53.1, -1.2, 0.0, launch_m=launch, outbound=outbound)
    gnss = GnssLogger(
        rate_hz=25.0, speed_white_mps=rng.uniform(0.03, 0.1), speed_drift_mps=rng.uniform(0.02, 0.07)
    )
    log = log_gnss(rng, truth, place, gnss, LAUNCH_NS)
    box = log_controller(rng, truth, Controller(delay_s=rng.normal(0, 0.005)), 1.0)
    facts = CarFacts(
        mass_kg=car.mass_kg * (1 + said["mass_kg"]),
        wheel_diameter_m=2 * car.tyre.standing_radius_m * (1 + said["wheel"]),
        gear_ratio=1.0,
        cells=12,
        motor_kv=car.drive.motor.kv_rpm_per_v * (1 + said["kv"]),
        current_limit_a=car.drive.pack_limit_a * np.exp(said["current"]),
        ramp_s=driver.squeeze_s,
        current_of="pack",
        temperature_k=temperature,
        pressure_pa=pressure,
        humidity=0.5,
        wind_speed_mps=abs(wind_said),
        wind_from_deg=0.0 if wind_said > 0 else 180.0,
        wind_height_m=0.1,
        motor_temp_before_c=25.0,
    )
    box = replace(box, current_a=box.current_a * np.exp(said["current"]))
    return DrivenPass(_found(rng, truth, place, log, box, n), facts, truth, run_up)


def _found(rng: np.random.Generator, truth: Truth, place: Place, log: object, box: object, n: int) -> Pass:
    start = float(truth.time_s[0])
    time = np.arange(truth.time_s[0], truth.time_s[-1], 0.12)
    travel, speed, accel = truth.motion_at(time)
    speed = np.maximum(speed + 0.02 * rng.standard_normal(len(time)), 0.0)
    accel = accel + 0.3 * rng.standard_normal(len(time))
    gnss_time = log.true_s - start
    wheel_time = box.true_s - start
    channels = {
        "rpm": box.rpm,
        "current_a": box.current_a,
        "voltage_v": box.voltage_v,
        "throttle": np.round(box.throttle, 2),
        "motor_temp_c": np.round(box.motor_temp_c),
        "controller_temp_c": np.round(box.controller_temp_c),
    }
    nothing = np.full(len(gnss_time), np.nan)
    loggers = (
        LoggerTrace(
            "gnss.nmea",
            "gnss",
            gnss_time,
            nothing,
            nothing,
            np.round(log.speed_mps, 3),
            np.ones(len(gnss_time), dtype=bool),
            {},
        ),
        LoggerTrace(
            "controller.csv",
            "wheel",
            wheel_time,
            np.full(len(wheel_time), np.nan),
            np.full(len(wheel_time), np.nan),
            box.rpm,
            np.ones(len(wheel_time), dtype=bool),
            channels,
        ),
    )
    trace = Trace(time - start, place.along(travel), speed, speed - 0.1, speed + 0.1, accel, loggers)
    zero = pd.Timestamp(LAUNCH_NS, tz="UTC")
    trap = Trap(
        ENTRY_M, EXIT_M, None, truth.trap_mps, (truth.trap_mps - 0.1, truth.trap_mps + 0.1), zero, zero, 1.0
    )
    return Pass(
        n + 1, zero, zero, 0.0 if place.outbound else 180.0, place.outbound, trap, None, (), None, None, None, (),
        trace=trace,
    )  # fmt: skip
