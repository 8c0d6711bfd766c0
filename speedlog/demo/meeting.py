"""The invented meeting: one car, one day, ten passes both ways, and what goes wrong on each.

Place, car, people and figures are invented. What is known of each pass as it was stands in
`truth.json` beside the logs.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from speedlog.demo.car import Air, Car, ElectricDrive, Motor, Pack, Tyre
from speedlog.demo.controller import Controller, log_controller
from speedlog.demo.day import Drive
from speedlog.demo.gnss import Place, log_gnss
from speedlog.demo.scenario import SimulatedPass, Trap, official_speed, trap_travel
from speedlog.demo.truth import Driver, Heat, drive_pass

SEED = 2026_08_22
NAME = "Oldfen runway, summer meeting"
DATE = "2026-08-22"
CAR = "Long Shrike"
PLACE = Place(53.10, -1.20, 112.0)
TRAP = Trap(entry_m=520.0, exit_m=550.0, timer_step_s=1e-4, length_u_m=0.015, place_u_m=0.3)
RUNWAY_M = (-40.0, 1450.0)  # where it begins and ends, along the line

CAR_HEIGHT_M, GRASS_M, METER_M = (
    0.15,
    0.006,
    2.0,
)  # of the car's front, of the grass (roughness), of the wind meter


def wind_reading_mps(drive: Drive) -> float:
    """What a wind meter held overhead shows, to half a m/s: the log law over short grass."""
    share = math.log(CAR_HEIGHT_M / GRASS_M) / math.log(METER_M / GRASS_M)
    return round(2 * drive.wind[0] / share) / 2


def car_of(drive: Drive) -> Car:
    """The car as run on a pass: the hard tyres of the afternoon grow less."""
    tyre = Tyre(0.0443, 0.045 if drive.number < 5 else 0.028, 0.035)
    engine = ElectricDrive(
        Motor(505.0, 0.007, 5.0), Pack(49.9, 0.0055, 0.8), 1.0, 0.0443, 0.95,
        phase_limit_a=190.0 + 0.25 * drive.limit_a, pack_limit_a=drive.limit_a,
    )  # fmt: skip
    return Car(mass_kg=7.9, rotating_kg=0.45, drag_area_m2=0.0150, friction=1.1, drive=engine, tyre=tyre)


def place_of(drive: Drive, rng: np.random.Generator) -> Place:
    """Where the car was set down, and how it ran across the line."""
    launch = rng.uniform(0.5, 2.5) if drive.outbound else TRAP.exit_m + TRAP.entry_m + rng.uniform(-3.0, 3.0)
    return replace(
        PLACE, launch_m=launch, outbound=drive.outbound, across_m=rng.normal(0.3, 0.5),
        across_slope=rng.normal(0.0, 0.0012), sway_m=rng.uniform(0.1, 0.5),
        sway_length_m=rng.uniform(250, 500),
        sway_phase=rng.uniform(0, 2 * math.pi),
    )  # fmt: skip


def launch_ns(drive: Drive) -> int:
    """UTC of the launch."""
    local = np.datetime64(f"{DATE}T{drive.clock}", "ns") - np.timedelta64(1, "h")
    return int(local.astype(np.int64))


def drive_it(drive: Drive) -> SimulatedPass:
    """Drive one pass of the day and log it. The same bytes each time."""
    rng = np.random.default_rng([SEED, drive.number, *([drive.draw] if drive.draw else [])])
    place = place_of(drive, rng)
    beams = trap_travel(place, TRAP)
    toward = place.heading_deg + (0.0 if drive.outbound else 180.0)
    head = drive.wind[0] * math.cos(math.radians(drive.wind[1] - toward))
    gusts = tuple(
        (rng.uniform(0.1, 0.5), rng.uniform(0.08, 0.4), rng.uniform(0, 2 * math.pi)) for _ in range(3)
    )
    ramp = {1: 1.0, 5: 1.3, 9: 1.5}[max(n for n in (1, 5, 9) if n <= drive.number)]
    driver = Driver(
        squeeze_s=ramp, lift_m=beams[0] + drive.lift_after_m, coast_s=rng.uniform(0.3, 0.6),
        brake_mps2=rng.uniform(9.5, 12.0),
    )  # fmt: skip
    heat = Heat(21.0, drive.motor_start_c, motor_jpk=140.0, controller_start_c=drive.motor_start_c - 2.0)
    truth = drive_pass(car_of(drive), driver, Air(1.195, head, gusts), beams, heat=heat)
    logs = []
    for suffix, form, logger, spoil in drive.logs:
        log = spoil(rng, log_gnss(rng, truth, place, logger, launch_ns(drive)), truth)
        logs.append((f"p{drive.number:02d}_{suffix}.{form}", form, log))
    wheel = None
    if drive.controller:
        box = Controller(rate_hz=20.0, on_s=-rng.uniform(60, 240), fast_ppm=35.0)
        wheel = (f"p{drive.number:02d}_controller.csv", log_controller(rng, truth, box, 1.0))
    return SimulatedPass(
        family="meeting", truth=truth, place=place, trap=TRAP, launch_ns=launch_ns(drive),
        official_mps=official_speed(rng, truth, TRAP), gnss=tuple(logs), wheel=wheel,
        wheel_diameter_m=0.088 if wheel else None,
    )  # fmt: skip
