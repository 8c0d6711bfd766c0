"""Places brought to the time of a speed that its receiver smooths, so that the two can be held together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.signals import bridged_speed, distance, readings
from speedlog.running import running_median
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
_ROUNDS = 5  # re-weighting settles
_SECOND = 1.0  # long enough for the speed to change by more than its noise


def undelayed(track: Track, place_m: Array, settings: FaultSettings) -> tuple[Array, Rows]:
    """Places as late as the speed is, and whose they are.

    With the speed late by L, places gain on the distance by speed by L times what the speed gains: L is the
    slope of one against the other over a second (a filter and a pure delay look alike here). Each row then
    takes the place of the row nearest to L earlier, so that a single bad place stays single.

    Returns:
        (N,) metres, NaN where not known; (N,) the rows that the places come from.
    """
    speed, every = readings(track), np.arange(len(place_m))
    ahead, later = place_m - distance(track), max(round(_SECOND / track.interval_s), 1)
    gained, ran_ahead = speed[later:] - speed[:-later], ahead[later:] - ahead[:-later]
    ok = np.isfinite(gained) & np.isfinite(ran_ahead)
    if ok.sum() < settings.outlier_lag_rows:
        return place_m, every
    lag = _slope(gained[ok], ran_ahead[ok])
    if lag < settings.outlier_lag_s:
        return place_m, every
    then = track.time_s - lag
    after = np.clip(np.searchsorted(track.time_s, then), 1, len(every) - 1)
    from_row = np.where(then - track.time_s[after - 1] < track.time_s[after] - then, after - 1, after)
    rest_s = track.time_s[from_row] - then
    steady = running_median(bridged_speed(track), settings.outlier_longest + 1)
    near = np.abs(rest_s) < track.interval_s
    return np.where(near, place_m[from_row] - rest_s * steady[from_row], np.nan), from_row


def _slope(x: Array, y: Array) -> float:
    """Slope of a line, misfits weighed down (Huber)."""
    weight = np.ones(len(x))
    slope = 0.0
    for _ in range(_ROUNDS):
        mx, my = np.average(x, weights=weight), np.average(y, weights=weight)
        slope = float(np.sum(weight * (x - mx) * (y - my)) / max(float(np.sum(weight * (x - mx) ** 2)), 1e-9))
        misfit = np.abs(y - my - slope * (x - mx))
        limit = 1.5 * max(float(np.median(misfit)) / 0.6745, 1e-3)
        weight = np.minimum(1.0, limit / np.maximum(misfit, 1e-9))
    return slope
