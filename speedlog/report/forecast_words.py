"""What is said of a forecast, on the page and on the terminal; speeds as tokens (`numbers`)."""

from __future__ import annotations

from collections.abc import Sequence

from speedlog.report.numbers import mps as mps
from speedlog.report.numbers import num
from speedlog.results_car import Stopping
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.units import find_unit
from speedlog.vehicle.forecast import Forecast, Known
from speedlog.vehicle.target import KNOBS, Given, Way, not_entered

TITLE = "Forecast"
CAUTION = (
    "A forecast of a pass that nobody has driven yet. These cars can kill: the event's rules, local codes and the "
    "makers' limits come first, and nothing here says that a speed, a part or a distance is fit for it."
)
KEYS = {
    "motor_limit": "motor temperature", "controller_limit": "controller temperature", "lowest_cell": "cell voltage",
    "pack_limit_c_rate": "pack current (C)", "tyre_limit": "tread acceleration", "tyre_limit_rpm": "wheel turns",
}  # fmt: skip
WAYS = {"current_limit": "Current limit", "run_up": "Run-up", "gear_ratio": "Gear ratio"}
GIVES = {
    "motor": "the motor's temperature passes its maker's limit", "cell": "the cells fall below the lowest voltage",
    "c_rate": "the pack gives more than its maker's C-rate", "tyre_g": "the tread passes its limit in g",
    "tyre_rpm": "the wheel passes its limit in rpm", "traction": "traction limits more than half of the run-up",
    "runway": "the stopping distance doesn't fit before the runway's end",
}  # fmt: skip
LIMITS = {
    "traction": "traction", "current limit": "current limit", "ramp": "ramp", "voltage": "voltage (gearing)",
    "motor limit": "current limit",
}  # fmt: skip
LEARNED = 0.2  # narrowed by less than this, the logs told nothing of a number


def checked(known: Known) -> str:
    """First of all: which makers' limits were not entered, so were not checked."""
    missing = [KEYS[key] for key in not_entered(known.makers)]
    if not missing:
        return "Every maker's limit was entered and is checked."
    return f"Not checked, as the maker's limit was not entered: {', '.join(missing)}."


def speed(found: Quantity95) -> str:
    return f"{mps(found.value)}, 95 % {num(found.low)} to {mps(found.high)}"


def plainly(found: Quantity95, unit: str, digits: int) -> str:
    return f"{found.value:.{digits}f} {unit}, 95 % {found.low:.{digits}f} to {found.high:.{digits}f}"


def rows(told: Forecast) -> list[tuple[str, str]]:
    """(what, figure) of everything that is forecast; what can't be told, with the reason."""
    if told.trap_mps is None:
        return [("Trap speed", f"none: {told.why_not.get('trap_mps', '')}")]
    table = [("Trap speed", speed(told.trap_mps))]
    if told.exit_mps is not None:
        table.append(("At the trap's exit", speed(told.exit_mps)))
    if told.exit_accel_mps2 is not None:
        table.append(("Acceleration there", plainly(told.exit_accel_mps2, "m/s²", 1)))
    if told.terminal_mps is not None:
        table.append(("With endless run-up", speed(told.terminal_mps)))
    for name, label, unit, digits in (
        ("peak_current_a", "Highest pack current", "A", 0), ("c_rate", "Which is, of the capacity", "C", 0),
        ("lowest_cell_v", "Lowest cell voltage", "V", 2), ("motor_peak_c", "Motor, highest", "°C", 0),
        ("wheel_rpm", "Wheel turns", "rpm", 0), ("tread_g", "Tread acceleration", "g", 0),
    ):  # fmt: skip
        value = getattr(told, name)
        if value is not None:
            table.append((label, plainly(value, unit, digits)))
        elif name in told.why_not:
            table.append((label, f"can't be told: {told.why_not[name]}"))
    table.append(("Stopping distance", stopping(told.stopping)))
    return table


def stopping(found: Stopping) -> str:
    """The distance to a stand against the runway's end."""
    if found.distance_m is None:
        return f"can't be told: {found.why_not.get('', 'no braking was logged')}"
    text = f"{plainly(found.distance_m, 'm', 0)}, from the trap's exit, braked as logged"
    if found.room_m is None:
        return f"{text}; runway end not given"
    if not found.fits:
        return f"{text}: doesn't fit before the runway's end, {found.room_m:.0f} m after the trap"
    return f"{text}; the runway's end is {found.room_m:.0f} m after the trap"


def setting(key: str, value: float) -> str:
    """ "320 A" of 320 for a current limit."""
    knob = KNOBS[key]
    unit = None if knob.kind is None else find_unit(knob.symbol, knob.kind)
    shown = value if unit is None else unit.from_si(value)
    digits = {"current_limit": 0, "run_up": 0, "cells": 0, "ramp": 1, "wheel_diameter": 1}.get(key, 2)
    return f"{shown:.{digits}f} {knob.symbol}".strip()


def way(found: Way, target_mps: float) -> str:
    """One way to the target, and what gives first on it."""
    head = f"{WAYS[found.key]}: from {setting(found.key, found.now)}"
    first = (
        f" What gives first: {given(found, found.gives[0])}."
        if found.gives
        else " None of the limits entered is met on the way."
    )
    if found.needed is None or found.forecast is None or found.forecast.trap_mps is None:
        best = "" if found.best_mps is None else f"; the most is {mps(found.best_mps)}"
        return f"{head}, nothing within reach brings {mps(target_mps)}{best}.{first}"
    told = found.forecast.trap_mps
    runway = found.forecast.stopping
    text = f"{head} to {setting(found.key, found.needed)} (then 95 % {num(told.low)} to {mps(told.high)})."
    if runway.fits is False and not any(item.what == "runway" for item in found.gives):
        first += " The stopping distance doesn't fit before the runway's end."
    return text + first


def given(found: Way, item: Given) -> str:
    at = setting(found.key, item.at)
    now = " as it stands" if abs(item.at - found.now) < 1e-9 * max(abs(found.now), 1.0) else f" at {at}"
    return f"{GIVES[item.what]}{now}"


def fitted_line(known: Known) -> str:
    """What the car was fitted to, and how well."""
    fitted = known.fitted
    if fitted is None:
        return "Fitted to no pass: the car file and usual values alone, so the interval is wide. Name passes: --from."
    names = ", ".join(item.observed.name for item in fitted.passes)
    worst = max(item.misfit_mps for item in fitted.passes)
    more = "".join(f" {text}" for text in fit_warnings(known))
    return f"Fitted to {names}; its speeds lie within {worst:.2f} m/s (rms) of the readings.{more}"


def fit_warnings(known: Known) -> list[str]:
    """What is wrong with the fit; empty for a sound one."""
    fitted = known.fitted
    if fitted is None:
        return []
    found = []
    if fitted.missed(ForecastSettings()):
        found.append(
            "The fit has missed the car: it is off its readings by more than their noise, so the intervals are too "
            "narrow. Try other passes, or state more of the car."
        )
    if not fitted.settled:
        found.append("The fit has not settled: take it with care.")
    return found


def learned(known: Known) -> list[tuple[str, str, str]]:
    """(what, value with interval, how far the logs told it) of every number that the fit learned."""
    from speedlog.vehicle.car import PART

    fitted = known.fitted
    if fitted is None:
        return []
    table = []
    for name in fitted.names:
        part, found = PART[name], fitted.quantity(name)
        share = fitted.learned_share(name)
        told = (
            "from the logs"
            if share > 0.5
            else "partly from the logs"
            if share > LEARNED
            else "as assumed: the logs don't tell"
        )
        table.append(
            (
                f"{part.key.replace('_', ' ')}",
                f"{found.value:.4g} ({found.low:.4g} to {found.high:.4g}) {part.unit}".strip(),
                told,
            )
        )
    return table


ASSUMED = {
    "mass": "the mass was not given: a usual one is taken, and every force goes with it",
    "current_of": "nothing says whether the logged current is the pack's or the motor's: the pack's is taken",
    "wind": "no wind was given: still air, with a wide margin", "weather": "no weather was given: a standard day",
}  # fmt: skip


def assumed(known: Known) -> list[str]:
    """What nobody said and was taken, once each."""
    found: Sequence[str] = (
        []
        if known.fitted is None
        else [item for part in known.fitted.passes for item in part.observed.assumed]
    )
    return [ASSUMED[item] for item in dict.fromkeys(found)]
