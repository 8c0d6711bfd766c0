"""What is said of a forecast, on the page and on the terminal; speeds as tokens (`numbers`)."""

from __future__ import annotations

from collections.abc import Sequence

from speedlog.report.numbers import mps as mps
from speedlog.report.numbers import num
from speedlog.results_car import Stopping
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.units import find_unit
from speedlog.vehicle.car import PART, Part
from speedlog.vehicle.plan import Forecast, Known, Makers
from speedlog.vehicle.simulate import LIMITS as LIMIT_NAMES
from speedlog.vehicle.target import KNOBS, Given, Sweep, Told, Way, held, limits_of, not_entered, not_told

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
    "motor": "the motor's temperature passes its maker's limit",
    "controller": "the controller's temperature passes its maker's limit",
    "cell": "the cells fall below the lowest voltage",
    "c_rate": "the pack gives more than its maker's C-rate", "tyre_g": "the tread passes its limit in g",
    "tyre_rpm": "the wheel passes its limit in rpm", "traction": "traction limits more than half of the run-up",
    "runway": "the stopping distance doesn't fit before the runway's end",
}  # fmt: skip
LIMITS = {
    "traction": "traction", "current limit": "current limit", "ramp": "ramp", "voltage": "voltage (gearing)",
    "motor limit": "current limit",
}  # fmt: skip
UNSEEN = 0.05  # share of the draws from which on a limit that no pass met is worth a word
LEARNED = 0.2  # narrowed by less than this, the logs told nothing of a number


def checked(told: Forecast, known: Known) -> str:
    """First of all: which makers' limits were not entered, so were not checked; and which nothing tells of."""
    missing = [KEYS[key] for key in not_entered(known.makers)]
    said = []
    if missing:
        said.append(f"Not checked, as the maker's limit was not entered: {', '.join(missing)}.")
    for key, why in not_told(told, known.makers):
        said.append(f"Not checked, though the maker's limit was entered: {KEYS[key]} ({why}).")
    return " ".join(said) if said else "Every maker's limit was entered and is checked."


def speed(found: Quantity95) -> str:
    return f"{mps(found.value)}, 95\u00a0%\u00a0{num(found.low)}\u00a0to\u00a0{num(found.high)}"


def speed_interval(found: Quantity95) -> str:
    return f"95\u00a0%\u00a0{num(found.low)}\u00a0to\u00a0{mps(found.high)}"


def plainly(found: Quantity95, unit: str, digits: int) -> str:
    """A figure with its interval; more digits where the interval would else have none."""
    while digits < 4 and 0 < found.high - found.low < 10.0**-digits:
        digits += 1
    value, low, high = (_number(end, digits) for end in (found.value, found.low, found.high))
    return f"{value}\u00a0{unit}, 95\u00a0%\u00a0{low}\u00a0to\u00a0{high}"


def _number(value: float, digits: int) -> str:
    """ "19,461": thousands apart, no minus before a zero."""
    return f"{round(value, digits) + 0.0:,.{digits}f}"


def rows(told: Forecast, makers: Makers) -> list[tuple[str, str]]:
    """(what, figure) of everything that is forecast, against its limit; what can't be told, with the reason."""
    stop = ("Stopping distance", stopping(told.stopping))
    if told.trap_mps is None:
        return [("Trap speed", f"none: {told.why_not['trap_mps']}"), stop]
    table = [("Trap speed", speed(told.trap_mps))]
    if told.exit_mps is not None:
        table.append(("At the trap's exit", speed(told.exit_mps)))
    if told.exit_accel_mps2 is not None:
        table.append(("Acceleration there", plainly(told.exit_accel_mps2, "m/s²", 1)))
    if told.terminal_mps is not None:
        table.append(("With endless run-up", speed(told.terminal_mps)))
    for name, label, unit, digits, limit in (
        ("peak_current_a", "Highest pack current", "A", 0, None),
        ("c_rate", "As a C rate of the pack", "C", 0, makers.pack_c_rate),
        ("lowest_cell_v", "Lowest cell voltage", "V", 2, makers.lowest_cell_v),
        ("motor_peak_c", "Motor, highest", "°C", 0, makers.motor_c),
        ("controller_peak_c", "Controller, highest", "°C", 0, makers.controller_c),
        ("wheel_rpm", "Wheel turns", "rpm", 0, makers.tyre_rpm),
        ("tread_g", "Tread acceleration", "g", 0, makers.tyre_g),
    ):
        value = getattr(told, name)
        if value is not None:
            against = _against(value, limit, unit, digits, below=name == "lowest_cell_v")
            table.append((label, plainly(value, unit, digits) + against))
        elif name in told.why_not:
            table.append((label, f"can't be told: {told.why_not[name]}"))
    return [*table, stop]


def _against(found: Quantity95, limit: float | None, unit: str, digits: int, below: bool) -> str:
    """How a figure stands to the maker's limit; "" where none was entered."""
    if limit is None:
        return ""
    shown = f"{_number(limit, digits)}\u00a0{unit}"
    over = found.value < limit if below else found.value > limit
    near = found.low < limit if below else found.high > limit
    if over:
        return f": {'under' if below else 'over'} the maker's limit, {shown}"
    return (
        f": its interval reaches past the maker's limit, {shown}"
        if near
        else f"; the maker's limit is {shown}"
    )


def stopping(found: Stopping) -> str:
    """The distance to a stand against the runway's end."""
    end = (
        "runway end not given"
        if found.room_m is None
        else f"the runway's end is {found.room_m:.0f} m after the trap"
    )
    if found.distance_m is None:
        return f"can't be told: {next(iter(found.why_not.values()), 'no braking was logged')}; {end}"
    text = f"{plainly(found.distance_m, 'm', 0)}, from the trap's exit, braked as logged"
    return f"{text}: doesn't fit, {end}" if found.fits is False else f"{text}; {end}"


def stop_briefly(found: Stopping) -> str:
    """The same beside other figures: "stops in 336 to 615 m, doesn't fit"."""
    if found.distance_m is None:
        return "stopping distance can't be told"
    text = f"stops in {plainly(found.distance_m, 'm', 0)}"
    if found.room_m is None:
        return f"{text}, runway end not given"
    return text if found.fits else f"{text}: doesn't fit"


def sweep_rows(swept: Sweep, most: int = 11) -> list[tuple[str, str, str, str, str]]:
    """(setting, trap speed, its interval, stopping distance, its interval) of some points, both ends among them."""
    last = len(swept.values) - 1
    table = []
    for k in sorted({round(last * n / (most - 1)) for n in range(most)}):
        trap, stop = swept.forecasts[k].trap_mps, swept.forecasts[k].stopping
        cells = ("none", "") if trap is None else (num(trap.value), f"{num(trap.low)} to {num(trap.high)}")
        far, late = stop.distance_m, ": doesn't fit" if stop.fits is False else ""
        away = ("none", "") if far is None else (f"{far.value:.0f}", f"{far.low:.0f} to {far.high:.0f}{late}")
        table.append((setting(swept.key, swept.values[k]), *cells, *away))
    return table


def runway_end(room_m: float | None) -> str:
    return (
        "Runway end not given." if room_m is None else f"The runway's end is {room_m:.0f} m after the trap."
    )


def knob_name(key: str) -> str:
    """ "current limit" of what can be turned."""
    return "run-up" if key == "run_up" else key.replace("_", " ")


def setting(key: str, value: float) -> str:
    """ "320 A" of 320 for a current limit."""
    knob = KNOBS[key]
    unit = None if knob.kind is None else find_unit(knob.symbol, knob.kind)
    shown = value if unit is None else unit.from_si(value)
    digits = {"current_limit": 0, "run_up": 0, "cells": 0, "ramp": 1, "wheel_diameter": 1}.get(key, 2)
    return f"{shown:.{digits}f} {knob.symbol}".strip()


def to_reach(found: Told) -> str:
    """Heading of the ways to a target; says so where the plan is past it already."""
    assert found.target_mps is not None
    trap = found.told.trap_mps
    already = trap is not None and trap.value >= found.target_mps
    return f"To reach {mps(found.target_mps)}{', which the plan is past already' if already else ''}"


def way(found: Way, target_mps: float, known: Known) -> str:
    """One way to the target: what gives first on it, and the stopping distance at its end; in one line."""
    head, then, first = way_parts(found, target_mps, known)
    return f"{head}. {then + '. ' if then else ''}{first}"


def way_parts(found: Way, target_mps: float, known: Known) -> tuple[str, str, str]:
    """(what reaches it, what it then brings, what gives first); the middle one "" where nothing is forecast."""
    head = f"{WAYS[found.key]}: from {setting(found.key, found.now)}"
    told, trap = found.forecast, None if found.forecast is None else found.forecast.trap_mps
    first = _first(found, told, known)
    if told is None or trap is None:
        return f"{head}, nothing within reach gets the car through the trap", "", first
    then = f"{speed_interval(trap)}, {stop_briefly(told.stopping)}"
    if found.needed is None:
        at = setting(found.key, found.now if found.best_at is None else found.best_at)
        end = "most" if trap.value < target_mps else "least"
        return (
            f"{head}, nothing within reach brings {mps(target_mps)}",
            f"The {end}, at {at}: {speed(trap)}, {stop_briefly(told.stopping)}",
            first,
        )
    return f"{head} to {setting(found.key, found.needed)}", f"Then {then}", first


def _first(found: Way, told: Forecast | None, known: Known) -> str:
    """What gives first; where nothing does, what that was held against."""
    if found.gives:
        first, *later = [given(found, item) for item in found.gives]
        return f"What gives first: {first}." + (f" Then: {'; '.join(later)}." if later else "")
    names = [] if told is None else [KEYS[key] for key in held(told, known.makers)]
    names.append("traction")
    if told is not None and told.stopping.fits is not None:
        names.append("the runway's end")
    return f"Nothing gives on the way, of what was checked: {', '.join(names)}."


def given(found: Way, item: Given) -> str:
    at = setting(found.key, item.at)
    now = " as it stands" if abs(item.at - found.now) < 1e-9 * max(abs(found.now), 1.0) else f" at {at}"
    return f"{GIVES[item.what]}{now}"


def pass_names(names: Sequence[str]) -> list[str]:
    """Passes as they were named, without the folders that tell none apart: "session.toml/2"."""
    parts = [name.replace("\\", "/").split("/") for name in names]
    for count in range(2, max((len(part) for part in parts), default=2) + 1):
        short = ["/".join(part[-count:]) for part in parts]
        if len(set(short)) == len(set(names)):
            return short
    return list(names)


def fitted_line(known: Known) -> str:
    """What the car was fitted to, and how well."""
    fitted = known.fitted
    if fitted is None:
        return "Fitted to no pass: the car file and usual values alone, so the interval is wide. Name passes: --from."
    names = ", ".join(pass_names([item.observed.name for item in fitted.passes]))
    worst = max(item.misfit_mps for item in fitted.passes)
    return f"Fitted to {names}; its speeds lie within {worst:.2f} m/s (rms) of the readings."


def planned(found: Told) -> str:
    """The plan in a line."""
    plan, car = found.told.plan, found.known.car
    limit, ramp = plan.set.get("pack_limit_a", car.pack_limit_a), plan.set.get("ramp_s", car.ramp_s)
    wind = "head" if plan.head_mps >= 0 else "tail"
    changed = "".join(
        f"{knob_name(key)} {setting(key, plan.set[KNOBS[key].name])}, "
        for key in ("wheel_diameter", "mass") if KNOBS[key].name in plan.set
    ) + (f"{plan.cells} cells, " if plan.cells is not None else "")  # fmt: skip
    return (
        f"Run-up {plan.run_up_m:.0f} m, trap {plan.trap_m:g} m, current limit {limit:.0f} A, ramp {ramp:.1f} s, "
        f"gear {plan.set.get('gear_ratio', car.gear_ratio):g}, {changed}{wind} wind "
        f"{abs(plan.head_mps):.1f}\u00a0±\u00a0{2 * plan.head_u_mps:.1f}\u00a0m/s at the car's height"
    )


def warnings(found: Told) -> list[str]:
    """What speaks against the plan, or against the forecast."""
    over = [] if found.told.trap_mps is None else [
        f"As planned, {GIVES[what]}." for what, _, _, past in limits_of(found.told, found.known.makers)
        if past and what != "traction"
    ]  # fmt: skip
    return over + _unseen(found) + fit_warnings(found.known)


def _unseen(found: Told) -> list[str]:
    """A limit that no fitted pass met: where it lies is then known from the car file alone."""
    fitted, share = found.known.fitted, found.told.voltage_share
    voltage = LIMIT_NAMES.index("voltage")
    if fitted is None or share < UNSEEN or any((item.which == voltage).any() for item in fitted.passes):
        return []
    return [
        f"This pass may run out of voltage before the trap ({100 * share:.0f} of 100 draws), and none that it was "
        "fitted to did: where that is comes from the motor's Kv alone, and the interval reaches far to one side."
    ]


def fit_warnings(known: Known) -> list[str]:
    """What is wrong with the fit; empty for a sound one."""
    fitted = known.fitted
    if fitted is None:
        return []
    found = []
    if fitted.missed(ForecastSettings()):
        worst = max(fitted.passes, key=lambda item: item.misfit_mps).observed.name
        several = [item.observed.name for item in fitted.passes]
        where = f", most of all in {pass_names(several)[several.index(worst)]}" if len(several) > 1 else ""
        found.append(
            f"The fit has missed the car: it is off its readings by more than their noise{where}, so the intervals are "
            "too narrow. Try other passes, or state more of the car."
        )
    if not fitted.settled:
        found.append("The fit has not settled: take it with care.")
    return found


def learned(known: Known) -> list[tuple[str, str, str, str]]:
    """(what, its meaning, value with interval, how far the logs told it) of every number that the fit learned."""
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
            else "as assumed: no log tells"
        )
        value = f"{found.value:.4g} ({found.low:.4g}\u00a0to\u00a0{found.high:.4g}) {part.unit}".strip()
        table.append((part_name(part), part.meaning, value, told))
    return table


def part_name(part: Part) -> str:
    """ "drag area" of drag_area_m2: the unit stands beside the value."""
    key = part.key
    for tail in ("_m2", "_ohm", "_v_per_ah"):
        key = key.removesuffix(tail)
    return key.replace("_", " ").replace(" kv", " Kv").replace("kv ", "Kv ")


ASSUMED = {
    "one_car": "the passes name more than one car, and are fitted as one",
    "mass": "the mass was not given: a usual one is taken, and every force goes with it",
    "current_of": "nothing says whether the logged current is the pack's or the motor's: the pack's is taken; "
    'current_of = "pack" or "motor" in the set-up says it',
    "current_of_pack":
        "nobody said whose current is logged: it goes with power, as the pack's does, and is taken as that",
    "current_of_motor":
        "nobody said whose current is logged: it goes with pull, as the motor's does, and is taken as that",
    "wind": "no wind was given: still air, with a wide margin", "weather": "no weather was given: a standard day",
    "trap_length": "no trap length was given: 30 m",
    "run_up": "no beams were seen: the run-up is as long as the last pass shows",
}  # fmt: skip


def assumed(known: Known) -> list[str]:
    """What nobody said and was taken, once each."""
    return [ASSUMED[item] for item in dict.fromkeys(known.assumed)]
