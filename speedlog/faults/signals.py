"""What the kinds of fault share: speed without holes, distance, places and noise of a track."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_MAD_TO_SD = 1.4826  # median absolute deviation to standard deviation, normal errors
_SECOND_DIFFERENCE = np.sqrt(6.0)  # sd of v[i-1] - 2 v[i] + v[i+1] for white noise of sd 1


def readings(track: Track) -> Array:
    """(N,) speed as logged, m/s; NaN where missing."""
    return track.samples["speed_mps"].to_numpy(dtype=float)


def column(track: Track, name: str) -> Array:
    return track.samples[name].to_numpy(dtype=float)


def marked(track: Track, fix: str) -> Flags:
    """(N,) rows whose fix is this word."""
    fixes = track.samples["fix"].cat
    return np.asarray(fixes.codes.to_numpy() == fixes.categories.get_loc(fix), dtype=bool)


def bridged_speed(track: Track, bad: Flags | None = None) -> Array:
    """(N,) speed without holes: the readings, bridged; from positions where there are none; else zero.

    Args:
        bad: (N,) rows whose reading must not be used.
    """
    speed = readings(track) if bad is None else np.where(bad, np.nan, readings(track))
    known = np.isfinite(speed)
    if known.sum() >= 2:
        return np.asarray(np.interp(track.time_s, track.time_s[known], speed[known]), dtype=float)
    fresh = np.isfinite(track.along_m) & ~position_repeats(track)
    if fresh.sum() >= 2:
        pace = np.abs(np.gradient(track.along_m[fresh], track.time_s[fresh]))
        return np.asarray(np.interp(track.time_s, track.time_s[fresh], pace), dtype=float)
    return np.zeros(len(track.time_s))


def position_repeats(track: Track) -> Flags:
    """(N,) rows whose position is, to the last digit, that of the row before."""
    lat, lon = column(track, "lat_deg"), column(track, "lon_deg")
    same = np.zeros(len(lat), dtype=bool)
    same[1:] = (lat[1:] == lat[:-1]) & (lon[1:] == lon[:-1])
    return same & np.isfinite(track.along_m)


def void(track: Track) -> Flags:
    """(N,) rows that are no observation: epochs written again whole, marked invalid, or guessed."""
    speed = readings(track)
    same = np.concatenate([[False], speed[1:] == speed[:-1]])
    again = position_repeats(track) & same
    return np.asarray(again | marked(track, "none") | marked(track, "dead_reckoned"), dtype=bool)


def distance(track: Track, bad: Flags | None = None) -> Array:
    """(N,) metres driven since the first row, by the speed; `bad` as in `bridged_speed`."""
    speed, time = bridged_speed(track, bad), track.time_s
    return np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))])


def places(track: Track, bad: Flags | None = None) -> Array:
    """(N,) along at every row: as logged where sound, else carried by the speed between sound ones.

    Args:
        track: the track.
        bad: (N,) rows whose position must not be used, besides the missing ones.

    Returns:
        metres; all NaN when no position is sound.
    """
    sound = np.isfinite(track.along_m) & (True if bad is None else ~bad)
    if not sound.any():
        return np.full(len(track.time_s), np.nan)
    # a stretch of standing has no distance of its own: a nanometre a row keeps the axis increasing
    driven = distance(track) + 1e-9 * np.arange(len(track.time_s))
    at, along = driven[sound], track.along_m[sound]
    filled = np.interp(driven, at, along)
    filled = np.where(driven < at[0], along[0] - track.sign * (at[0] - driven), filled)
    return np.asarray(
        np.where(driven > at[-1], along[-1] + track.sign * (driven - at[-1]), filled), dtype=float
    )


def covered_m(track: Track, start_s: float, end_s: float) -> float:
    """Metres covered between two moments: by positions where they are sound there, else by the speed."""
    known = np.isfinite(track.along_m)
    at = np.searchsorted(track.time_s, [start_s - 1e-9, end_s - 1e-9])
    at = np.minimum(at, len(track.time_s) - 1)
    if known[at].all() and not position_repeats(track)[at].any():
        return float(abs(track.along_m[at[1]] - track.along_m[at[0]]))
    return float(abs(np.diff(np.interp([start_s, end_s], track.time_s, distance(track)))[0]))


def noise(values: Array) -> float:
    """White noise of a series, from its second differences: a steady slope leaves no trace.

    (Median absolute deviation, so that faults in a third of the rows don't matter.)
    """
    known = values[np.isfinite(values)]
    if len(known) < 5:
        return 0.0
    second = np.diff(known, 2)
    return float(_MAD_TO_SD * np.median(np.abs(second)) / _SECOND_DIFFERENCE)


def place_noise(track: Track) -> float:
    """Epoch-to-epoch noise of the positions along the line, one sd, metres."""
    fresh = np.where(position_repeats(track), np.nan, track.along_m)
    return noise(track.sign * fresh - distance(track))


def moving(track: Track, least_mps: float) -> Flags:
    """(N,) rows at which the car moves."""
    return np.asarray(bridged_speed(track) > least_mps)
