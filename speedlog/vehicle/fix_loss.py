"""Whether reception gets worse when the motor draws current: a permutation test over this and earlier passes.

Speed is held: run-up and shutdown pass the same speeds with and without current, so signal and current are both
taken about their own line on speed, pass by pass. Samples go together in time, so whole blocks of what is left of
the signal are shuffled within their pass (Freedman and Lane 1983; block permutation as in Winkler et al. 2014).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.results import LoggerTrace, Pass
from speedlog.results_car import FixLoss, FixSignal, Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.log import CarLog, car_log, correlation_factor

Array = NDArray[np.float64]
Signal = Literal["cn0_dbhz", "satellites", "hdop"]
_SAME_SHIFT = 50
_WORSE: tuple[tuple[Signal, float], ...] = (("cn0_dbhz", -1.0), ("satellites", -1.0), ("hdop", 1.0))


@dataclass(frozen=True, eq=False)
class Held:
    """One pass's signal and current about their lines on speed: (N,) in blocks of `block` rows."""

    signal: Array
    current_a: Array
    block: int

    @property
    def blocks(self) -> int:
        return len(self.signal) // self.block


def fix_loss_of(passes: Sequence[Pass], settings: VehicleSettings) -> FixLoss:
    """Reception against current. `passes`: earlier ones of the car first, this one last."""
    logs = [(item, log) for item in passes if (log := car_log(item, settings)) is not None]
    logs = [(item, log) for item, log in logs if log.channel("current_a") is not None]
    if not logs or logs[-1][0] is not passes[-1]:
        return FixLoss(why_not=MappingProxyType({"": wording.NO_CURRENT}))
    found: list[FixSignal] = []
    written = False
    for signal, worse in _WORSE:
        held = [part for item, log in logs for part in _parts(item, log, signal, settings)]
        written |= any(_has(item, signal) for item, _ in logs)
        if sum(part.blocks for part in held) >= settings.fix_least_blocks:
            found.append(_tested(signal, worse, held, settings))
    if not found:
        text = wording.FEW_BLOCKS if written else wording.NO_SIGNAL
        return FixLoss(why_not=MappingProxyType({"": text}))
    return _judged(found, settings)


def _has(item: Pass, signal: Signal) -> bool:
    loggers = () if item.trace is None else item.trace.loggers
    return any(np.isfinite(logger.channels.get(signal, np.array([np.nan]))).any() for logger in loggers)


def _parts(item: Pass, log: CarLog, signal: Signal, settings: VehicleSettings) -> list[Held]:
    assert item.trace is not None
    gnss = [logger for logger in item.trace.loggers if logger.kind == "gnss"]
    parts = [_held(logger, log, signal, settings) for logger in gnss]
    return [part for part in parts if part is not None]


def _held(logger: LoggerTrace, log: CarLog, signal: Signal, settings: VehicleSettings) -> Held | None:
    values, current = logger.channels.get(signal), log.channel("current_a")
    if values is None or current is None:
        return None
    known = np.isfinite(current)
    amps = np.interp(logger.time_s, log.time_s[known], np.abs(current[known]), left=np.nan, right=np.nan)
    moving = np.isfinite(log.speed_mps)
    speed = np.interp(logger.time_s, log.time_s[moving], log.speed_mps[moving], left=np.nan, right=np.nan)
    rows = np.isfinite(values) & np.isfinite(amps) & np.isfinite(speed) & (speed > settings.moving_mps)
    if np.count_nonzero(rows) < 8 or np.ptp(amps[rows]) < settings.pack_least_spread_a:
        return None
    return held_at_speed(logger.time_s[rows], values[rows], amps[rows], speed[rows], settings)


def held_at_speed(
    time: Array, signal: Array, current: Array, speed: Array, settings: VehicleSettings
) -> Held:
    """Both about their straight lines on speed; a block lasts as long as what is left goes together, or more.

    Args:
        time, signal, current, speed: (N,), in order of time.
    """
    line = np.column_stack([np.ones(len(speed)), speed])
    left = signal - line @ np.linalg.lstsq(line, signal, rcond=None)[0]
    amps = current - line @ np.linalg.lstsq(line, current, rcond=None)[0]
    step = float(np.median(np.diff(time)))
    worth = correlation_factor(left) if float(np.ptp(left)) > 0 else 1.0
    block = max(1, math.ceil(settings.fix_block_s / step), math.ceil(worth))
    return Held(left, amps, block)


def permuted(held: Sequence[Held], worse: float, settings: VehicleSettings) -> tuple[float, float, float]:
    """(slope per A, one-sided p, its standard error by the permutations).

    Every order of the blocks is as likely where current does nothing; a shift within the pass goes with it, so that
    blocks do not always begin at the same places.
    """
    rng = np.random.default_rng(len(held))  # the same answer each time
    power = sum(float(part.current_a @ part.current_a) for part in held)
    slope = sum(float(part.signal @ part.current_a) for part in held) / power
    drawn = np.zeros(settings.fix_permutations)
    for part in held:
        drawn += _shuffled(part, rng, settings.fix_permutations)
    drawn /= power
    worst = int(np.count_nonzero(worse * drawn >= worse * slope - 1e-15))
    return slope, (1 + worst) / (1 + settings.fix_permutations), float(np.std(drawn))


def _shuffled(part: Held, rng: np.random.Generator, count: int) -> Array:
    """(count,) sums of shuffled signal times current."""
    whole, size = part.blocks, part.block
    if whole < 2:
        return np.full(count, float(part.signal @ part.current_a))
    current = part.current_a[: whole * size].reshape(whole, size)
    rest = part.current_a[whole * size :]
    out = np.empty(count)
    for first in range(
        0, count, _SAME_SHIFT
    ):  # a few orders share one shift, and its products of block with block
        some = min(_SAME_SHIFT, count - first)
        shifted = np.roll(part.signal, int(rng.integers(len(part.signal))))
        products = shifted[: whole * size].reshape(whole, size) @ current.T
        orders = rng.permuted(np.tile(np.arange(whole), (some, 1)), axis=1)
        sums = products[orders, np.arange(whole)].sum(axis=1)
        out[first : first + some] = sums + float(shifted[whole * size :] @ rest)
    return out


def _tested(signal: Signal, worse: float, held: Sequence[Held], settings: VehicleSettings) -> FixSignal:
    slope, p, error = permuted(held, worse, settings)
    orders = math.fsum(math.lgamma(part.blocks + 1) for part in held)
    least = max(1 / (1 + settings.fix_permutations), math.exp(-orders))
    return FixSignal(
        signal,
        Quantity95.spread(100 * slope, 100 * error),
        p,
        least,
        len(held),
        sum(part.blocks for part in held),
    )


def _judged(found: Sequence[FixSignal], settings: VehicleSettings) -> FixLoss:
    """The strongest of the signals, by Holm's bound: its p times how many were looked at."""
    best = min(found, key=lambda item: item.p_value)
    adjusted = min(1.0, best.p_value * len(found))
    once = max(1, int(1 / adjusted))
    what = wording.SIGNALS[best.signal].format(size=abs(best.per_100_a.value))
    passes = wording.whole(best.passes, "pass of one logger", "passes of a logger")
    if adjusted <= settings.fix_strong_p:
        return FixLoss(
            tuple(found), "strong", wording.FIX_STRONG.format(what=what, once=once), wording.TRY_NEXT
        )
    if adjusted <= settings.fix_some_p:
        return FixLoss(tuple(found), "some", wording.FIX_SOME.format(what=what, once=once), wording.TRY_NEXT)
    return FixLoss(tuple(found), "none", wording.FIX_NONE.format(passes=passes))
