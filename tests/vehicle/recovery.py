"""How often the 95 % intervals hold the simulated car's truth: python -m tests.vehicle.recovery [CARS].

Each car has its own pack, tyres, motor, limit and coast, its ruler and its clock match their own errors. Printed: the
share inside, and mean and spread of (found - true) / u, which would be 0 and 1.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from speedlog.demo.car import Pack, Tyre
from speedlog.demo.truth import Heat
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.study import study
from tests.vehicle.simulated import CAR, DRIVER, FACTS, Simulated, simulated

EXACT = VehicleSettings(scale_u=0.0)  # the simulator's current has a true scale


def slip_near_the_top(item: Simulated) -> float:
    """Mean true slip under power within 5 % of the highest speed."""
    truth, car = item.truth, item.truth.car
    speed = np.interp(truth.slow_s, truth.time_s, truth.speed_mps)
    accel = np.interp(truth.slow_s, truth.time_s, truth.accel_mps2)
    rows = (truth.slow_s < truth.lift_s - 0.02) & (speed > 0.95 * truth.peak_mps)
    density = truth.air.density_kgm3
    force = car.inertia_kg * accel + car.resistance_n(speed, 0.0, density)
    return float(np.mean((car.tyre.slip_at_limit * force / car.grip_n(0.0, speed, density))[rows]))


def one(seed: int) -> dict[str, tuple[Quantity95 | None, float]]:
    """What was found of a drawn car, and the truth."""
    rng = np.random.default_rng([77, seed])
    ohm, fall, tau = rng.uniform(0.004, 0.009), rng.uniform(0.5, 1.2), rng.uniform(50, 150)
    growth, slip = rng.uniform(0.02, 0.05), rng.uniform(0.02, 0.05)
    drive = replace(CAR.drive, pack=Pack(49.9, ohm, fall), pack_limit_a=rng.uniform(150, 260))
    item = simulated(
        seed, car=replace(CAR, tyre=Tyre(0.0443, growth, slip), drive=drive),
        driver=replace(DRIVER, coast_s=rng.uniform(0.4, 1.0)),
        heat=Heat(21.0, rng.uniform(20, 35), 140.0, tau / 140.0), clock_late_s=rng.normal(0, 0.007),
    )  # fmt: skip
    ruler = replace(FACTS, wheel_diameter_m=0.0886 * (1 + rng.normal(0, 0.005)))
    car, truth = study(item.pass_, ruler, (), EXACT), item.truth
    step, amps = np.diff(truth.slow_s), truth.pack_current_a
    return {
        "pack resistance": (car.pack.resistance_ohm, ohm),
        "fall with charge": (car.pack.fall_v_per_ah, fall),
        "open voltage": (car.pack.open_v, 49.9),
        "sag": (car.pack.sag_v, ohm * float(amps.max())),
        "peak current": (car.heat.peak_current_a, float(amps.max())),
        "charge": (car.heat.charge_ah, float(amps[:-1] @ step) / 3600),
        "I2t": (car.heat.squared_a2s, float(amps[:-1] ** 2 @ step)),
        "growth": (car.tyre.growth_per_rpm2, growth / 20_000.0**2),
        "slip": (car.tyre.slip, slip_near_the_top(item)),
        "motor cooling time": (car.thermal.cooling_s, tau),
        "motor peak": (car.thermal.peak_c, float(truth.motor_temp_c.max())),
        "motor rise": (car.thermal.rise_k, float(np.ptp(truth.motor_temp_c))),
    }


def main(cars: int) -> None:
    found: dict[str, list[tuple[Quantity95 | None, float]]] = {}
    for seed in range(cars):
        for name, pair in one(seed).items():
            found.setdefault(name, []).append(pair)
    print(f"{'quantity':20} {'told':>5} {'inside':>7} {'z mean':>7} {'z sd':>6}")
    for name, pairs in found.items():
        told = [(got, true) for got, true in pairs if got is not None]
        inside = np.mean([got.low <= true <= got.high for got, true in told])
        z = np.array([(got.value - true) / got.standard_u for got, true in told])
        print(f"{name:20} {len(told):5d} {100 * inside:6.1f}% {z.mean():7.2f} {z.std():6.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
