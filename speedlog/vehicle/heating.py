"""What the motor's heat goes with: its own current where that is known, else the best stand-in."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.results_car import CurrentOf
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.current import pull_of
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog

Array = NDArray[np.float64]
_SLOW = 0.15  # of the highest turns: below it, power over turns is noise over little


@dataclass(frozen=True, eq=False)
class Heating:
    """x² (N,) at times (N,); x is the motor's current in A, or goes with it; `share_u` of x, all along."""

    with_: Literal["motor current", "torque", "pull", "pack current"]
    time_s: Array
    squared: Array
    share_u: float = 0.0


def heating_of(
    log: CarLog | None,
    whose: CurrentOf | None,
    scale: Quantity95 | None,
    facts: CarFacts,
    settings: VehicleSettings,
) -> Heating | None:
    """The heating signal of a pass; None where nothing at all goes with heat.

    The motor's current as logged; else the pack's power over the turns (copper losses left out),
    in A, losses and all, where Kv is known; else the pull by the motion.
    """
    if log is None:
        return None
    true, share_u = (
        (1.0, settings.scale_u) if scale is None else (scale.value, scale.standard_u / scale.value)
    )
    current, voltage, turns = log.channel("current_a"), log.channel("voltage_v"), log.channel("rpm")
    if whose == "motor" and current is not None:
        known = np.isfinite(current)
        return Heating("motor current", log.time_s[known], (true * current[known]) ** 2, share_u)
    pull = _pull(log, settings)
    if whose == "pack" and current is not None and voltage is not None and turns is not None:
        found = _from_power(log, true * np.abs(current) * voltage, turns, pull, facts)
        if found is not None:
            return replace(found, share_u=math.hypot(share_u, settings.kv_u if facts.motor_kv else 0.0))
    known = np.isfinite(pull)
    if np.count_nonzero(known) > 3 and (current is None or whose is not None):
        return Heating("pull", log.time_s[known], pull[known] ** 2)
    if current is not None:
        known = np.isfinite(current)
        return Heating("pack current", log.time_s[known], (true * current[known]) ** 2, share_u)
    return None


def _pull(log: CarLog, settings: VehicleSettings) -> Array:
    """(N,) m/s², 0 without power; NaN outside of the estimate."""
    found = np.maximum(pull_of(log.speed_mps, log.accel_mps2, settings), 0.0)
    outside = (log.time_s < log.launch_s) | (log.time_s > log.lift_s)
    return np.where(outside, 0.0, found)


def _from_power(log: CarLog, power: Array, turns: Array, pull: Array, facts: CarFacts) -> Heating | None:
    known = np.isfinite(power) & np.isfinite(turns)
    if not known.any():
        return None
    top = float(np.nanmax(turns))
    quick = known & (turns > _SLOW * top)
    found = np.zeros(len(power))
    if facts.motor_kv is not None:
        found[quick] = _motor_current(power, turns, pull, facts.motor_kv)[quick]
    else:
        found[quick] = power[quick] / turns[quick]  # goes with torque
    slow = known & ~quick & np.isfinite(pull)
    both = quick & np.isfinite(pull) & (pull > 0)
    if (
        slow.any() and both.any()
    ):  # at a crawl the power is noise over little: the pull, matched where they meet
        near = both & (turns < 2 * _SLOW * top)
        rows = near if near.any() else both
        found[slow] = pull[slow] * float(np.median(found[rows] / pull[rows]))
    return Heating(
        "torque" if facts.motor_kv is None else "motor current", log.time_s[known], found[known] ** 2
    )


def _motor_current(power: Array, turns: Array, pull: Array, kv: float) -> Array:
    """(N,) A: the root of R I² + (n / Kv) I = P, the DC machine's power (Hughes, "Electric Motors and Drives").

    With I = c F (F the pull), P = c (n / Kv) F + c² R F²: linear in c and c² R, so motion and power give R.
    """
    emf = np.nan_to_num(turns) / kv
    drawn = np.maximum(np.nan_to_num(power), 0.0)
    rows = np.isfinite(power) & np.isfinite(turns) & np.isfinite(pull) & (pull > 0)
    ohm = 0.0
    if np.count_nonzero(rows) > 10:
        design = np.column_stack([emf[rows] * pull[rows], pull[rows] ** 2])
        (c, c2r), *_ = np.linalg.lstsq(design, power[rows], rcond=None)
        ohm = max(float(c2r) / float(c) ** 2, 0.0) if c > 0 else 0.0
    floor = max(float(np.max(emf)) * 1e-3, 1e-9)
    root = np.sqrt(emf**2 + 4 * ohm * drawn)
    return np.asarray(2 * drawn / (emf + root + floor))  # the same root, without a division by R
