"""A forecast as a terminal shows it, and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from speedlog.cli.season_text import aligned
from speedlog.errors import plain
from speedlog.report import forecast_words as words
from speedlog.report.numbers import as_text, mps, write_number
from speedlog.results_quantity import as_json as quantity_json
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.target import not_entered

if TYPE_CHECKING:
    from speedlog.units import Unit
    from speedlog.vehicle.forecast import Forecast, Plan
    from speedlog.vehicle.target import Told

_SWEEP_ROWS = 11


def in_words(found: Told, unit: Unit) -> str:
    """The forecast for a terminal: what was not checked comes first."""
    parts = [plain(words.checked(found.known), 400), _plan_line(found)]
    table = [[label, as_text(text, unit)] for label, text in words.rows(found.told)]
    parts.append("\n".join(f"  {line}" for line in aligned(table).splitlines()))
    if found.target_mps is not None:
        target = as_text(f"To reach {mps(found.target_mps)}", unit)
        told = [as_text(words.way(item, found.target_mps), unit) for item in found.ways]
        parts.append("\n".join([f"{target}, one thing at a time:", *(f"  {line}" for line in told)]))
    if found.swept is not None:
        parts.append(_sweep(found, unit))
    parts.append(plain(words.fitted_line(found.known), 400))
    parts += [f"Taken: {text}." for text in words.assumed(found.known)]
    parts.append(words.CAUTION)
    return "\n\n".join(parts)


def _plan_line(found: Told) -> str:
    plan = found.told.plan
    car = found.known.car
    limit = plan.set.get("pack_limit_a", car.pack_limit_a)
    gear = plan.set.get("gear_ratio", car.gear_ratio)
    ramp = plan.set.get("ramp_s", car.ramp_s)
    wind = "head" if plan.head_mps >= 0 else "tail"
    name = f"{plain(found.name, 60)}: " if found.name else ""
    return (
        f"{name}run-up {plan.run_up_m:.0f} m, trap {plan.trap_m:g} m, current limit {limit:.0f} A, ramp {ramp:.1f} s, "
        f"gear {gear:g}, {wind} wind {abs(plan.head_mps):.1f} ± {2 * plan.head_u_mps:.1f} m/s at the car's height"
    )


def _sweep(found: Told, unit: Unit) -> str:
    swept = found.swept
    assert swept is not None
    step = max(1, math.ceil(len(swept.values) / _SWEEP_ROWS))
    rows = [[swept.key.replace("_", " "), f"trap, {unit.symbol}", "95 %"]]
    for value, told in list(zip(swept.values, swept.forecasts, strict=True))[::step]:
        trap = told.trap_mps
        cells = ["-", ""] if trap is None else [
            write_number(trap.value, unit), f"{write_number(trap.low, unit)} to {write_number(trap.high, unit)}",
        ]  # fmt: skip
        rows.append([words.setting(swept.key, value), *cells])
    return aligned(rows)


def as_json(found: Told) -> dict[str, Any]:
    """The forecast as JSON, SI units, unknown null."""
    fitted = found.known.fitted
    return {
        "schema_version": 1,
        "car": found.name,
        "fitted_to": [] if fitted is None else [item.observed.name for item in fitted.passes],
        "settled": None if fitted is None else fitted.settled,
        "missed": None if fitted is None else fitted.missed(ForecastSettings()),
        "misfit": None if fitted is None else fitted.misfit,
        "warnings": words.fit_warnings(found.known),
        "not_checked": list(not_entered(found.known.makers)),
        "plan": _plan(found.told.plan),
        "forecast": _told(found.told),
        "target": None
        if found.target_mps is None
        else {
            "speed_mps": found.target_mps,
            "ways": [
                {
                    "key": item.key,
                    "now": item.now,
                    "needed": item.needed,
                    "best_mps": item.best_mps,
                    "forecast": None if item.forecast is None else _told(item.forecast),
                    "gives": [
                        {"what": given.what, "at": given.at, "value": given.value, "limit": given.limit}
                        for given in item.gives
                    ],
                }
                for item in found.ways
            ],
        },
        "sweep": None
        if found.swept is None
        else {
            "key": found.swept.key,
            "points": [
                {"value": value, "trap_mps": quantity_json(told.trap_mps)}
                for value, told in zip(found.swept.values, found.swept.forecasts, strict=True)
            ],
        },
        "numbers": {}
        if fitted is None
        else {
            name: {**quantity_json(fitted.quantity(name)), "told_by_logs": fitted.learned_share(name)}
            for name in fitted.names
        },
        "assumed": words.assumed(found.known),
        "caution": words.CAUTION,
    }


def _plan(plan: Plan) -> dict[str, Any]:
    return {
        "run_up_m": plan.run_up_m, "trap_m": plan.trap_m, "head_wind_mps": plan.head_mps,
        "air_density_kgm3": plan.density_kgm3, "room_m": plan.room_m, "motor_start_c": plan.motor_start_c,
        "set": dict(plan.set), "cells": plan.cells,
    }  # fmt: skip


def _told(told: Forecast) -> dict[str, Any]:
    names = ("trap_mps", "exit_mps", "exit_accel_mps2", "terminal_mps", "run_s", "motor_peak_c", "lowest_cell_v",
             "peak_current_a", "c_rate", "wheel_rpm", "tread_g", "charge_ah")  # fmt: skip
    stop = told.stopping
    return {name: quantity_json(getattr(told, name)) for name in names} | {
        "traction_share": told.traction_share, "why_not": dict(told.why_not),
        "stopping": {
            "distance_m": quantity_json(stop.distance_m), "deceleration_mps2": quantity_json(stop.deceleration_mps2),
            "room_m": stop.room_m, "fits": stop.fits, "why_not": dict(stop.why_not),
        },
    }  # fmt: skip
