"""The longest believable chain of a logger's readings: where to begin when some of them are wild.

Between two neighbouring readings a car can change its speed, or its place, only so far. Where
a step is larger, one side of it is wild. The chain is the set of unbroken runs that fit one after the
other and hold most readings (longest path over the runs, by dynamic programming). It is only where
the estimate begins: readings left out come back with full weight where the motion bears them out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import GnssSource, Noise
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def believable(source: GnssSource, noise: Noise, settings: FusionSettings) -> tuple[Mask, Mask]:
    """(speeds, places): (n,) over the usable speeds, and over the usable places, of a logger."""
    speed_ok, place_ok = source.speed_ok, source.place_ok
    time, speed = source.time_s[speed_ok], source.speed_mps[speed_ok]
    most, sure = settings.sudden_mps2, settings.wild_sds
    speeds = longest_chain(time, speed, np.full(len(time), sure * noise.speed_mps), most)
    place_time, place = source.time_s[place_ok], source.travel_m[place_ok]
    if speeds.sum() < 2:
        return speeds, np.ones(len(place), dtype=bool)
    run = np.concatenate([[0.0], np.cumsum(np.diff(time[speeds]) * _middles(speed[speeds]))])
    error = place - np.interp(place_time, time[speeds], run)
    limit = np.full(len(place), settings.wild_step_m + sure * noise.place_m)
    return speeds, longest_chain(place_time, error, limit, settings.wild_place_mps)


def _middles(values: Array) -> Array:
    return np.asarray((values[1:] + values[:-1]) / 2)


def longest_chain(time_s: Array, values: Array, limit: Array, most_per_s: float) -> Mask:
    """(n,) readings of the heaviest chain of runs.

    Args:
        limit: (n,) by which two neighbouring values may differ whatever the time between them.
        most_per_s: how fast the value can change.
    """
    count = len(values)
    if count < 3:
        return np.ones(count, dtype=bool)
    allowed = np.maximum(limit[1:], limit[:-1]) + most_per_s * np.diff(time_s)
    edges = np.flatnonzero(np.abs(np.diff(values)) > allowed) + 1
    if not len(edges) or len(edges) > _MOST_EDGES:
        return np.ones(count, dtype=bool)
    first, last = np.concatenate([[0], edges]), np.concatenate([edges - 1, [count - 1]])
    weight, before = (last - first + 1).astype(float), np.full(len(first), -1)
    for i in range(1, len(first)):
        gone = time_s[first[i]] - time_s[last[:i]]
        fits = np.abs(values[first[i]] - values[last[:i]]) <= limit[first[i]] + most_per_s * gone
        if fits.any():
            best = int(np.argmax(np.where(fits, weight[:i], -1.0)))
            weight[i], before[i] = weight[i] + weight[best], best
    chosen, at = np.zeros(count, dtype=bool), int(np.argmax(weight))
    while at >= 0:
        chosen[first[at] : last[at] + 1] = True
        at = int(before[at])
    return chosen


_MOST_EDGES = 200  # a log that jumps so often holds no chain to speak of
