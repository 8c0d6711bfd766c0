"""When a drive crosses a place on the line: the two beams of a trap."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def crossing_times(time_s: Array, along_m: Array, at_m: float) -> Array:
    """All times at which along(t), straight between its samples, crosses `at_m`.

    Args:
        time_s: (N,) seconds, increasing.
        along_m: (N,) metres; rows with NaN are bridged.
        at_m: the place of the beam, metres.

    Returns:
        (K,) seconds, increasing; a sample that lies exactly at the place counts once.
    """
    known = np.isfinite(along_m) & np.isfinite(time_s)
    time, offset = np.asarray(time_s, dtype=float)[known], np.asarray(along_m, dtype=float)[known] - at_m
    if len(time) < 2:
        return np.empty(0)
    # a sample exactly at the place takes the side of the one before, so that touching and turning back
    # is no crossing and passing through is one
    side = np.sign(offset)
    first = np.flatnonzero(side)
    if not len(first):
        return np.empty(0)
    last_known = np.maximum.accumulate(np.where(side != 0, np.arange(len(side)), first[0]))
    held = side[last_known]
    left = np.flatnonzero(held[1:] != held[:-1])
    # where samples lay exactly at the place, the crossing is at the first of them
    begin = last_known[left]
    exact = begin < left
    slope = offset[left + 1] - offset[left]
    between = time[left] - offset[left] * (time[left + 1] - time[left]) / np.where(slope == 0, 1.0, slope)
    return np.asarray(np.where(exact, time[begin + 1], between), dtype=float)
