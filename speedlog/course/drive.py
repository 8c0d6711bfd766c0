"""A recording made fit for the search for passes: one clock, positions and one speed without holes.

Nothing here is used for numbers; it only has to find the passes although readings and positions may be
missing, stuck or wild, most of all over the trap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.clock import mend
from speedlog.course.geometry import GEOD
from speedlog.running import running_median
from speedlog.samples import Fix, Recording, valid_positions
from speedlog.settings import PassSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_NS = 1e9
_FEWEST_READINGS = 0.2  # share of rows with a speed, below which positions tell it better


@dataclass(frozen=True, eq=False)
class Drive:
    """(N,) rows in order of time.

    Attributes:
        time_s: seconds since `start`, increasing.
        lat_deg, lon_deg: degrees; NaN without a sound, fresh position.
        speed_mps: without holes: bad and missing readings are bridged.
        logged: where the speed stems from a reading of that row.
        interval_s: the recording's own median interval.
    """

    start: pd.Timestamp
    time_s: Array
    lat_deg: Array
    lon_deg: Array
    speed_mps: Array
    logged: Flags
    interval_s: float

    def at(self, time_s: float) -> pd.Timestamp:
        """A moment on the recording's own clock."""
        return self.start + pd.Timedelta(round(time_s * _NS), unit="ns")

    def window(self, seconds: float) -> int:
        """An odd number of rows that spans `seconds`, three at least."""
        return max(3, 2 * round(seconds / self.interval_s / 2) + 1) if self.interval_s > 0 else 3


def drive_of(recording: Recording, settings: PassSettings) -> Drive | None:
    """The recording as a drive; None when it holds fewer than two sound positions."""
    timeline = mend(recording, settings)
    samples = timeline.samples
    sound = valid_positions(samples)
    if sound.sum() < 2:
        return None
    time_s = (timeline.time_ns - timeline.time_ns[0]) / _NS
    lat = np.where(sound, samples["lat_deg"].to_numpy(dtype=float), np.nan)
    lon = np.where(sound, samples["lon_deg"].to_numpy(dtype=float), np.nan)
    reading = _readings(samples, time_s, settings)
    if np.isfinite(reading).sum() < max(2, _FEWEST_READINGS * sound.sum()):
        reading = _from_positions(time_s, lat, lon, settings)
    logged = np.isfinite(reading)
    if not logged.any():
        return None
    speed = np.interp(time_s, time_s[logged], reading[logged])
    stale = _repeats(lat, lon) & (speed > settings.slow_floor_mps)
    lat[stale], lon[stale] = np.nan, np.nan
    start = pd.Timestamp(int(timeline.time_ns[0]), unit="ns", tz="UTC")
    smooth = max(3, 2 * round(settings.smooth_s / timeline.interval_s / 2) + 1)
    return Drive(start, time_s, lat, lon, median_speed(speed, min(smooth, 25)), logged, timeline.interval_s)


def median_speed(speed: Array, rows: int) -> Array:
    """A running median over an odd number of rows: leaves ramps alone, takes single spikes away."""
    return running_median(speed, rows)


def _readings(samples: pd.DataFrame, time_s: Array, settings: PassSettings) -> Array:
    unsound = samples["fix"].isin([Fix.NONE.value, Fix.DEAD_RECKONED.value]).to_numpy(dtype=bool)
    speed = np.where(unsound, np.nan, samples["speed_mps"].to_numpy(dtype=float))
    return _without_false_stops(speed, time_s, settings)


def _without_false_stops(speed: Array, time_s: Array, settings: PassSettings) -> Array:
    """A run of zeros that the car entered and left faster than any car can is a lost reading, not a stop."""
    known = np.flatnonzero(np.isfinite(speed))
    if len(known) < 3:
        return speed
    value, time = speed[known], time_s[known]
    stopped = value < settings.standing_mps
    starts = np.flatnonzero(stopped[1:] & ~stopped[:-1]) + 1
    ends = np.flatnonzero(stopped[:-1] & ~stopped[1:])
    mended = speed.copy()
    for start in starts:
        following = ends[ends >= start]
        if not len(following):
            break
        end = int(following[0])
        drop = value[start - 1] - value[start] - settings.sudden_mps2 * (time[start] - time[start - 1])
        rise = value[end + 1] - value[end] - settings.sudden_mps2 * (time[end + 1] - time[end])
        if min(drop, rise) > settings.sudden_mps and time[end] - time[start] < settings.hole_s:
            mended[known[start : end + 1]] = np.nan
    return mended


def _from_positions(time_s: Array, lat: Array, lon: Array, settings: PassSettings) -> Array:
    """Speed from positions a second or so apart; NaN where there is none. For logs without a speed."""
    known = np.flatnonzero(np.isfinite(lat))
    time = time_s[known]
    reach = max(1, round(settings.smooth_s / max(float(np.median(np.diff(time))), 1e-3) / 2))
    row = np.arange(len(known))
    first, last = np.maximum(row - reach, 0), np.minimum(row + reach, len(known) - 1)
    a, b = known[first], known[last]
    _, _, metres = GEOD.inv(lon[a], lat[a], lon[b], lat[b])
    speed = np.full(len(time_s), np.nan)
    pace = np.asarray(metres) / np.maximum(time[last] - time[first], 1e-3)
    speed[known] = np.where(pace <= settings.fastest_mps, pace, np.nan)
    return speed


def _repeats(lat: Array, lon: Array) -> Flags:
    """(N,) rows whose position repeats the one before to the last digit."""
    known = np.flatnonzero(np.isfinite(lat))
    same = np.zeros(len(lat), dtype=bool)
    same[known[1:]] = (np.diff(lat[known]) == 0) & (np.diff(lon[known]) == 0)
    return same
