"""Random scenes, cars, drivers, loggers and controllers: every setting drawn by the caller's generator.

What is drawn: place, heading, midnight; run-up 250 to 700 m, trap 10 to 40 m, 45 to 110 m/s; car,
tyres, wind; lift just before, inside or after the trap, braking 6 to 14 m/s²; rates, noise, text
steps of the loggers; the controller's clock.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

from speedlog.demo.car import GRAVITY_MPS2, Air, Bump, Car, Drive, ElectricDrive, Motor, Pack, Tow, Tyre
from speedlog.demo.controller import Controller, ControllerLog, log_controller
from speedlog.demo.gnss import GnssLogger, Place
from speedlog.demo.scenario import Trap, trap_travel
from speedlog.demo.truth import Driver, Truth, drive_pass

Rng = np.random.Generator
DAY_NS = 86_400_000_000_000
SLOWEST_MPS, FASTEST_MPS = 45.0, 110.0


@dataclass(frozen=True)
class Plan:
    """What a family fixes; everything else is drawn.

    Attributes:
        lift: "any", "before" (5 to 45 m before the trap), "gap" (shortly before or inside the trap).
        drive: "electric", "tow", or "rear" (traction of the rear wheels alone).
    """

    lift: str = "any"
    drive: str = "electric"
    gusts_mps: float = 0.6
    bump: bool = False
    outbound: bool | None = None
    place_u_m: float = 0.0


@dataclass(frozen=True, eq=False)
class Scene:
    """A pass driven, before anything has logged it."""

    truth: Truth
    place: Place
    trap: Trap
    launch_ns: int


def seeded(seed: int, name: str, index: int) -> Rng:
    """The generator of pass `index` of a family: the same on every machine and in any order."""
    return np.random.default_rng([seed, zlib.crc32(name.encode()), index])


def random_scene(rng: Rng, plan: Plan) -> Scene:
    """Draw until the pass goes through its trap at 45 to 110 m/s."""
    while True:
        run_up, target = rng.uniform(250, 700), rng.uniform(SLOWEST_MPS, FASTEST_MPS)
        mean_accel = target**2 / (2 * run_up)
        if not 2.5 <= mean_accel <= 8.0:
            continue
        trap, place = _place(rng, plan, run_up)
        air = random_air(rng, plan)
        car = _car(rng, plan, target, mean_accel, air, run_up)
        driver = random_driver(rng, plan, trap_travel(place, trap))
        try:
            truth = drive_pass(
                car,
                driver,
                air,
                trap_travel(place, trap),
                before_s=rng.uniform(2, 6),
                after_s=rng.uniform(2, 6),
            )
        except ValueError:
            continue
        if SLOWEST_MPS <= truth.trap_mps <= FASTEST_MPS:
            return Scene(truth, place, trap, _launch(rng))


def _place(rng: Rng, plan: Plan, run_up: float) -> tuple[Trap, Place]:
    length = float(np.round(rng.uniform(10, 40)))
    ahead = rng.uniform(0, 5)
    trap = Trap(
        entry_m=round(run_up + ahead, 2), exit_m=round(run_up + ahead, 2) + length,
        timer_step_s=float(rng.choice([1e-3, 1e-4])), place_u_m=plan.place_u_m,
    )  # fmt: skip
    outbound = bool(rng.random() < 0.75) if plan.outbound is None else plan.outbound
    launch = ahead if outbound else trap.exit_m + run_up
    place = Place(
        lat_deg=round(rng.uniform(-60, 65), 7), lon_deg=round(rng.uniform(-179.9, 179.9), 7),
        heading_deg=round(rng.uniform(0, 360), 3), launch_m=launch, outbound=outbound,
        across_m=rng.normal(0, 0.7), across_slope=rng.normal(0, 0.0015), sway_m=rng.uniform(0, 0.6),
        sway_length_m=rng.uniform(150, 600), sway_phase=rng.uniform(0, 2 * math.pi),
    )  # fmt: skip
    return trap, place


def random_air(rng: Rng, plan: Plan) -> Air:
    """Air density, steady wind, and gusts as strong as the plan has them."""
    gusts = tuple(
        (rng.uniform(0, plan.gusts_mps), rng.uniform(0.05, 0.6), rng.uniform(0, 2 * math.pi))
        for _ in range(3)
    )
    return Air(rng.uniform(1.1, 1.28), rng.normal(0, 3), gusts)


def _car(rng: Rng, plan: Plan, target: float, mean_accel: float, air: Air, run_up: float) -> Car:
    """A car whose limits bring it roughly to the target over the run-up; the drive decides the rest."""
    radius = rng.uniform(0.040, 0.050)
    car = Car(
        mass_kg=rng.uniform(6, 10), rotating_kg=rng.uniform(0.2, 0.8), drag_area_m2=rng.uniform(0.007, 0.013),
        rolling=rng.uniform(0.012, 0.03), friction=rng.uniform(1.0, 1.3),
        down_area_m2=rng.uniform(0.003, 0.015),
        driven_share=rng.uniform(0.55, 0.7) if plan.drive == "rear" else 1.0,
        tyre=Tyre(radius, rng.uniform(0.0, 0.08), rng.uniform(0.01, 0.06)),
        bump=Bump(run_up * rng.uniform(0.5, 1.02)) if plan.bump else None,
    )  # fmt: skip
    return replace(car, drive=_drive(rng, plan, car, target, mean_accel, air, radius))


def _drive(
    rng: Rng, plan: Plan, car: Car, target: float, mean_accel: float, air: Air, radius: float
) -> Drive:
    resist = car.resistance_n(target, air.head_wind_mps, air.density_kgm3)
    if plan.drive == "tow":
        return Tow(car.inertia_kg * mean_accel + 0.5 * resist)
    start = mean_accel * rng.uniform(1.2, 1.6) * car.inertia_kg + car.rolling * car.mass_kg * GRAVITY_MPS2
    end = mean_accel * rng.uniform(0.35, 1.0) * car.inertia_kg + resist
    pack = Pack(rng.uniform(46, 60), rng.uniform(0.003, 0.008), rng.uniform(0.5, 1.2))
    gear = float(rng.choice([1.0, 1.0, 1.15, 1.3]))
    free_rpm = target * rng.uniform(1.15, 1.4) / radius * gear * 60 / (2 * math.pi)
    motor = Motor(free_rpm / pack.open_v, rng.uniform(0.004, 0.01), rng.uniform(3, 8))
    efficiency = rng.uniform(0.92, 0.98)
    phase = start * radius / (motor.ke * gear * efficiency) + motor.idle_current_a
    return ElectricDrive(
        motor, pack, gear, radius, efficiency, phase_limit_a=phase,
        pack_limit_a=end * target / efficiency / (pack.open_v * 0.93), controller_ohm=0.0015,
    )  # fmt: skip


def random_driver(rng: Rng, plan: Plan, beams: tuple[float, float]) -> Driver:
    """Throttle, lift and brake for beams at these driven metres."""
    entry, end = beams
    if plan.lift == "before":
        lift = entry - rng.uniform(5, 45)
    elif plan.lift == "gap":
        lift = rng.uniform(entry - 15, end)
    else:
        kind = rng.random()
        after, before = end + rng.uniform(0, 50), entry - rng.uniform(0, 15)
        lift = before if kind < 0.1 else rng.uniform(entry, end) if kind < 0.25 else after
    return Driver(
        squeeze_s=rng.uniform(0.3, 2.0), lift_m=lift, close_s=rng.uniform(0.03, 0.08),
        coast_s=rng.uniform(0.1, 1.0),
        brake_mps2=rng.uniform(6, 14), brake_ramp_s=rng.uniform(0.15, 0.5),
    )  # fmt: skip


def _launch(rng: Rng) -> int:
    """UTC of the launch: any time in 2022 to 2026, now and then just before midnight."""
    first = int(np.datetime64("2022-01-01", "D").astype(np.int64))
    day = first + int(rng.integers(0, 5 * 365))
    in_day = rng.uniform(0, 86_400) if rng.random() > 0.05 else 86_400 - rng.uniform(1, 15)
    return day * DAY_NS + round(in_day * 1e9)


def random_logger(rng: Rng, rate_hz: float | None = None) -> GnssLogger:
    """A logger with all its figures drawn."""
    return GnssLogger(
        rate_hz=float(rng.choice([5, 10, 10, 20, 25, 25])) if rate_hz is None else rate_hz,
        speed_white_mps=rng.uniform(0.03, 0.15), speed_drift_mps=rng.uniform(0.03, 0.10),
        speed_drift_s=rng.uniform(5, 20), place_white_m=rng.uniform(0.02, 0.10),
        place_drift_m=rng.uniform(0.5, 1.5),
        place_drift_s=rng.uniform(30, 120), knot_digits=int(rng.choice([2, 3, 3])),
        minute_digits=int(rng.choice([5, 5, 6, 7])),
        hdop=rng.uniform(0.6, 1.1), satellites=int(rng.integers(10, 22)), cn0_dbhz=rng.uniform(42, 49),
    )  # fmt: skip


def random_controller(rng: Rng, scene: Scene, bursts: int = 0) -> ControllerLog:
    """A controller with its clock and noise drawn."""
    truth = scene.truth
    spins = tuple(
        (float(rng.uniform(0.5, truth.lift_s)), float(rng.uniform(0.1, 0.5)), float(rng.uniform(0.03, 0.3)))
        for _ in range(bursts)
    )
    controller = Controller(
        rate_hz=float(rng.choice([10, 20, 50, 100])), on_s=-rng.uniform(20, 600),
        fast_ppm=rng.uniform(-60, 60),
        rpm_noise=rng.uniform(0.0005, 0.002), rpm_step=float(rng.choice([1, 10])), bursts=spins,
        before_s=rng.uniform(1.5, 6), after_s=rng.uniform(1.5, 6),
    )  # fmt: skip
    return log_controller(rng, truth, controller, gear_of(truth.car))


def gear_of(car: Car) -> float:
    """Motor turns a wheel turn."""
    return float(getattr(car.drive, "gear_ratio", 1.0))
