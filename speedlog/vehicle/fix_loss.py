"""Whether reception gets worse when the motor draws current: a permutation test over this and earlier passes.

Speed is held: run-up and shutdown pass the same speeds with and without current, so the current is taken about its
own line on speed, pass by pass. Samples go together in time, so they are not shuffled one by one: the signal of a
pass is shifted round as a whole against the current, by any time, and run backwards in half of the draws. That cuts it
into two blocks at most and leaves how it wanders as it is. (Shuffled blocks of two seconds called 20 clean seasons in
100 odd on simulated passes with signals that wander over a second; this calls 4 to 8.)
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
from speedlog.results_car import FixLoss, FixSignal
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.log import CarLog, car_log, correlation_factor

Array = NDArray[np.float64]
Signal = Literal["cn0_dbhz", "satellites", "hdop"]
_WORSE: tuple[tuple[Signal, float], ...] = (("cn0_dbhz", -1.0), ("satellites", -1.0), ("hdop", 1.0))


@dataclass(frozen=True, eq=False)
class Held:
    """One pass's signal about its mean, and current about its line on speed: (N,).

    `blocks`: how many stretches of it tell something of their own.
    """

    signal: Array
    current_a: Array
    blocks: int


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
    """Current about its straight line on speed; so the signal's own line on speed drops out of their product.

    Args:
        time, signal, current, speed: (N,), in order of time.
    """
    line = np.column_stack([np.ones(len(speed)), speed])
    amps = current - line @ np.linalg.lstsq(line, current, rcond=None)[0]
    left = signal - line @ np.linalg.lstsq(line, signal, rcond=None)[0]
    step = float(np.median(np.diff(time)))
    alike = step * correlation_factor(left) if float(np.ptp(left)) > 0 else 0.0
    blocks = int(len(signal) * step / max(settings.fix_block_s, alike))
    return Held(signal - signal.mean(), amps, blocks)


def permuted(held: Sequence[Held], worse: float, settings: VehicleSettings) -> tuple[float, float, float]:
    """(slope per A, one-sided p, its standard error by the permutations)."""
    rng = np.random.default_rng(len(held))  # the same answer each time
    power = sum(float(part.current_a @ part.current_a) for part in held)
    slope = sum(float(part.signal @ part.current_a) for part in held) / power
    drawn = sum(_shifted(part, rng, settings.fix_permutations) for part in held) / power
    worst = int(np.count_nonzero(worse * drawn >= worse * slope - 1e-15))
    return slope, (1 + worst) / (1 + settings.fix_permutations), float(np.std(drawn))


def _shifted(part: Held, rng: np.random.Generator, count: int) -> Array:
    """(count,) sums of the signal, shifted round and maybe backwards, times current; by Fourier transforms."""
    size = len(part.signal)
    current = np.fft.rfft(part.current_a)
    ways = np.stack([
        np.fft.irfft(np.conj(np.fft.rfft(signal)) * current, size) for signal in (part.signal, part.signal[::-1])
    ])  # fmt: skip
    return np.asarray(ways[rng.integers(2, size=count), rng.integers(size, size=count)])


def _tested(signal: Signal, worse: float, held: Sequence[Held], settings: VehicleSettings) -> FixSignal:
    slope, p, error = permuted(held, worse, settings)
    ways = math.fsum(math.log(2 * max(part.blocks, 1)) for part in held)
    least = max(1 / (1 + settings.fix_permutations), math.exp(-ways))
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
