"""Passes of the simulator as the car's parts see them: its true motion as the estimate, its controller's log beside.

The simulator's equations are its own (`speedlog.demo`), so what it knows of its car is a truth to be found again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from speedlog.demo.car import Air, Car, ElectricDrive, Motor, Pack, Tyre
from speedlog.demo.controller import Controller, log_controller
from speedlog.demo.truth import Driver, Heat, Truth, drive_pass
from speedlog.results import LoggerTrace, Pass, Peak, Trace, Trap
from speedlog.vehicle.facts import CarFacts

START = pd.Timestamp("2026-01-01T10:00:00Z")
BEAMS = (520.0, 550.0)
CAR = Car(
    mass_kg=7.9, rotating_kg=0.45, drag_area_m2=0.0150, friction=1.1, tyre=Tyre(0.0443, 0.03, 0.035),
    drive=ElectricDrive(Motor(505.0, 0.007, 5.0), Pack(49.9, 0.0055, 0.8), 1.0, 0.0443, 0.95, 240.0, 220.0),
)  # fmt: skip
DRIVER = Driver(squeeze_s=1.0, lift_m=556.0, coast_s=0.8, brake_mps2=10.5)
FACTS = CarFacts(
    wheel_diameter_m=0.0886, gear_ratio=1.0, cells=12, pack_capacity_ah=5.0, temperature_k=294.15, pressure_pa=101000.0,
    humidity=0.5, current_of="pack",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Simulated:
    truth: Truth
    pass_: Pass


def simulated(
    seed: int, *, car: Car = CAR, driver: Driver = DRIVER, air: Air | None = None, heat: Heat | None = None,
    after_s: float = 2.0, clock_late_s: float = 0.0, reception: dict[str, np.ndarray] | None = None,
) -> Simulated:  # fmt: skip
    """One pass, logged with noise.

    Args:
        clock_late_s: by which the controller's clock was matched wrong.
        reception: further channels of the GNSS logger, at its times (25 Hz from 2 s before the launch).
    """
    rng = np.random.default_rng(seed)
    truth = drive_pass(car, driver, air or Air(1.195, 0.0), BEAMS, heat=heat, after_s=after_s)
    log = log_controller(rng, truth, Controller(fast_ppm=0.0, after_s=after_s), 1.0)
    origin = float(truth.time_s[0])
    grid = truth.time_s[::50]
    gnss_s = truth.time_s[::40]
    drift = 0.03 * np.sin(2 * np.pi * (gnss_s / 17.0 + rng.uniform()))
    speed = truth.motion_at(gnss_s)[1] + 0.05 * rng.standard_normal(len(gnss_s)) + drift
    travel, true_speed, accel = truth.motion_at(grid)
    channels = {
        name: np.asarray(getattr(log, name), dtype=float)
        for name in ("rpm", "current_a", "voltage_v", "motor_temp_c", "controller_temp_c", "throttle")
    }
    channels["motor_temp_c"] = np.round(channels["motor_temp_c"])
    nothing = np.full(len(log.true_s), np.nan)
    loggers = (
        LoggerTrace("a.nmea", "gnss", gnss_s - origin, truth.motion_at(gnss_s)[0], 0 * gnss_s, speed,
                    np.ones(len(gnss_s), bool), reception or {}),
        LoggerTrace("b.csv", "wheel", log.true_s - origin + clock_late_s, nothing, nothing, nothing,
                    np.ones(len(log.true_s), bool), channels),
    )  # fmt: skip
    trace = Trace(grid - origin, travel, true_speed, true_speed - 0.1, true_speed + 0.1, accel, loggers)
    return Simulated(truth, _pass(truth, trace))


def _pass(truth: Truth, trace: Trace) -> Pass:
    trap_mps = truth.trap_mps
    trap = Trap(*BEAMS, None, trap_mps, (trap_mps - 0.1, trap_mps + 0.1), START, START, 1.0)
    peak = Peak(truth.peak_mps, (truth.peak_mps - 0.1, truth.peak_mps + 0.1), START, BEAMS[1])
    return Pass(
        1, START, START, 75.0, True, trap, peak, (), None, None, None, (), trace=trace
    )  # fmt: skip


def without(item: Simulated, *names: str) -> Pass:
    """The pass with some of the controller's columns missing."""
    trace = item.pass_.trace
    assert trace is not None
    gnss, wheel = trace.loggers
    kept = {name: values for name, values in wheel.channels.items() if name not in names}
    return replace(item.pass_, trace=replace(trace, loggers=(gnss, replace(wheel, channels=kept))))


def changed(item: Simulated, **channels: np.ndarray) -> Pass:
    """The pass with other values in some of the controller's columns."""
    trace = item.pass_.trace
    assert trace is not None
    gnss, wheel = trace.loggers
    return replace(
        item.pass_,
        trace=replace(trace, loggers=(gnss, replace(wheel, channels={**wheel.channels, **channels}))),
    )


def motor_current(truth: Truth) -> np.ndarray:
    """True motor current at `truth.slow_s`."""
    speed = np.interp(truth.slow_s, truth.time_s, truth.speed_mps)
    travel = np.interp(truth.slow_s, truth.time_s, truth.travel_m)
    grip = truth.car.grip_n(travel, speed, truth.air.density_kgm3)
    return np.asarray(truth.car.drive.at(speed, truth.throttle, 0.0, grip).motor_current_a)
