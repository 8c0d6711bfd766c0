"""The fitted car on simulated days: its numbers found again, the unseen pass forecast, and what it costs in time."""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.fit import Fitted, fit
from speedlog.vehicle.forecast import forecast, forecasts, known_from
from speedlog.vehicle.observed import observe
from speedlog.vehicle.plan import Known, Plan
from speedlog.vehicle.simulate import Road, run_up
from speedlog.vehicle.stopping import braking
from tests.benchmarks.forecast_days import Day, drawn_day
from tests.benchmarks.table import text_table

SETTINGS = ForecastSettings()
DIGITS = {"inside, %": 1, "rms z": 2, "median width, %": 1, "median error, %": 2, "ms": 1}


@dataclass(frozen=True)
class Outcome:
    """One day: whether each true number lies inside its interval; how far the forecast is off, as a share."""

    seed: int
    held: dict[str, bool]
    z: dict[str, float]
    relative_u: dict[str, float]
    error: float
    stop_held: bool
    missed: bool = False


def true_numbers(day: Day) -> dict[str, float]:
    """What the simulator was given, by the names of `speedlog.vehicle.car`."""
    car, drive = day.car, day.car.drive
    return {
        "drag_area_m2": car.drag_area_m2, "rolling": car.rolling, "mass_kg": car.mass_kg, "friction": car.friction,
        "pack_ohm": drive.pack.resistance_ohm, "winding_ohm": drive.motor.resistance_ohm + drive.controller_ohm,
        "kv_rpm_per_v": drive.motor.kv_rpm_per_v, "idle_a": drive.motor.idle_current_a, "efficiency": drive.efficiency,
        "growth": car.tyre.growth, "slip": car.tyre.slip_at_limit,
    }  # fmt: skip


def fitted_day(day: Day, settings: ForecastSettings = SETTINGS) -> tuple[Fitted, Known]:
    """The car fitted to the day's first three passes."""
    seen = [observe(item.found, item.facts, SETTINGS) for item in day.passes[:3]]
    found = fit(Car(), [item for item in seen if item is not None], settings)
    braked = [item for run in day.passes[:3] if (item := braking(run.found, SETTINGS)) is not None]
    return found, known_from(found, braked)


def last_plan(day: Day) -> Plan:
    """The day's last pass, as planned before it was driven."""
    run = day.passes[3]
    seen = observe(run.found, run.facts, SETTINGS)
    assert seen is not None
    facts = run.facts
    return Plan(
        run.run_up_m, 30.0, seen.head_mps, seen.head_u_mps, seen.density_kgm3, seen.density_share_u, room_m=900.0,
        motor_start_c=25.0,
        set={"pack_limit_a": facts.current_limit_a, "ramp_s": facts.ramp_s, "wheel_m": facts.wheel_diameter_m},
    )  # fmt: skip


def outcome(seed: int, settings: ForecastSettings = SETTINGS) -> Outcome:
    """Fit three passes of a day, forecast the fourth."""
    day = drawn_day(seed)
    fitted, known = fitted_day(day, settings)
    told = forecast(known, last_plan(day), SETTINGS)
    truth = day.passes[3].truth
    assert told.trap_mps is not None and told.stopping.distance_m is not None
    held, z, relative = {}, {}, {}
    for name, value in true_numbers(day).items():
        found = fitted.quantity(name)
        held[name] = found.low <= value <= found.high
        z[name] = (found.value - value) / found.standard_u
        relative[name] = found.standard_u / abs(found.value)
    held["forecast"] = told.trap_mps.low <= truth.trap_mps <= told.trap_mps.high
    z["forecast"] = (told.trap_mps.value - truth.trap_mps) / told.trap_mps.standard_u
    relative["forecast"] = told.trap_mps.standard_u / told.trap_mps.value
    stopped = float(truth.travel_m[-1]) - truth.exit_travel_m
    stop = told.stopping.distance_m
    return Outcome(
        seed, held, z, relative, told.trap_mps.value / truth.trap_mps - 1, stop.low <= stopped <= stop.high,
        fitted.missed(settings),
    )  # fmt: skip


def measure(days: int, workers: int = 1, first: int = 0) -> list[Outcome]:
    """So many days, from the first seed on."""
    seeds = range(first, first + days)
    if workers < 2:
        return [outcome(seed) for seed in seeds]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(outcome, seeds))


def table(found: list[Outcome]) -> list[dict[str, Any]]:
    """A row a number."""
    rows = []
    for name in found[0].held:
        rows.append(
            {
                "of": name,
                "days": len(found),
                "inside, %": 100 * float(np.mean([item.held[name] for item in found])),
                "rms z": float(np.sqrt(np.mean(np.square([item.z[name] for item in found])))),
                "median width, %": 100
                * 2
                * 1.96
                * statistics.median(item.relative_u[name] for item in found),
            }
        )
    nan = float("nan")
    stop = 100 * float(np.mean([item.stop_held for item in found]))
    rows.append(
        {
            "of": "stopping distance",
            "days": len(found),
            "inside, %": stop,
            "rms z": nan,
            "median width, %": nan,
        }
    )
    return rows


def add_options(what: Any) -> None:
    """The command's own options."""
    found = what.add_parser(
        "forecast", help="the fitted car's numbers and forecasts on simulated days; times"
    )
    found.add_argument("--days", type=int, default=200)
    found.add_argument("--first-seed", type=int, default=0, help="of the days; others than before are fresh")
    found.add_argument("--workers", type=int, default=1)


def run(options: argparse.Namespace) -> dict[str, Any]:
    """Print the tables; everything for the JSON."""
    times = timings()
    print(text_table(times, DIGITS), end="\n\n")
    found = measure(options.days, options.workers, options.first_seed)
    rows = table(found)
    errors = [abs(item.error) for item in found]
    print(
        f"{options.days} days from seed {options.first_seed}: fitted to three passes; the fourth has more current, "
        "another wheel and run-up"
    )
    print(text_table(rows, DIGITS))
    missed = [item.seed for item in found if item.missed]
    print(f"forecast of the unseen pass: median error {100 * statistics.median(errors):.2f} %")
    print(f"fits that missed the car and say so: {len(missed)} {missed}")
    far = [
        (item.seed, round(100 * item.error, 1))
        for item in found
        if not item.held["forecast"] or abs(item.error) > 0.03
    ]
    print(f"forecasts outside their interval or off by over 3 %: {far}")
    return {"times": times, "days": options.days, "table": rows, "errors": errors, "missed": missed}


def timings(times: int = 5) -> list[dict[str, Any]]:
    """Milliseconds of CPU time, the best of several, of each thing that a user waits for."""
    day = drawn_day(3)
    _, known = fitted_day(day)
    plan = last_plan(day)
    sweep = [
        Plan(plan.run_up_m, 30.0, room_m=900.0, set={"pack_limit_a": float(a)})
        for a in np.linspace(100, 250, 50)
    ]
    jobs: dict[str, Callable[[], Any]] = {
        "one simulation": lambda: run_up([Car()], Road(), 550.0, SETTINGS),
        "a fit of three passes": lambda: fitted_day(day),
        "a forecast": lambda: forecast(known, plan, SETTINGS),
        "a sweep of 50 points": lambda: forecasts(known, sweep, SETTINGS),
    }
    return [{"what": name, "ms": 1000 * min(_timed(job) for _ in range(times))} for name, job in jobs.items()]


def _timed(job: Callable[[], Quantity95]) -> float:
    start = time.process_time()
    job()
    return time.process_time() - start
