"""How far the car needs to a stand, by its own logged braking, against the runway's end.

From a speed at the trap's exit the car rolls on for the time t that passes between exit and brake, and then
decelerates at a: d = v t + v² / 2a. Both are this car's own: of each pass, a is v² / 2d over the braked stretch
down to a crawl. Nothing here says that a distance is enough.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from speedlog.results import Pass, Trace
from speedlog.results_car import Stopping
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings

_CRAWL = 0.15  # of the speed at the brake: below it a car is let roll, and a reading's noise is a large share


@dataclass(frozen=True)
class Braking:
    """One pass: from the trap's exit (the fastest moment without one) to the brake, and how hard it braked."""

    roll_s: float
    decel_mps2: float
    decel_u_mps2: float
    from_mps: float


def braking(found: Pass, settings: ForecastSettings) -> Braking | None:
    """How a pass was braked; None where its log doesn't show a whole shutdown."""
    trace = found.trace
    if trace is None or len(trace.time_s) < 10:
        return None
    top = int(np.argmax(trace.speed_mps))
    after = slice(top, None)
    time, speed, accel = trace.time_s[after], trace.speed_mps[after], trace.accel_mps2[after]
    crawling = np.flatnonzero(speed < _CRAWL * speed[0])
    if not len(crawling):
        return None
    hardest = float(-np.min(accel[: crawling[0] + 1]))
    if hardest < settings.braking_mps2:
        return None
    on = int(np.argmax(accel <= -0.8 * hardest))
    end = int(crawling[0])
    if end <= on + 3:
        return None
    gone = float(np.trapezoid(speed[on : end + 1], time[on : end + 1]))
    decel = float((speed[on] ** 2 - speed[end] ** 2) / (2 * gone))
    noise = float(np.std(accel[on:end])) / math.sqrt(end - on)
    return Braking(
        max(float(time[on]) - _exit_s(found, trace, float(time[0])), 0.0), decel, noise, float(speed[on])
    )


def _exit_s(found: Pass, trace: Trace, peak_s: float) -> float:
    """When the trap was left; the fastest moment without a trap."""
    if found.trap is None:
        return peak_s
    beam = found.trap.entry_m if found.outbound is False else found.trap.exit_m
    gone = trace.along_m >= beam if found.outbound is not False else trace.along_m <= beam
    return float(trace.time_s[int(np.argmax(gone))]) if gone.any() else peak_s


def stopping(
    passes: Sequence[Braking], exit_mps: Quantity95, room_m: float | None, settings: ForecastSettings
) -> Stopping:
    """The distance from the trap's exit at a speed to a stand.

    Args:
        passes: how this car was braked; of one and of several passes.
        exit_mps: speed at the trap's exit. room_m: from there to the runway's end; None if not given.
    """
    if not passes:
        return Stopping(room_m=room_m, why_not={"": "no pass shows a whole braking from speed to a stand"})
    decels = np.array([item.decel_mps2 for item in passes])
    rolls = np.array([item.roll_s for item in passes])
    count = len(passes)
    mean, roll = float(decels.mean()), float(rolls.mean())
    decel_u = math.hypot(
        _next(decels, settings.braking_spread * mean, settings), max(item.decel_u_mps2 for item in passes)
    )
    roll_u = _next(rolls, settings.reaction_u_s, settings)
    v = exit_mps.value
    distance = v * roll + v * v / (2 * mean)
    u = math.sqrt(
        ((roll + v / mean) * exit_mps.standard_u) ** 2 + (v * roll_u) ** 2 + (v * v / (2 * mean) * decel_u / mean) ** 2
    )  # fmt: skip
    times = float(stdtrit(settings.usual_weight + count - 1, 0.975))
    found = Quantity95.spread(distance, u, times=times)
    found = replace(found, low=max(found.low, 0.0))
    return Stopping(
        distance_m=found, deceleration_mps2=Quantity95.spread(mean, decel_u, times=times), room_m=room_m,
        fits=None if room_m is None else bool(found.high <= room_m),
    )  # fmt: skip


def _next(values: np.ndarray, usual: float, settings: ForecastSettings) -> float:
    """Standard uncertainty of the next of a driver's values about the mean of those seen.

    The scatter of two or three is pooled with the usual one, which weighs as so many degrees of freedom; the
    interval is then Student's with the sum of both.
    """
    count = len(values)
    own = float(values.var(ddof=1)) * (count - 1) if count > 1 else 0.0
    pooled = (settings.usual_weight * usual**2 + own) / (settings.usual_weight + count - 1)
    return math.sqrt(pooled * (1 + 1 / count))
