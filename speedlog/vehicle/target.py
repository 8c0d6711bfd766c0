"""What reaches a target speed, and what gives first on the way there; and sweeps of one number."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from speedlog.settings.forecast import ForecastSettings
from speedlog.units import Kind
from speedlog.vehicle.forecast import SCALED, forecast, forecasts
from speedlog.vehicle.plan import Forecast, Known, Makers, Plan


@dataclass(frozen=True)
class Knob:
    """What a user may change: its key, the number of `Car` (or of the plan) behind it, its kind of quantity."""

    key: str
    name: str
    kind: Kind | None
    symbol: str
    low: float
    high: float


KNOBS: Mapping[str, Knob] = MappingProxyType(
    {
        item.key: item
        for item in (
            Knob("current_limit", "pack_limit_a", "current", "A", 1.0, 5000.0),
            Knob("ramp", "ramp_s", "time", "s", 0.0, 60.0),
            Knob("wheel_diameter", "wheel_m", "length", "mm", 0.01, 2.0),
            Knob("gear_ratio", "gear_ratio", None, "", 0.05, 50.0),
            Knob("cells", "cells", None, "", 1.0, 60.0),
            Knob("mass", "mass_kg", "mass", "kg", 0.2, 100.0),
            Knob("run_up", "run_up_m", "length", "m", 10.0, 5000.0),
        )
    }
)
_HOME = 15  # place in a grid at which the knob stands as it is
SOUGHT = ("current_limit", "run_up", "gear_ratio")  # what a target is looked for with
GIVES = ("motor", "controller", "cell", "c_rate", "tyre_g", "tyre_rpm", "traction", "runway")


def value_of(known: Known, plan: Plan, key: str) -> float | None:
    """What a knob stands at; of mass and wheel what was said, not what the fit makes of it."""
    name = KNOBS[key].name
    if name == "run_up_m":
        return plan.run_up_m
    if name == "cells":
        return None if (plan.cells or known.cells) is None else float(plan.cells or known.cells or 0)
    if name in plan.set:
        return float(plan.set[name])
    said = known.fitted.prior if known.fitted is not None and name in SCALED else known.car
    return float(getattr(said, name))


def with_value(plan: Plan, key: str, value: float) -> Plan:
    """The plan with a knob turned."""
    name = KNOBS[key].name
    if name == "run_up_m":
        return replace(plan, run_up_m=value)
    if name == "cells":
        return replace(plan, cells=round(value))
    return replace(plan, set={**plan.set, name: value})


@dataclass(frozen=True)
class Given:
    """A limit met on the way to a target, and at what value of the knob."""

    what: str
    at: float
    value: float
    limit: float


@dataclass(frozen=True)
class Way:
    """One way to a target.

    Attributes:
        needed: value of the knob that reaches it; None where none in reach does.
        best_mps, best_at: the most within reach (the least, for a target below all of it), and where the knob stands
            there.
        forecast: at `needed`, else at `best_at`. gives: limits met on the way, the first first.
    """

    key: str
    now: float
    needed: float | None
    best_mps: float | None
    forecast: Forecast | None
    gives: tuple[Given, ...] = ()
    best_at: float | None = None


def ways_to(known: Known, plan: Plan, target_mps: float, settings: ForecastSettings) -> tuple[Way, ...]:
    """How each of `SOUGHT`, alone, reaches a target."""
    grids = {key: _grid(known, plan, key, settings) for key in SOUGHT}
    plans = [with_value(plan, key, float(value)) for key in SOUGHT for value in grids[key]]
    found = forecasts(known, plans, settings, narrow=True)
    wide = _widening(forecast(known, plan, settings), found[_HOME])
    ways, first = [], 0
    for key in SOUGHT:
        part = found[first : first + len(grids[key])]
        first += len(grids[key])
        ways.append(_way(known, plan, key, grids[key], part, target_mps, wide, settings))
    return tuple(ways)


def _grid(known: Known, plan: Plan, key: str, settings: ForecastSettings) -> np.ndarray:
    now = value_of(known, plan, key)
    assert now is not None
    low, high = settings.reach
    return np.concatenate([np.linspace(low * now, now, _HOME + 1)[:-1], np.linspace(now, high * now, 26)])


def _way(
    known: Known, plan: Plan, key: str, grid: np.ndarray, found: Sequence[Forecast], target: float, wide: float,
    settings: ForecastSettings,
) -> Way:  # fmt: skip
    speeds = np.array([np.nan if item.trap_mps is None else item.trap_mps.value for item in found])
    home = _HOME
    crossings = np.flatnonzero((speeds[:-1] - target) * (speeds[1:] - target) <= 0)
    aim = None
    if np.isfinite(speeds).any():
        aim = int(np.nanargmin(speeds) if target < np.nanmin(speeds) else np.nanargmax(speeds))
    best = None if aim is None else float(speeds[aim])
    if not len(crossings):
        at = None if aim is None else float(grid[aim])
        most = None if at is None else forecast(known, with_value(plan, key, at), settings)
        gives = _gives(known, grid, found, home, home if aim is None else aim, wide)
        return Way(key, float(grid[home]), None, best, most, gives, at)
    k = int(min(crossings, key=lambda at: abs(at + 0.5 - home)))
    share = (target - speeds[k]) / (speeds[k + 1] - speeds[k]) if speeds[k + 1] != speeds[k] else 0.0
    needed = float(grid[k] + share * (grid[k + 1] - grid[k]))
    there = forecast(known, with_value(plan, key, needed), settings)
    end = k + 1 if k >= home else k
    gives = tuple(
        item
        for item in _gives(known, grid, found, home, end, wide)
        if (item.at - needed) * (needed - grid[home]) <= 0
    )
    return Way(key, float(grid[home]), needed, best, there, gives, None if aim is None else float(grid[aim]))


def _gives(
    known: Known, grid: np.ndarray, found: Sequence[Forecast], home: int, aim: int, wide: float
) -> tuple[Given, ...]:  # fmt: skip
    """Limits met between where the knob stands and where it is turned to, in that order."""
    step = 1 if aim >= home else -1
    seen: dict[str, Given] = {}
    for k in range(home, aim + step, step):
        for what, value, limit, over in limits_of(found[k], known.makers, wide):
            if over and what not in seen:
                seen[what] = Given(what, float(grid[k]), value, limit)
    return tuple(sorted(seen.values(), key=lambda item: abs(item.at - grid[home])))


def _widening(whole: Forecast, middle: Forecast) -> float:
    """By how much the far end of the stopping distance lies further once the speed's own interval is in it."""
    one, other = whole.stopping.distance_m, middle.stopping.distance_m
    return 1.0 if one is None or other is None else one.high / other.high


def limits_of(told: Forecast, makers: Makers, wide: float = 1.0) -> list[tuple[str, float, float, bool]]:
    """(which, forecast, limit, over it) of every limit that was entered, traction, and the runway's end."""
    rows: list[tuple[str, float, float, bool]] = []

    def row(what: str, value: float | None, limit: float | None, below: bool = False) -> None:
        if value is not None and limit is not None:
            rows.append((what, value, limit, value < limit if below else value > limit))

    def middle(get: Callable[[Forecast], object]) -> float | None:
        found = get(told)
        return None if found is None else float(found.value)  # type: ignore[attr-defined]

    row("motor", middle(lambda item: item.motor_peak_c), makers.motor_c)
    row("controller", middle(lambda item: item.controller_peak_c), makers.controller_c)
    row("cell", middle(lambda item: item.lowest_cell_v), makers.lowest_cell_v, below=True)
    row("c_rate", middle(lambda item: item.c_rate), makers.pack_c_rate)
    row("tyre_g", middle(lambda item: item.tread_g), makers.tyre_g)
    row("tyre_rpm", middle(lambda item: item.wheel_rpm), makers.tyre_rpm)
    rows.append(("traction", told.traction_share, 0.5, told.traction_share > 0.5))
    stop = told.stopping
    if stop.distance_m is not None and stop.room_m is not None:
        far = stop.distance_m.high * wide
        rows.append(("runway", far, stop.room_m, far > stop.room_m))
    return rows


# key of CAR.toml, field of `Makers`, field of `Forecast` that is held against it
_HELD = (
    ("motor_limit", "motor_c", "motor_peak_c"), ("controller_limit", "controller_c", "controller_peak_c"),
    ("lowest_cell", "lowest_cell_v", "lowest_cell_v"), ("pack_limit_c_rate", "pack_c_rate", "c_rate"),
    ("tyre_limit", "tyre_g", "tread_g"), ("tyre_limit_rpm", "tyre_rpm", "wheel_rpm"),
)  # fmt: skip
_TYRE = ("tyre_limit", "tyre_limit_rpm")


def not_entered(makers: Makers) -> tuple[str, ...]:
    """Makers' limits that nobody entered, so that nothing was checked against them; their keys."""
    missing = [key for key, limit, _ in _HELD if getattr(makers, limit) is None]
    if not all(key in missing for key in _TYRE):  # either tells how fast the tyre may turn
        missing = [key for key in missing if key not in _TYRE]
    return tuple(missing)


def not_told(told: Forecast, makers: Makers) -> tuple[tuple[str, str], ...]:
    """(key, why) of makers' limits that were entered, but nothing is forecast to hold against them."""
    return tuple(
        (key, told.why_not.get(name, "it can't be told"))
        for key, limit, name in _HELD
        if getattr(makers, limit) is not None and getattr(told, name) is None
    )


def held(told: Forecast, makers: Makers) -> tuple[str, ...]:
    """Keys of the makers' limits that the forecast is held against."""
    return tuple(
        key
        for key, limit, name in _HELD
        if getattr(makers, limit) is not None and getattr(told, name) is not None
    )


@dataclass(frozen=True)
class Sweep:
    """One number turned through a range."""

    key: str
    values: tuple[float, ...]
    forecasts: tuple[Forecast, ...]


def sweep(known: Known, plan: Plan, key: str, low: float, high: float, settings: ForecastSettings) -> Sweep:
    """Fifty points of a range (each whole number of cells)."""
    if key == "cells":
        values = np.arange(round(low), round(high) + 1, dtype=float)
    else:
        values = np.linspace(low, high, settings.sweep_points)
    found = forecasts(known, [with_value(plan, key, float(value)) for value in values], settings)
    return Sweep(key, tuple(float(value) for value in values), tuple(found))


@dataclass(frozen=True, eq=False)
class Told:
    """Everything that one call found out."""

    name: str
    known: Known
    told: Forecast
    ways: tuple[Way, ...] = ()
    target_mps: float | None = None
    swept: Sweep | None = None
