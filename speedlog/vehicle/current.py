"""The current of a pass: how true it is, whose it is, and what it adds up to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.results_car import CurrentOf
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog, reading_noise

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Scale:
    """True current over logged: value and standard uncertainty; and what the charge put back alone says."""

    value: float
    u: float
    by_charge: Quantity95 | None


@dataclass(frozen=True, eq=False)
class Drawn:
    """The current as logged over the pass, short holes bridged.

    Attributes:
        time_s, current_a: (M,) rows used.
        charge_as, squared_a2s: ∫I dt and ∫I² dt; `charge_u`, `squared_u` from the readings' noise.
        missing_s: of the time under power, without a current.
    """

    time_s: Array
    current_a: Array
    charge_as: float
    charge_u: float
    squared_a2s: float
    squared_u: float
    noise_a: float
    missing_s: float


def drawn(log: CarLog, settings: VehicleSettings) -> Drawn | None:
    """What was drawn over the pass; None where no row holds a current."""
    logged = log.channel("current_a")
    if logged is None:
        return None
    known = np.isfinite(logged)
    time, current = log.time_s[known], np.abs(logged[known])
    if len(time) < 3:
        return None
    noise = reading_noise(current)
    current = quieted(current, noise)
    step = np.diff(time)
    bridged = step <= max(settings.most_hole_s, 3 * float(np.median(step)))
    mean = 0.5 * (current[1:] + current[:-1])
    # noise alone has a square: ∫I² dt reads high by its variance
    squares = (current[1:] ** 2 + current[1:] * current[:-1] + current[:-1] ** 2) / 3
    squares -= np.where(mean > 0, 2 / 3 * noise**2, 0.0)
    length = np.where(bridged, step, 0.0)
    placed = [_placed_u(values, length, settings.lift_takes_s) for values in (current, current**2)]
    charge_u = float(np.sqrt(noise**2 * np.sum(length**2) + placed[0]))
    squared_u = float(np.sqrt(4 * noise**2 * np.sum((mean * length) ** 2) + placed[1]))
    return Drawn(
        time, current, float(mean @ length), charge_u, float(squares @ length), squared_u, noise,
        _missing(log, time, step, bridged),
    )  # fmt: skip


def _placed_u(values: Array, length: Array, takes_s: float) -> float:
    """What the trapezium leaves open between rows, squared: where in its step a jump or a corner lies.

    A jump J that takes c may have come anywhere in a step h (J (h - c) / √12); a corner, where the slope changes
    by B a step, gives B h f (1 - f) / 2 at f of the step, B h / √120 over all f. A jump is what goes beyond the
    neighbouring steps.
    """
    slope = np.diff(values)
    step = np.abs(slope)
    beside = np.maximum(np.append(step[1:], 0.0), np.append(0.0, step[:-1]))
    jump = np.maximum(step - beside, 0.0)
    bend = np.abs(np.diff(slope, append=slope[-1:]))
    corner = np.maximum(bend - np.maximum(jump, np.append(jump[1:], 0.0)), 0.0)
    free = np.maximum(length - takes_s, 0.0)
    return float(np.sum((jump * free) ** 2) / 12 + np.sum((corner * length) ** 2) / 120)


def quieted(current: Array, noise_a: float) -> Array:
    """(N,) the current without what a logger shows of none: under four times its noise it counts as 0.

    (A logger that shows no sign folds its noise over, so its spread there is 0.6 of itself.)
    """
    return np.where(np.abs(current) < 4 * noise_a, 0.0, current)


def highest(values: Array) -> float:
    """The highest of three rows' medians: one stray row is no peak, and noise has less to add to it."""
    known = values[np.isfinite(values)]
    if len(known) >= 3:
        known = np.median(np.lib.stride_tricks.sliding_window_view(known, 3), axis=1)
    return float(known.max())


def _missing(log: CarLog, time: Array, step: Array, bridged: NDArray[np.bool_]) -> float:
    """Seconds between launch and lift that no current covers."""
    starts, ends = time[:-1][~bridged], time[1:][~bridged]
    inside = np.minimum(ends, log.lift_s) - np.maximum(starts, log.launch_s)
    before, after = float(time[0]) - log.launch_s, log.lift_s - float(time[-1])
    return float(np.sum(np.maximum(inside, 0.0)) + max(before, 0.0) + max(after, 0.0))


def scale_of(found: Drawn, facts: CarFacts, settings: VehicleSettings) -> Scale:
    """How true the current is: what such loggers are worth, and the charge put back, weighed together.

    Both are taken as normal; the mean weighs each by one over its variance (JCGM 100:2008, and any text on
    least squares).
    """
    logged_ah = found.charge_as / 3600.0
    if facts.charge_put_back_ah is None or not logged_ah > 0 or not facts.charge_put_back_ah > 0:
        return Scale(1.0, settings.scale_u, None)
    ratio = facts.charge_put_back_ah / logged_ah
    own_u = ratio * np.hypot(settings.charge_u, found.charge_u / found.charge_as)
    if settings.scale_u <= 0:
        return Scale(1.0, 0.0, Quantity95.spread(ratio, own_u))
    weights = np.array([settings.scale_u**-2, own_u**-2])
    value = float(weights @ np.array([1.0, ratio]) / weights.sum())
    return Scale(value, float(weights.sum() ** -0.5), Quantity95.spread(ratio, own_u))


def whose_current(log: CarLog, facts: CarFacts, settings: VehicleSettings) -> tuple[CurrentOf | None, bool]:
    """Whose current the log holds, and whether the user said so.

    At the tyre, pull goes with the motor's current and power with the pack's: of I = a0 + a1 F and I = a0 + a1 F v
    (F from the motion), the one that fits better by far is the log's. Copper losses bend both a little.
    """
    if facts.current_of is not None:
        return facts.current_of, True
    current = log.channel("current_a")
    if current is None:
        return None, False
    floor = settings.power_share * float(np.nanmax(np.abs(current)))
    rows = log.powered_span & np.isfinite(current) & np.isfinite(log.accel_mps2) & (np.abs(current) > floor)
    if np.count_nonzero(rows) < 10 or np.ptp(log.time_s[rows]) < settings.whose_least_s:
        return None, False
    speed, amps = log.speed_mps[rows], np.abs(current[rows])
    pull = pull_of(speed, log.accel_mps2[rows], settings)
    spread = {"motor": _spread(amps, pull), "pack": _spread(amps, pull * speed)}
    if spread["motor"] > settings.whose_ratio * spread["pack"]:
        return "pack", False
    if spread["pack"] > settings.whose_ratio * spread["motor"]:
        return "motor", False
    return None, False


def pull_of(speed: Array, accel: Array, settings: VehicleSettings, drag_per_m: float | None = None) -> Array:
    """(N,) m/s²: drive force over mass, a + r + k v² (`speedlog.physics.roadload`)."""
    k = settings.drag_per_m if drag_per_m is None else drag_per_m
    return np.asarray(accel + settings.rolling_mps2 + k * speed**2)


def _spread(values: Array, against: Array) -> float:
    """Spread of values about their line through nothing against another; robust to a few rows."""
    slope = float(values @ against) / max(float(against @ against), 1e-12)
    return float(np.sqrt(np.mean((values - slope * against) ** 2)))
