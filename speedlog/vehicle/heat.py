"""Current and heat of one pass, against the passes before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.results_car import Heat, Ramp
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.current import Drawn, Scale, drawn, highest, scale_of, whose_current
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog, reading_noise

Array = NDArray[np.float64]
Before = Sequence[Earlier]


def heat_of(
    log: CarLog | None, facts: CarFacts, ramp: Ramp, before: Before, settings: VehicleSettings
) -> Heat:
    """Heat of a pass.

    Args:
        log: the controller's; None where there is none.
        before: earlier passes of the car, oldest first.
    """
    if log is None:
        return Heat(ramp=ramp, why_not=MappingProxyType({"": wording.NO_CONTROLLER}))
    why: dict[str, str] = {}
    temps = _temperatures(log, facts, why)
    found = drawn(log, settings)
    if found is None:
        why["squared_a2s"] = wording.NO_CURRENT
        return Heat(file=log.file, ramp=ramp, why_not=MappingProxyType(why), **temps)
    scale = scale_of(found, facts, settings)
    if scale.by_charge is None:
        why["charge_ratio"] = wording.NO_CHARGE
    whose, stated = whose_current(log, facts, settings)
    figures = _figures(log, found, scale, facts, why, settings)
    heat = Heat(
        file=log.file, current_of=whose, current_of_stated=stated, charge_ratio=scale.by_charge,
        current_scale=Quantity95.spread(scale.value, scale.u), ramp=ramp, why_not=MappingProxyType(why),
        **figures, **temps,
    )  # fmt: skip
    return _compared(heat, facts, before, why)


def _figures(
    log: CarLog, found: Drawn, scale: Scale, facts: CarFacts, why: dict[str, str], settings: VehicleSettings
) -> dict[str, Any]:
    s, share_u = scale.value, scale.u / scale.value
    # of many rows the highest is the one with the most noise: twice its spread
    peak = s * highest(found.current_a)
    out: dict[str, Any] = {
        "peak_logged_a": float(found.current_a.max()),
        "peak_current_a": Quantity95.spread(peak, float(np.hypot(2 * s * found.noise_a, peak * share_u))),
        "over_current_limit_s": _over(
            found.time_s, found.current_a, facts.current_limit_a, settings.same_limit_u, why, "over_current_limit_s"
        ),
    }  # fmt: skip
    powered = log.lift_s - log.launch_s
    step = float(np.median(np.diff(found.time_s)))
    out["powered_s"] = Quantity95.spread(powered, step / np.sqrt(6.0))  # both ends rounded to a row
    if found.missing_s > (1 - settings.least_logged) * powered:
        text = wording.HOLES.format(missing=found.missing_s, powered=powered)
        why.update(dict.fromkeys(("charge_ah", "squared_a2s", "rms_current_a"), text))
        return out
    out["squared_logged_a2s"] = Quantity95.spread(found.squared_a2s, found.squared_u)
    charge, squared = s * found.charge_as / 3600.0, s**2 * found.squared_a2s
    out["charge_ah"] = Quantity95.spread(
        charge, float(np.hypot(s * found.charge_u / 3600.0, charge * share_u))
    )
    squared_u = float(np.hypot(s**2 * found.squared_u, 2 * squared * share_u))
    out["squared_a2s"] = Quantity95.spread(squared, squared_u)
    if squared > 0 and powered > 0:
        rms = float(np.sqrt(squared / powered))
        out["rms_current_a"] = Quantity95.spread(rms, rms * squared_u / (2 * squared))
    return out


def _over(
    time: Array, values: Array, limit: float | None, margin: float, why: dict[str, str], name: str
) -> Quantity95 | None:
    """Seconds over a limit: each row stands for its interval; a row more or less at each crossing."""
    if limit is None:
        why[name] = wording.no_limit(name)
        return None
    over = values > limit * (1 + margin)
    step = np.gradient(time) if len(time) > 1 else np.zeros(len(time))
    crossings = int(np.count_nonzero(np.diff(over.astype(int))))
    total = float(step[over].sum())
    found = Quantity95.spread(total, float(np.median(step)) * np.sqrt(crossings / 12.0))
    return Quantity95(found.value, max(found.low, 0.0), found.high)


def _temperatures(log: CarLog, facts: CarFacts, why: dict[str, str]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for part, limit in (("motor", facts.motor_limit_c), ("controller", facts.controller_limit_c)):
        values = log.channel(f"{part}_temp_c")
        if values is None:
            why[f"{part}_temp_highest_c"] = f"No {part} temperature was logged."
            continue
        known = np.isfinite(values)
        time, temp = log.time_s[known], values[known]
        u = float(np.hypot(_step(temp) / np.sqrt(12.0), reading_noise(temp)))
        out[f"{part}_temp_start_c"] = Quantity95.spread(float(temp[0]), u)
        out[f"{part}_temp_highest_c"] = Quantity95.spread(float(temp.max()), u)
        out[f"over_{part}_limit_s"] = _over(time, temp, limit, 0.0, why, f"over_{part}_limit_s")
    return out


def _step(values: Array) -> float:
    """The step in which a channel is written: the least difference between two different values."""
    different = np.diff(np.unique(values))
    return float(different[different > 1e-6].min()) if (different > 1e-6).any() else 0.0


def _compared(heat: Heat, facts: CarFacts, before: Before, why: dict[str, str]) -> Heat:
    """Against the pass before and the same set-up; the logger's scale is shared, and drops out."""
    own = heat.squared_logged_a2s
    if own is None:
        return heat
    told = [item for item in before if item.car.heat.squared_logged_a2s is not None]
    same = [item.car.heat for item in told if dict(item.facts.setup) == dict(facts.setup)]
    previous = against = None
    if not told:
        why["against_previous"] = wording.NO_BEFORE
    else:
        previous = _ratio(own, [told[-1].car.heat])
    if not same:
        why["against_same_setup"] = wording.NO_SAME
    else:
        against = _ratio(own, same)
    return replace(
        heat, against_previous=previous, against_same_setup=against, same_setup_passes=len(same),
        why_not=MappingProxyType(why),
    )  # fmt: skip


def _ratio(own: Quantity95, others: Sequence[Heat]) -> Quantity95:
    logged = [item for heat in others if (item := heat.squared_logged_a2s) is not None]
    mean = float(np.mean([item.value for item in logged]))
    mean_u = float(np.sqrt(sum(item.standard_u**2 for item in logged))) / len(logged)
    ratio = own.value / mean
    return Quantity95.spread(ratio, ratio * float(np.hypot(own.standard_u / own.value, mean_u / mean)))
