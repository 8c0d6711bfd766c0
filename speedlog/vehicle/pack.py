"""The pack: its resistance from the cloud of voltage against current, sag, energy, the lowest cell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.results_car import Heat, PackUse
from speedlog.results_quantity import NORMAL_95, Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.current import highest, quieted
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog, correlation_factor, reading_noise

Array = NDArray[np.float64]
_RIDGE = 1e-12  # rows that all hold one current have no line: a vast uncertainty, not an error


@dataclass(frozen=True, eq=False)
class CloudFit:
    """V = E0 - fall q - R I: (E0, fall [V/Ah], R [ohm]) with covariance, and the residuals' spread."""

    fit: Array
    covariance: Array
    residual_v: float


def pack_of(log: CarLog | None, heat: Heat, facts: CarFacts, settings: VehicleSettings) -> PackUse:
    """The pack in one pass. Its resistance is told where the log holds the pack's own current."""
    rest = _at_rest(facts, settings)
    cell = None if rest is None or facts.cells is None else rest.scaled(1 / facts.cells)
    if log is None:
        return PackUse(facts.cells, rest_cell_v=cell, why_not=MappingProxyType({"": wording.NO_CONTROLLER}))
    voltage, current = log.channel("voltage_v"), log.channel("current_a")
    if voltage is None:
        return PackUse(facts.cells, rest_cell_v=cell, why_not=MappingProxyType({"": wording.NO_VOLTAGE}))
    why: dict[str, str] = {}
    found: dict[str, Any] = _lowest(voltage, facts, why)
    if current is None or heat.current_scale is None:
        why["resistance_ohm"] = wording.NO_CURRENT
    elif heat.current_of == "motor":
        why["resistance_ohm"] = why["energy_wh"] = wording.NOT_PACK_CURRENT
    else:
        noise = reading_noise(current)
        current = quieted(np.abs(current), noise)
        found |= _resistance(log, voltage, current, noise, heat.current_scale, facts, why, settings)
        found |= _energy(log, voltage, current, heat, facts, why)
    return PackUse(
        cells=facts.cells,
        rest_cell_v=cell,
        scale_from_charge=heat.charge_ratio is not None,
        why_not=MappingProxyType(why),
        **found,
    )


def fit_cloud(
    voltage_v: Array, current_a: Array, used_ah: Array, fall_u: float, settings: VehicleSettings
) -> CloudFit:
    """E0, fall and R by iteratively reweighted least squares with Tukey's bisquare.

    (Huber and Ronchetti, "Robust Statistics", 2nd ed., 2009.) Where rows go together in time, they weigh less:
    the covariance is widened by their autocorrelation. `fall_u`, V/Ah: centre and standard deviation of a prior
    on the fall, for a log without coasting, where charge and current rise together.

    Args:
        voltage_v, current_a, used_ah: (N,) in order of time.
    """
    design = np.column_stack([np.ones(len(voltage_v)), -used_ah, -current_a])
    weight = np.ones(len(voltage_v))
    fit: Array = np.zeros(3)
    sigma = 1.0
    for _ in range(30):
        normal = design.T @ (weight[:, None] * design)
        normal[1, 1] += (sigma / fall_u) ** 2
        normal[np.diag_indices(3)] += _RIDGE
        target = design.T @ (weight * voltage_v)
        target[1] += (sigma / fall_u) ** 2 * fall_u
        new: Array = np.asarray(np.linalg.solve(normal, target), dtype=float)
        off = voltage_v - design @ new
        sigma = max(1.4826 * float(np.median(np.abs(off - np.median(off)))), 1e-6)
        weight = np.square(np.maximum(1.0 - (off / (settings.pack_tukey * sigma)) ** 2, 0.0))
        done = bool(np.allclose(new, fit, rtol=1e-9, atol=1e-12))
        fit = new
        if np.count_nonzero(weight) < len(off) / 4:  # no line in this cloud: all of it, and its whole spread
            weight = np.ones(len(off))
            break
        if done:
            break
    kept = weight > 0
    spread = max(float(np.sqrt(np.sum(weight * off**2) / max(weight.sum() - 3, 1.0))), 1e-6)
    worth = correlation_factor(off[kept])
    normal = design.T @ (weight[:, None] * design) / (spread**2 * worth)
    normal[1, 1] += fall_u**-2
    normal[np.diag_indices(3)] += _RIDGE
    return CloudFit(fit, np.asarray(np.linalg.inv(normal), dtype=float), spread)


def _resistance(
    log: CarLog, voltage: Array, current: Array, noise: float, scale: Quantity95, facts: CarFacts, why: dict[str, str],
    settings: VehicleSettings,
) -> dict[str, Any]:  # fmt: skip
    rows = np.isfinite(voltage) & np.isfinite(current)
    if np.count_nonzero(rows) < settings.pack_least_rows:
        why["resistance_ohm"] = wording.FEW_ROWS
        return {}
    true = current[rows] * scale.value
    if float(np.std(true)) < settings.pack_least_spread_a:
        why["resistance_ohm"] = wording.LITTLE_SPREAD
        return {}
    if not float(np.ptp(voltage[rows])) > 0:
        why["resistance_ohm"] = wording.NO_RESISTANCE
        return {}
    cells = facts.cells or max(1, round(float(np.max(voltage[rows])) / 4.0))
    cloud = fit_cloud(
        voltage[rows], true, _used(log.time_s[rows], true), settings.fall_v_per_ah_cell * cells, settings
    )
    u = np.sqrt(np.diag(cloud.covariance))
    share = scale.standard_u / scale.value  # a current that reads 1 % high makes a resistance 1 % low
    e0, fall, ohm = (float(value) for value in cloud.fit)
    if not ohm > NORMAL_95 * u[2]:
        why["resistance_ohm"] = wording.NO_RESISTANCE
        return {"residual_v": cloud.residual_v}
    resistance = Quantity95.spread(ohm, math.hypot(u[2], ohm * share))
    top = highest(true)
    rest, end = _at_rest(facts, settings), np.array([1.0, -_used(log.time_s[rows], true)[-1], 0.0])
    if rest is None:
        why["hand_less_logged_v"] = wording.NO_REST
    if facts.cells is None:
        why["resistance_per_cell_ohm"] = wording.NO_CELLS
    return {
        "resistance_ohm": resistance,
        "resistance_per_cell_ohm": None if facts.cells is None else resistance.scaled(1 / facts.cells),
        "open_v": Quantity95.spread(e0, u[0]),
        "fall_v_per_ah": Quantity95.spread(fall, math.hypot(u[1], fall * share)),
        # scale drops out of R times I
        "sag_v": Quantity95.spread(ohm * top, math.hypot(top * u[2], 2 * ohm * noise)),
        "hand_less_logged_v": None if rest is None else Quantity95.spread(
            rest.value - float(end @ cloud.fit), math.hypot(rest.standard_u, math.sqrt(end @ cloud.covariance @ end))
        ),
        "residual_v": cloud.residual_v,
    }  # fmt: skip


def _at_rest(facts: CarFacts, settings: VehicleSettings) -> Quantity95 | None:
    rest = facts.pack_voltage_rest_v
    return None if rest is None else Quantity95.spread(rest, settings.hand_volt_u_v)


def _used(time: Array, current: Array) -> Array:
    """(N,) Ah drawn since the first row."""
    steps = 0.5 * (current[1:] + current[:-1]) * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(steps)]) / 3600.0


def _lowest(voltage: Array, facts: CarFacts, why: dict[str, str]) -> dict[str, Any]:
    lowest = Quantity95.spread(float(np.nanmin(voltage)), reading_noise(voltage))
    if facts.cells is None:
        why["lowest_cell_v"] = wording.NO_CELLS
    return {
        "lowest_v": lowest,
        "lowest_cell_v": None if facts.cells is None else lowest.scaled(1 / facts.cells),
    }


def _energy(
    log: CarLog, voltage: Array, current: Array, heat: Heat, facts: CarFacts, why: dict[str, str]
) -> dict[str, Any]:
    assert heat.current_scale is not None
    scale, share = heat.current_scale.value, heat.current_scale.standard_u / heat.current_scale.value
    power = scale * current * voltage
    known = np.isfinite(power)
    noise = reading_noise(power)
    top = highest(power)
    out: dict[str, Any] = {
        "charge_ah": heat.charge_ah,
        "peak_power_w": Quantity95.spread(top, math.hypot(noise, top * share)),
    }
    if heat.charge_ah is None:
        why["energy_wh"] = why["charge_ah"] = heat.why_not.get("charge_ah", wording.NO_CURRENT)
    else:
        step = np.diff(log.time_s[known])
        energy = float(0.5 * (power[known][1:] + power[known][:-1]) @ step) / 3600.0
        jumps = float(np.sum((np.diff(power[known]) * step) ** 2)) / 12
        own = float(np.sqrt(noise**2 * np.sum(step**2) + jumps)) / 3600.0
        out["energy_wh"] = Quantity95.spread(energy, math.hypot(own, energy * share))
    if facts.pack_capacity_ah is None:
        why["c_rate"] = wording.NO_CAPACITY
    elif heat.peak_current_a is not None:
        out["c_rate"] = heat.peak_current_a.scaled(1 / facts.pack_capacity_ah)
    return out
