"""A forecast as JSON: the form of forecast.schema.json."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speedlog.report import forecast_words as words
from speedlog.results_quantity import as_json as quantity_json
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.target import limits_of, not_entered, not_told

if TYPE_CHECKING:
    from speedlog.results_car import Stopping
    from speedlog.vehicle.plan import Forecast, Makers, Plan
    from speedlog.vehicle.target import Sweep, Told, Way

FIGURES = (
    "trap_mps", "exit_mps", "exit_accel_mps2", "terminal_mps", "run_s", "motor_peak_c", "controller_peak_c",
    "lowest_cell_v", "peak_current_a", "c_rate", "wheel_rpm", "tread_g", "charge_ah",
)  # fmt: skip


def as_json(found: Told) -> dict[str, Any]:
    """The forecast as JSON, SI units, unknown null."""
    known, fitted = found.known, found.known.fitted
    return {
        "schema_version": 1,
        "car": found.name or None,
        "fitted_to": [] if fitted is None else [item.observed.name for item in fitted.passes],
        "settled": None if fitted is None else fitted.settled,
        "missed": None if fitted is None else fitted.missed(ForecastSettings()),
        "misfit": None if fitted is None else quantity_json(fitted.misfit),
        "warnings": words.warnings(found),
        "not_checked": list(not_entered(known.makers)),
        "not_told": dict(not_told(found.told, known.makers)),
        "plan": _plan(found.told.plan),
        "forecast": _told(found.told, known.makers),
        "target": None if found.target_mps is None else {
            "speed_mps": found.target_mps, "ways": [_way(item, known.makers) for item in found.ways],
        },
        "sweep": None if found.swept is None else _sweep(found.swept, known.makers),
        "numbers": {} if fitted is None else {
            name: {**quantity_json(fitted.quantity(name)), "told_by_logs": fitted.learned_share(name)}
            for name in fitted.names
        },
        "assumed": words.assumed(known),
        "caution": words.CAUTION,
    }  # fmt: skip


def _plan(plan: Plan) -> dict[str, Any]:
    return {
        "run_up_m": plan.run_up_m, "trap_m": plan.trap_m, "head_wind_mps": plan.head_mps,
        "head_wind_u_mps": plan.head_u_mps, "air_density_kgm3": plan.density_kgm3, "room_m": plan.room_m,
        "motor_start_c": plan.motor_start_c, "controller_start_c": plan.controller_start_c, "set": dict(plan.set),
        "cells": plan.cells,
    }  # fmt: skip


def _told(told: Forecast, makers: Makers) -> dict[str, Any]:
    return {name: quantity_json(getattr(told, name)) for name in FIGURES} | {
        "traction_share": told.traction_share, "voltage_share": told.voltage_share,
        "why_not": dict(told.why_not), "limits": _limits(told, makers), "stopping": _stopping(told.stopping),
    }  # fmt: skip


def _limits(told: Forecast, makers: Makers) -> list[dict[str, Any]]:
    if told.trap_mps is None:
        return []
    return [
        {"what": what, "value": quantity_json(value), "limit": limit, "over": over}
        for what, value, limit, over in limits_of(told, makers)
    ]


def _stopping(stop: Stopping) -> dict[str, Any]:
    return {
        "distance_m": quantity_json(stop.distance_m), "deceleration_mps2": quantity_json(stop.deceleration_mps2),
        "room_m": stop.room_m, "fits": stop.fits, "text": words.stopping(stop),
    }  # fmt: skip


def _way(way: Way, makers: Makers) -> dict[str, Any]:
    return {
        "key": way.key, "now": way.now, "needed": way.needed, "best_mps": way.best_mps, "best_at": way.best_at,
        "forecast": None if way.forecast is None else _told(way.forecast, makers),
        "gives": [
            {"what": item.what, "at": item.at, "value": item.value, "limit": item.limit} for item in way.gives
        ],
    }  # fmt: skip


def _sweep(swept: Sweep, makers: Makers) -> dict[str, Any]:
    points = [
        {
            "value": value, "trap_mps": quantity_json(told.trap_mps), "stopping": _stopping(told.stopping),
            "limits": _limits(told, makers),
        }
        for value, told in zip(swept.values, swept.forecasts, strict=True)
    ]  # fmt: skip
    return {"key": swept.key, "points": points}
