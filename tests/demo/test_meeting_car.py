"""What the report says of the car on the demo's day, held against the simulator: its own car, driven again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo import day, meeting, sample_folder
from speedlog.demo.truth import Heat, Truth, drive_pass
from speedlog.results_car import CarPass
from speedlog.results_quantity import Quantity95
from speedlog.session import load_session, review_session
from speedlog.session.car import with_car

G_MPS2 = 9.80665
DRIVES = {item.number: item for item in day.DAY if item.controller}
Told = dict[str, list[tuple[int, float, Quantity95]]]


def longer(truth: Truth, metres: float) -> float:
    """The trap speed of the same car, driver and wind from so many metres further back."""
    driver = replace(truth.driver, lift_m=truth.driver.lift_m + metres)
    beams = (truth.entry_travel_m + metres, truth.exit_travel_m + metres)
    return drive_pass(truth.car, driver, truth.air, beams).trap_mps


def terminal(truth: Truth) -> float:
    """The same car driven on and on in the mean wind, until nothing is gained."""
    driver, air = replace(truth.driver, lift_m=20_000.0), replace(truth.air, gusts=())
    return drive_pass(truth.car, driver, air, (19_900.0, 19_950.0)).peak_mps


def once_more(truth: Truth, start_c: float) -> float:
    """The motor's highest temperature of the same pass, begun at another."""
    heat = Heat(21.0, start_c, motor_jpk=140.0, controller_start_c=30.0)
    beams = (truth.entry_travel_m, truth.exit_travel_m)
    return float(drive_pass(truth.car, truth.driver, truth.air, beams, heat=heat).motor_temp_c.max())


def figures(car: CarPass, truth: Truth) -> Iterator[tuple[str, float, Quantity95 | None]]:
    """(name, true, told) of all that the simulator knows."""
    assert car.left is not None and car.road_load is not None and car.stopping is not None
    for metres, found in car.left.with_more_run_up_mps.items():
        yield f"{metres:g} m more", longer(truth, metres), found
    yield "terminal", terminal(truth), car.left.terminal_mps
    at_exit = float(truth.motion_at(np.array([truth.exit_s]))[2][0])
    yield "pull at the exit", at_exit, car.left.trap_exit_accel_mps2
    yield "stopping", float(truth.travel_m[-1]) - truth.exit_travel_m, car.stopping.distance_m
    yield "CdA", truth.car.drag_area_m2, car.road_load.drag_area_m2
    yield "rolling", truth.car.rolling, car.road_load.rolling
    pack, current, volts = truth.car.drive.pack, truth.pack_current_a, truth.pack_voltage_v
    hours = truth.slow_s / 3600.0
    yield "resistance", pack.resistance_ohm, car.pack.resistance_ohm
    yield "sag", pack.resistance_ohm * float(current.max()), car.pack.sag_v
    yield "energy", float(np.trapezoid(current * volts, hours)), car.pack.energy_wh
    yield "charge", float(np.trapezoid(current, hours)), car.pack.charge_ah
    yield "current", float(current.max()), car.heat.peak_current_a
    yield "motor", float(truth.motor_temp_c.max()), car.thermal.peak_c
    assert car.thermal.repeat_from_c is not None
    yield "motor once more", once_more(truth, car.thermal.repeat_from_c), car.thermal.repeat_peak_c
    turns, tyre = float(truth.wheel_rpm.max()), truth.car.tyre
    radius = tyre.standing_radius_m * (1.0 + tyre.growth * (turns / 20_000.0) ** 2)
    yield "turns", turns, car.tyre.peak_wheel_rpm
    yield "tread", (2 * math.pi * turns / 60.0) ** 2 * radius / G_MPS2, car.tyre.tread_accel_g
    yield "head wind", truth.air.head_wind_mps, car.still_air.head_wind_mps
    yield "air", truth.air.density_kgm3, car.still_air.air_density_kgm3


@pytest.fixture(scope="module")
def told() -> Told:
    session = load_session(sample_folder() / "session.toml")
    entries = tuple(item for item in session.passes if item.number in DRIVES)
    found: Told = {}
    for item in with_car(review_session(replace(session, passes=entries))).reviews:
        number, car = item.entry.number, item.drives[0].car
        assert car is not None
        for name, true, said in figures(car, meeting.drive_it(DRIVES[number]).truth):
            if said is not None:
                found.setdefault(name, []).append((number, true, said))
    return found


def missed(rows: list[tuple[int, float, Quantity95]]) -> list[tuple[int, float, Quantity95]]:
    return [row for row in rows if not row[2].low <= row[1] <= row[2].high]


def test_nine_of_ten_hold_the_truth(told: Told) -> None:
    out = {name: missed(rows) for name, rows in told.items() if missed(rows)}
    count = sum(len(rows) for rows in told.values())
    assert count > 60
    assert sum(len(rows) for rows in out.values()) <= 0.1 * count, out


def test_no_figure_is_wrong_throughout(told: Told) -> None:
    assert not {name: rows for name, rows in told.items() if len(missed(rows)) > 1}


def test_each_is_told_of_each_pass_but_the_pull_of_a_driver_who_had_lifted(told: Told) -> None:
    short = {name: [row[0] for row in rows] for name, rows in told.items() if len(rows) < len(DRIVES)}
    lifted = [number for number, drive in DRIVES.items() if drive.lift_after_m < 0]
    assert short == {"pull at the exit": [number for number in DRIVES if number not in lifted]}
