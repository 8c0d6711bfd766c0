"""What a change should bring: the fitted car driven again with another set-up, and how surely.

The posterior of the fit, the wind, the air and the rest voltage are drawn some hundred times, the same draws each
time, and every draw is driven (JCGM 101, propagation of distributions by a Monte Carlo method). What differs from
one like pass to the next is added. All of a forecast, or of a whole sweep, runs side by side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.drive import G_MPS2, GROWTH_RPM
from speedlog.results_car import Stopping
from speedlog.results_quantity import NORMAL_95, Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import PART, Array, Car
from speedlog.vehicle.fit import Fitted
from speedlog.vehicle.fit_problem import LEARNED, learned_value
from speedlog.vehicle.plan import Curve, Forecast, Known, Makers, Plan
from speedlog.vehicle.simulate import LIMITS, Lanes, Road, Runs, integrate, script
from speedlog.vehicle.stopping import Braking, stopping

SCALED = frozenset(
    {"mass_kg", "wheel_m"}
)  # what is set of these is as measured; the fit's factor stays on it


def heating(fitted: Fitted, part: Literal["motor", "controller"] = "motor") -> Quantity95 | None:
    """Kelvin of a part's temperature for each A² s in the motor, from passes that logged it."""
    found = []
    for item in fitted.passes:
        seen = item.observed
        heat = seen.motor_temp_c if part == "motor" else seen.controller_temp_c
        after = seen.facts.motor_temp_after_c if part == "motor" else None
        if heat is None or item.squared_a2s <= 0:
            continue
        rise = max(heat[1], after if after is not None else heat[1]) - heat[0]
        found.append(rise / item.squared_a2s)
    if not found or np.mean(found) <= 0:
        return None
    mean = float(np.mean(found))
    scatter = float(np.std(found, ddof=1)) if len(found) > 1 else 0.0
    # a degree of the log's step, air and idle time between passes: a tenth at least, common practice, no source
    return Quantity95.spread(mean, max(scatter, 0.1 * mean))


def changed(known: Known, plan: Plan, values: Mapping[str, float]) -> Car:
    """The car with learned values and the plan's set-up."""
    car = known.car.with_values(values)
    base = known.fitted.prior if known.fitted else known.car
    said = dict(plan.set)
    for name in SCALED & said.keys():
        said[name] *= values.get(name, getattr(known.car, name)) / getattr(base, name)
    if plan.cells is not None and known.cells:
        share = plan.cells / known.cells
        said |= {
            "open_v": car.open_v * share,
            "pack_ohm": car.pack_ohm * share,
            "fall_v_per_ah": car.fall_v_per_ah * share,
        }
    return car.with_values(said)


_VOLTAGE = LIMITS.index("voltage")


@dataclass(frozen=True, eq=False)
class _Spread:
    """The places at which a forecast is worked out: learned values, head wind and air of each, first the middle."""

    values: tuple[Mapping[str, float], ...]
    head: Array
    density: Array
    rest: Array

    @property
    def count(self) -> int:
        return len(self.values)


def _spread(known: Known, plan: Plan, count: int, settings: ForecastSettings) -> _Spread:
    """`count` draws; 0 for the middle alone."""
    names = [part.name for part in LEARNED]
    base = known.fitted.prior if known.fitted else known.car
    drawn = draws(count, len(names) + 3)
    moved = (
        drawn_cars(known.fitted, count) if known.fitted else np.vstack([np.zeros(len(names)), drawn[:, 3:]])
    )
    values = tuple({name: learned_value(name, base, u[k]) for k, name in enumerate(names)} for u in moved)
    head, air, rest = np.vstack([np.zeros(3), drawn[:, :3]]).T
    return _Spread(
        values, plan.head_mps + math.hypot(plan.head_u_mps, settings.gust_mps / 2) * head,
        plan.density_kgm3 * (1 + plan.density_share_u * air), 1 + settings.rest_share * rest,
    )  # fmt: skip


@lru_cache(maxsize=8)
def drawn_cars(fitted: Fitted, count: int) -> Array:
    """(1 + N, P) the learned numbers in spreads: the best fit, and draws of its posterior.

    Where no pass is held by the voltage, a draw that would have held one contradicts the logs: its opposite is taken.
    """
    off = draws(count, len(fitted.names) + 3)[:, 3:] @ _factor(fitted.covariance).T
    if not any((item.which == _VOLTAGE).any() for item in fitted.passes):
        off = np.where(held_by_voltage(fitted, off)[:, None], -off, off)
    return np.vstack([fitted.scaled, fitted.scaled + off])


def held_by_voltage(fitted: Fitted, off: Array) -> NDArray[np.bool_]:
    """(N,) whether the cars so far off the fit would be held by the voltage at the end of a fitted pass."""
    held = np.zeros(len(off), dtype=bool)
    best = {name: learned_value(name, fitted.prior, fitted.scaled[k]) for k, name in enumerate(fitted.names)}
    for item in fitted.passes:
        rows = {name: np.full(len(off), value) for name, value in item.car.values().items()}
        for k, name in enumerate(fitted.names):
            there = np.array([learned_value(name, fitted.prior, u) for u in fitted.scaled[k] + off[:, k]])
            rows[name] = (
                rows[name] * there / best[name] if PART[name].relative else rows[name] + there - best[name]
            )
        used = float(np.trapezoid(item.pack_a, item.time_s))
        lanes = Lanes(rows, Road(item.observed.density_kgm3))
        at = lanes.point(
            np.full(len(off), item.speed_mps[-1]), np.full(len(off), used), float(item.throttle[-1])
        )
        held |= at.which == _VOLTAGE
    return held


@lru_cache(maxsize=8)
def draws(count: int, size: int) -> Array:
    """(N, size) standard normal draws, the same each time: in opposite pairs, with exactly unit covariance."""
    if count == 0:
        return np.zeros((0, size))
    half = np.random.default_rng(20_260_705).standard_normal((count // 2, size))
    half = half @ np.linalg.inv(np.linalg.cholesky(half.T @ half / len(half))).T
    return np.vstack([half, -half])


def _factor(covariance: Array) -> Array:
    """(P, P) F with F Fᵀ = C."""
    value, basis = np.linalg.eigh(covariance)
    return np.asarray(basis * np.sqrt(np.maximum(value, 0.0)))


def forecast(known: Known, plan: Plan, settings: ForecastSettings) -> Forecast:
    """One plan, with its curve."""
    return forecasts(known, [plan], settings, curves=True)[0]


def forecasts(
    known: Known, plans: Sequence[Plan], settings: ForecastSettings, *, curves: bool = False, narrow: bool = False
) -> list[Forecast]:  # fmt: skip
    """Many plans side by side. `narrow`: their middles alone, without intervals, for a search."""
    count = 0 if narrow else settings.draws if len(plans) < 4 else settings.sweep_draws
    spreads = [_spread(known, plan, count, settings) for plan in plans]
    runs = _driven(known, plans, spreads, [plan.run_up_m + plan.trap_m for plan in plans], settings)
    figures = _figures(runs, plans, spreads, known)
    found, first = [], 0
    for plan, spread in zip(plans, spreads, strict=True):
        cut = slice(first, first + spread.count)
        part = {name: value[cut] for name, value in figures.items()}
        found.append(_forecast(known, plan, part, runs, cut, settings, curves))
        first += spread.count
    return found


def _driven(
    known: Known,
    plans: Sequence[Plan],
    spreads: Sequence[_Spread],
    until_m: Sequence[float],
    settings: ForecastSettings,
) -> Runs:
    cars, head, density, slope, until = [], [], [], [], []
    for plan, spread, end in zip(plans, spreads, until_m, strict=True):
        for k, values in enumerate(spread.values):
            car = changed(known, plan, values)
            cars.append(replace(car, open_v=car.open_v * float(spread.rest[k])))
        head.append(spread.head)
        density.append(spread.density)
        slope.append(np.full(spread.count, plan.slope))
        until.append(np.full(spread.count, end))
    road = Road(np.concatenate(density), np.concatenate(head), np.concatenate(slope))
    rows = [car.values() for car in cars]
    lanes = Lanes({name: np.array([row[name] for row in rows]) for name in PART}, road)
    return integrate(lanes, script(cars, road.head_mps, settings), np.concatenate(until))


def draw_runs(known: Known, plan: Plan, until_m: float, settings: ForecastSettings) -> Runs:
    """A plan driven with every draw, the middle first, as far as `until_m`."""
    return _driven(known, [plan], [_spread(known, plan, settings.draws, settings)], [until_m], settings)


def _figures(runs: Runs, plans: Sequence[Plan], spreads: Sequence[_Spread], known: Known) -> dict[str, Array]:
    """Every figure of every lane, (K,)."""
    counts = [spread.count for spread in spreads]
    run_up = np.repeat([plan.run_up_m for plan in plans], counts)
    trap = np.repeat([plan.trap_m for plan in plans], counts)
    entry_s, entry_mps = runs.at_travel(run_up)
    exit_s, exit_mps = runs.at_travel(run_up + trap)
    at = runs.point()
    inside = runs.time_s <= np.where(np.isfinite(exit_s), exit_s, np.inf)
    step = np.diff(runs.time_s, axis=0, append=runs.time_s[-1:])
    cars = runs.lanes.cars
    accel = runs.accel(at)
    lanes = np.arange(runs.lanes.count)
    last = np.maximum(inside.sum(axis=0) - 1, 0)
    turns = at.wheel_rpm[last, lanes] * (
        1 + cars["slip"] * at.force_n[last, lanes] / np.maximum(at.grip_n[last, lanes], 1.0)
    )
    radius = 0.5 * cars["wheel_m"] * (1 + cars["growth"] * (at.wheel_rpm[last, lanes] / GROWTH_RPM) ** 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        through = np.where(trap > 0, trap / (exit_s - entry_s), entry_mps)
    return {
        "trap": through, "exit": exit_mps, "exit_accel": accel[last, lanes], "run": exit_s,
        "heat": np.sum(np.where(inside, at.motor_a**2 * step, 0.0), axis=0),
        "volts": np.where(inside, at.pack_v, np.inf).min(axis=0), "amps": np.where(inside, at.pack_a, 0.0).max(axis=0),
        "rpm": turns, "tread": exit_mps**2 / radius / G_MPS2, "charge": runs.used_as[last, lanes] / 3600.0,
        "terminal": terminal(runs.lanes, runs.used_as[last, lanes], runs.head_mps[-1]),
        "voltage": at.which[last, lanes] == LIMITS.index("voltage"),
        "traction": np.mean(np.where(inside, at.which == LIMITS.index("traction"), False), axis=0),
    }  # fmt: skip


def terminal(lanes: Lanes, used_as: Array, head_mps: Array) -> Array:
    """(K,) m/s at which the drive at full throttle and what is against the car are equal; by bisection."""
    low, high = np.full(lanes.count, 1.0), np.full(lanes.count, 400.0)
    for _ in range(45):
        middle = 0.5 * (low + high)
        spare = lanes.point(middle, used_as, 1.0).force_n > lanes.against(middle, head_mps)
        low, high = np.where(spare, middle, low), np.where(spare, high, middle)
    return low


def split_normal(values: Array, more_u: float = 0.0) -> Quantity95 | None:
    """The middle with what its draws make of it, to either side; None where the middle is not reached.

    Half-widths are 1.96 root mean squares of the draws above and below: a limit that some of them meet makes a
    wider side. A draw that doesn't reach the trap counts as far below as the lowest that does.
    """
    if not np.isfinite(values[0]):
        return None
    off = values[1:] - values[0]
    if not np.isfinite(off).all():
        off = np.where(np.isfinite(off), off, np.nanmin(off) if np.isfinite(off).any() else -abs(values[0]))
    below, above = off[off < 0], off[off > 0]
    low, high = (math.sqrt(float(np.mean(side**2)) if len(side) else 0.0) for side in (below, above))
    middle = float(values[0])
    ends = (math.hypot(side, more_u) * NORMAL_95 for side in (low, high))
    return Quantity95(middle, middle - next(ends), middle + next(ends))


def _forecast(
    known: Known, plan: Plan, part: Mapping[str, Array], runs: Runs, cut: slice,
    settings: ForecastSettings, curves: bool,
) -> Forecast:  # fmt: skip
    why: dict[str, str] = {}
    middle = float(part["trap"][0])
    if not math.isfinite(middle):
        why["trap_mps"] = "the car doesn't get through the trap within a minute"
        none = Stopping(room_m=plan.room_m, why_not={"distance_m": why["trap_mps"]})
        return Forecast(plan, None, why_not=why, stopping=none)
    beyond = min((abs(middle - speed) for speed in known.nearest_mps), default=0.0)
    like_u = math.hypot(settings.pass_share * middle, settings.model_growth * beyond)
    exit_mps = split_normal(part["exit"], like_u)
    assert exit_mps is not None
    heat = split_normal(part["heat"])
    hot = {
        name: _hot(name, per, start, heat, why)
        for name, per, start in (
            ("motor", known.heating_k_per_a2s, plan.motor_start_c),
            ("controller", known.controller_k_per_a2s, plan.controller_start_c),
        )
    }
    cells = plan.cells or known.cells
    volts, amps = split_normal(part["volts"]), split_normal(part["amps"])
    if cells is None:
        why["lowest_cell_v"] = "the number of cells was not given"
    if known.capacity_ah is None:
        why["c_rate"] = "the pack's capacity was not given"
    return Forecast(
        plan,
        split_normal(part["trap"], like_u),
        exit_mps,
        split_normal(part["exit_accel"]),
        split_normal(part["terminal"]),
        split_normal(part["run"]),
        hot["motor"],
        hot["controller"],
        volts.scaled(1 / cells) if cells and volts else None,
        amps,
        amps.scaled(1 / known.capacity_ah) if known.capacity_ah and amps else None,
        split_normal(part["rpm"]),
        split_normal(part["tread"]),
        split_normal(part["charge"]),
        float(part["traction"][0]),
        float(np.mean(part["voltage"])),
        stopping(known.braking, exit_mps, plan.room_m, settings),
        why,
        _curve(runs, cut, like_u) if curves else None,
    )


def _hot(
    name: str, per: Quantity95 | None, start: float | None, heat: Quantity95 | None, why: dict[str, str]
) -> Quantity95 | None:
    """Highest temperature of a part: it begins at `start`, and each A² s in the motor warms it by `per`."""
    if per is None:
        why[f"{name}_peak_c"] = f"no pass logged how the {name} warms"
    elif start is None:
        why[f"{name}_peak_c"] = f"the {name}'s temperature at the launch was not given"
    elif heat is not None:
        rel = math.hypot(per.standard_u / per.value, heat.standard_u / heat.value)
        return Quantity95.spread(start + per.value * heat.value, per.value * heat.value * rel)
    return None


def _curve(runs: Runs, cut: slice, like_u: float) -> Curve:
    first = cut.start
    travel = runs.travel_m[:, first]
    end = float(np.nanmax(travel))
    grid = np.linspace(0.0, end, 201)
    speeds = np.array(
        [np.interp(grid, runs.travel_m[:, k], runs.speed_mps[:, k]) for k in range(cut.start, cut.stop)]
    )
    u = np.sqrt(np.mean(np.square(speeds - speeds[0]), axis=0) + (like_u * grid / end) ** 2)
    which = runs.point().which[:, first]
    names = [
        _named(int(which[int(np.searchsorted(travel, at))]) if at < end else int(which[-1]), runs, first, at)
        for at in grid
    ]
    return Curve(grid, speeds[0], np.maximum(speeds[0] - 1.96 * u, 0.0), speeds[0] + 1.96 * u, tuple(names))


def _named(which: int, runs: Runs, lane: int, travel_m: float) -> str:
    opened = float(np.interp(travel_m, runs.travel_m[:, lane], runs.throttle[:, lane]))
    name = LIMITS[which]
    if name in ("motor limit", "current limit"):
        return "ramp" if opened < 0.98 else "current limit"
    return name


def known_from(fitted: Fitted, braked: Sequence[Braking], makers: Makers | None = None) -> Known:
    """What a forecast starts from, of a fit and the brakings of its passes."""
    facts = fitted.passes[-1].observed.facts
    speeds = [item.observed.trap_mps for item in fitted.passes]
    return Known(
        car=fitted.car, fitted=fitted, cells=facts.cells, capacity_ah=facts.pack_capacity_ah,
        makers=makers or Makers(
            facts.motor_limit_c, facts.controller_limit_c, facts.lowest_cell_v, facts.pack_limit_c_rate,
            facts.tyre_limit_g, facts.tyre_limit_rpm,
        ),
        braking=tuple(braked), heating_k_per_a2s=heating(fitted),
        controller_k_per_a2s=heating(fitted, "controller"), nearest_mps=tuple(v for v in speeds if v is not None),
        assumed=tuple(dict.fromkeys(item for part in fitted.passes for item in part.observed.assumed)),
    )  # fmt: skip
