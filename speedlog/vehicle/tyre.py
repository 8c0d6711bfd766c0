"""Growth and slip of the driven wheels, from turns beside GNSS speed; the tread's acceleration.

The effective diameter 60 v gear / (pi n) is D0 (1 + growth) / (1 + slip). Coasting wheels don't slip, so driving
and coasting at like speeds differ by slip alone, and a coasting wheel against one that stands by growth alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.results import LoggerTrace, Pass
from speedlog.results_car import TyreUse
from speedlog.results_quantity import NORMAL_95, Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.units import find_unit
from speedlog.vehicle import wording
from speedlog.vehicle.current import highest, pull_of
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog, coasting, reading_noise

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Rows:
    """GNSS readings with the wheel's turns at their times, (N,).

    `diameter_m`: effective. `per_s`: d ln(diameter) for a second of clock error, a / v.
    """

    time_s: Array
    speed_mps: Array
    wheel_rpm: Array
    diameter_m: Array
    pull: Array
    per_s: Array
    driving: Flags
    coasting: Flags
    wheel_step_s: float


def tyre_of(pass_: Pass, log: CarLog | None, facts: CarFacts, settings: VehicleSettings) -> TyreUse:
    """The driven wheels in one pass, or why nothing can be told."""
    turns = None if log is None else log.channel("rpm")
    if log is None or turns is None:
        return TyreUse(worn_m=_worn(facts, settings), why_not=MappingProxyType({"": wording.NO_TURNS}))
    why: dict[str, str] = {}
    wheel = turns / (facts.gear_ratio or 1.0)
    diameter, diameter_u = _standing(facts, settings)
    worn = _worn(facts, settings)
    if worn is None:
        why["worn_m"] = wording.NO_MEASURE_TYRE
    found: dict[str, Any] = {"worn_m": worn}
    found["peak_wheel_rpm"] = _peak(wheel)
    rows = _rows(pass_, log, wheel, settings)
    if rows is None:
        why["growth"] = why["slip"] = why["growth_less_slip"] = wording.NO_GNSS_BESIDE
        rolling: tuple[float, float] | None = None
    else:
        rolling = _crawl(rows, settings)
        if diameter is not None and _wrong(diameter, rolling, settings):
            why["rolling_diameter_m"] = wording.WRONG_DIAMETER.format(
                rolls=1e3 * (rolling or (diameter, 0.0))[0], said=1e3 * diameter
            )
            diameter, diameter_u = None, 0.0
        found |= _grown(rows, rolling, diameter, diameter_u, why, settings)
    found |= _tread(log, wheel, found, diameter or (rolling or (None,))[0], facts, why)
    return TyreUse(why_not=MappingProxyType(why), **found)


def _standing(facts: CarFacts, settings: VehicleSettings) -> tuple[float | None, float]:
    """Standing diameter and its standard uncertainty: by hand before this pass, else from the set-up."""
    if facts.tyre_diameter_before_m is not None:
        return facts.tyre_diameter_before_m, settings.hand_diameter_u_m
    if facts.wheel_diameter_m is not None:
        return facts.wheel_diameter_m, settings.diameter_u * facts.wheel_diameter_m
    return None, 0.0


def _wrong(diameter: float, rolling: tuple[float, float] | None, settings: VehicleSettings) -> bool:
    """Whether the wheel can't be the one that was written down: what it rolls like is no growth then."""
    return rolling is not None and abs(math.log(rolling[0] / diameter)) > settings.wrong_diameter_share


def _worn(facts: CarFacts, settings: VehicleSettings) -> Quantity95 | None:
    before, after = facts.tyre_diameter_before_m, facts.tyre_diameter_after_m
    if before is None or after is None:
        return None
    return Quantity95.spread(before - after, math.sqrt(2) * settings.hand_diameter_u_m)


def _peak(wheel: Array) -> Quantity95:
    """The highest of three rows' medians. Turns peak at the lift, between rows: up to two rows' rise above that."""
    value, half = highest(wheel), NORMAL_95 * reading_noise(wheel)
    known = wheel[np.isfinite(wheel)]
    rising = np.diff(known[: int(np.argmax(known)) + 1][-9:])  # over eight steps noise is small beside it
    rise = max(float(rising.mean()), 0.0) if len(rising) else 0.0
    return Quantity95(value, value - half, value + half + 2 * rise)


def _rows(pass_: Pass, log: CarLog, wheel: Array, settings: VehicleSettings) -> _Rows | None:
    """Rows of every GNSS logger inside the log's time, where both hold a value and the car is not crawling."""
    assert pass_.trace is not None
    loggers = [item for item in pass_.trace.loggers if item.kind == "gnss" and item.used.any()]
    known = np.flatnonzero(np.isfinite(wheel))
    if not loggers or len(known) < 10:
        return None
    parts = [_beside(item, log, wheel, known) for item in loggers]
    time, speed, rpm = (np.concatenate(column) for column in zip(*parts, strict=True))
    quick = (speed > settings.crawl_mps[0]) & (rpm > 0)
    time, speed, rpm = time[quick], speed[quick], rpm[quick]
    if len(time) < 10:
        return None
    accel = np.interp(time, log.time_s, np.nan_to_num(log.accel_mps2))
    nearest = np.clip(np.searchsorted(log.time_s, time), 1, len(log.time_s) - 1)
    # a row counts as coasting or driving where both rows about it do
    idle = coasting(log, settings)
    pulled = log.powered_span & (pull_of(log.speed_mps, log.accel_mps2, settings) > settings.rolling_mps2)
    both = [flags[nearest] & flags[nearest - 1] for flags in (pulled, idle)]
    return _Rows(
        time,
        speed,
        rpm,
        60.0 * speed / (np.pi * rpm),
        pull_of(speed, accel, settings),
        accel / speed,
        both[0],
        both[1],
        float(np.median(np.diff(log.time_s[known]))),
    )


def _beside(
    item: LoggerTrace, log: CarLog, wheel: Array, known: NDArray[np.intp]
) -> tuple[Array, Array, Array]:
    step = float(np.median(np.diff(log.time_s[known])))
    at = np.searchsorted(log.time_s[known], item.time_s)
    inside = item.used & np.isfinite(item.speed_mps) & (at > 0) & (at < len(known))
    at = np.clip(at, 1, len(known) - 1)
    inside &= log.time_s[known][at] - log.time_s[known][at - 1] < 3 * step
    turns = np.interp(item.time_s, log.time_s[known], wheel[known])
    return item.time_s[inside], item.speed_mps[inside], turns[inside]


def _mean(rows: _Rows, which: Flags, settings: VehicleSettings) -> tuple[float, float, float]:
    """Mean of ln(diameter), its standard uncertainty without the clock's part, and the clock's gain."""
    logs = np.log(rows.diameter_m[which])
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    kept = np.abs(logs - middle) <= max(4 * spread, 1e-4)
    # rows of the wheel's log, read between, serve several of the GNSS's: no more count than it has, and a straight
    # line between two rows has 2/3 of their variance
    rows_of_wheel = float(np.ptp(rows.time_s[which])) / rows.wheel_step_s + 1
    own = max(spread, 5e-4) * math.sqrt(1.5 / min(float(np.count_nonzero(kept)), rows_of_wheel))
    drift = settings.gnss_drift_mps / float(np.mean(rows.speed_mps[which]))
    return float(logs[kept].mean()), math.hypot(own, drift), float(np.mean(rows.per_s[which]))


def _crawl(rows: _Rows, settings: VehicleSettings) -> tuple[float, float] | None:
    """Effective diameter while driving at a crawl, and its standard uncertainty."""
    low, high = settings.crawl_mps
    slow = rows.driving & (rows.speed_mps > low) & (rows.speed_mps < high)
    if np.count_nonzero(slow) < 4:
        return None
    middle, u, gain = _mean(rows, slow, settings)
    size = math.exp(middle)
    return size, size * math.hypot(u, gain * settings.clock_u_s)


def _grown(
    rows: _Rows, crawl: tuple[float, float] | None, standing: float | None, standing_u: float, why: dict[str, str],
    settings: VehicleSettings,
) -> dict[str, Any]:  # fmt: skip
    out: dict[str, Any] = {}
    fast = rows.speed_mps > (1 - settings.like_speeds) * _top(rows)
    pulled, idle = rows.driving & fast, rows.coasting & fast
    if np.count_nonzero(pulled) < 4:
        why["growth"] = why["slip"] = why["growth_less_slip"] = wording.NO_GNSS_BESIDE
        return out
    at_power, power_u, power_gain = _mean(rows, pulled, settings)
    out["at_rpm"] = float(np.mean(rows.wheel_rpm[pulled]))
    if crawl is not None:
        out["rolling_diameter_m"] = Quantity95.spread(*crawl)
    apart = np.count_nonzero(idle) >= 4 and _lasts(rows.time_s[idle]) >= settings.coast_least_s
    if not apart:
        why["growth"] = why["slip"] = wording.NOT_APART
        if standing is None:
            why["growth_less_slip"] = wording.NO_DIAMETER
        else:
            u = math.hypot(power_u, power_gain * settings.clock_u_s, standing_u / standing)
            ratio = math.exp(at_power) / standing
            out["growth_less_slip"] = Quantity95.spread(ratio - 1, ratio * u)
        return out
    out["told_apart"] = True
    why["growth_less_slip"] = wording.APART
    at_coast, coast_u, coast_gain = _mean(rows, idle, settings)
    # both stretches are short and near in time, so the slow error of the GNSS speed is the same in both
    own = math.hypot(
        *(
            math.sqrt(max(u**2 - _drift2(rows, w, settings), 0.0))
            for u, w in ((power_u, pulled), (coast_u, idle))
        )
    )
    # between the two mean speeds the wheel grows by a hundredth of its growth at most: like speeds
    slip = math.expm1(at_coast - at_power)
    slip_u = math.hypot(own, (coast_gain - power_gain) * settings.clock_u_s)
    out["slip"] = Quantity95.spread(slip, slip_u)
    base = _base(rows, crawl, standing, standing_u, (slip, slip_u), pulled, settings)
    if base is None:
        why["growth"] = wording.NO_DIAMETER
        return out
    turns = float(np.mean(rows.wheel_rpm[idle]))
    ratio = math.exp(at_coast) / base[0]
    u = ratio * math.hypot(coast_u, coast_gain * settings.clock_u_s, base[1] / base[0])
    per_rpm2 = Quantity95.spread((ratio - 1) / turns**2, u / turns**2)
    out["growth_per_rpm2"] = per_rpm2
    out["growth"] = per_rpm2.scaled(float(out["at_rpm"] or 0.0) ** 2)
    return out


def _top(rows: _Rows) -> float:
    return (
        float(np.max(rows.speed_mps[rows.driving])) if rows.driving.any() else float(np.max(rows.speed_mps))
    )


def _lasts(time: Array) -> float:
    return float(np.ptp(time)) if len(time) else 0.0


def _drift2(rows: _Rows, which: Flags, settings: VehicleSettings) -> float:
    return (settings.gnss_drift_mps / float(np.mean(rows.speed_mps[which]))) ** 2


def _base(
    rows: _Rows, crawl: tuple[float, float] | None, standing: float | None, standing_u: float,
    slip: tuple[float, float], pulled: Flags, settings: VehicleSettings,
) -> tuple[float, float] | None:  # fmt: skip
    """Standing diameter: as written, and from the crawl less the slip that its pull makes; weighed together."""
    told = [] if standing is None else [(standing, standing_u)]
    if crawl is not None:
        low, high = settings.crawl_mps
        slow = rows.driving & (rows.speed_mps > low) & (rows.speed_mps < high)
        share = float(np.mean(rows.pull[slow]) / np.mean(rows.pull[pulled]))
        there = slip[0] * share
        u = math.hypot(crawl[1] / crawl[0], there * settings.crawl_slip_u, slip[1] * share)
        told.append((crawl[0] * (1 + there), crawl[0] * u))
    if not told:
        return None
    weights = [u**-2 for _, u in told]
    return sum(w * size for w, (size, _) in zip(weights, told, strict=True)) / sum(weights), sum(
        weights
    ) ** -0.5


def _tread(
    log: CarLog, wheel: Array, found: dict[str, Any], diameter: float | None,
    facts: CarFacts, why: dict[str, str],
) -> dict[str, Any]:  # fmt: skip
    """v²/r of the tread: w² r with the grown radius, from turns alone; in g."""
    peak, unit = found["peak_wheel_rpm"], find_unit("gn", "acceleration")
    assert isinstance(peak, Quantity95) and unit is not None
    if diameter is None:
        why["tread_accel_g"] = wording.NO_DIAMETER
    over = _over(log.time_s, wheel, diameter, facts, unit.factor)
    if over is None:
        why["over_limit_s"] = wording.no_limit("over_limit_s")
    if diameter is None:
        return {"over_limit_s": over}
    grown = found.get("growth") or found.get("growth_less_slip")
    more, more_u = (grown.value, grown.standard_u) if isinstance(grown, Quantity95) else (0.0, 0.02)
    value = _accel(peak.value, diameter * (1 + more)) / unit.factor
    share = math.hypot(2 * peak.standard_u / max(peak.value, 1e-9), more_u, 0.005)
    return {"tread_accel_g": Quantity95.spread(value, value * share), "over_limit_s": over}


def _accel(rpm: float, diameter_m: float) -> float:
    """m/s² of a tread: w² D / 2, w = 2 pi n / 60."""
    return (2 * math.pi * rpm / 60.0) ** 2 * diameter_m / 2


def _over(
    time: Array, wheel: Array, diameter: float | None, facts: CarFacts, g_mps2: float
) -> Quantity95 | None:
    limits = [] if facts.tyre_limit_rpm is None else [facts.tyre_limit_rpm]
    if facts.tyre_limit_g is not None and diameter is not None:
        limits.append(60.0 / (2 * math.pi) * math.sqrt(2 * facts.tyre_limit_g * g_mps2 / diameter))
    if not limits:
        return None
    step = np.gradient(time)
    over = np.nan_to_num(wheel) > min(limits)
    crossings = int(np.count_nonzero(np.diff(over.astype(int))))
    total, u = float(step[over].sum()), float(np.median(step)) * math.sqrt(crossings / 12.0)
    found = Quantity95.spread(total, u)
    return Quantity95(found.value, max(found.low, 0.0), found.high)
