"""Short runs of readings or positions that the rows around them speak against.

Speeds, and places along the line where there is a speed to hold them against, are weighed by `steps`. Places
across the line, and all places of a log without speed, are held against what the rows on both sides foretell:
only a value beyond both is an outlier, so that a true turn or peak stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults import poor_fix
from speedlog.faults.coverage import inside
from speedlog.faults.signals import noise, position_repeats, readings
from speedlog.faults.spans import Concerns, Span, duration, metres, runs
from speedlog.faults.steps import Steps, wrong_steps
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings

KIND: FaultKind = "outlier"
Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
# a ceiling must know them as well: each track is searched once
_TOLD: WeakKeyDictionary[Track, _Found] = WeakKeyDictionary()
_MOST_ROUNDS = 6  # one outlier can hide its neighbour until it is taken out


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Short runs of wrong speeds or wrong positions."""
    if track.kind == "wheel":
        return []
    speed, speed_off = wrong_speed(track, settings)
    place, place_off = wrong_place(track, settings)
    found = []
    for first, last in runs(speed | place):
        rows = slice(first, last + 1)
        words = []
        if speed[rows].any():
            off = _largest(speed_off[rows])
            words.append(
                f"a speed {abs(off):.1f} m/s {'above' if off > 0 else 'below'} its neighbours on both sides"
            )
        if place[rows].any():
            words.append(f"a position {metres(abs(_largest(place_off[rows])))} off the path on both sides")
        concerns: Concerns = "both" if len(words) == 2 else "speed" if speed[rows].any() else "position"
        start, end = float(track.time_s[first]), float(track.time_s[last])
        lasted = f" for {duration(end - start + track.interval_s)}" if last > first else ""
        found.append(Span(KIND, start, end, " and ".join(words) + lasted, concerns))
    return found


@dataclass(frozen=True)
class _Allowed:
    """How far a sound value may lie from what its neighbours foretell.

    Attributes:
        least: at any rate, in units of the value.
        per_s, per_s2: more for every second (squared) to the nearest neighbour.
        sloping: the neighbours' slope is drawn on; else their level.
    """

    least: float
    per_s: float
    per_s2: float
    sloping: bool

    def over(self, seconds: Array) -> Array:
        return np.asarray(self.least + self.per_s * seconds + self.per_s2 * seconds**2)


@dataclass(frozen=True, eq=False)
class _Found:
    """What a search of a track found, under which settings: (N,) rows and errors."""

    settings: FaultSettings
    poor: Flags
    steps: Steps
    aside: Flags
    aside_m: Array


def wrong_speed(track: Track, settings: FaultSettings) -> tuple[Flags, Array]:
    """(N,) which speed readings are outliers, and by how much, m/s."""
    steps = _search(track, settings).steps
    return steps.wrong["speed"], steps.off["speed"]


def scattered(track: Track, settings: FaultSettings) -> Flags:
    """(N,) readings that say nothing of the highest speed: outliers, and all of a poor fix."""
    found = _search(track, settings)
    return np.asarray(found.poor | found.steps.wrong["speed"])


def wrong_place(track: Track, settings: FaultSettings) -> tuple[Flags, Array]:
    """(N,) which positions are outliers, along the line or across it, and by how much, metres."""
    found = _search(track, settings)
    along, ahead = found.steps.wrong["place"], found.steps.off["place"]
    if not _has_speed(track):
        fresh = np.where(position_repeats(track), np.nan, track.along_m)
        along, ahead = _off_path(track, fresh, settings, sloping=True)
    return found.aside | along, np.where(np.abs(ahead) > np.abs(found.aside_m), ahead, found.aside_m)


def _search(track: Track, settings: FaultSettings) -> _Found:
    """Steps along the line, and what lies off the path across it."""
    told = _TOLD.get(track)
    if told is None or told.settings != settings:
        # a poor fix lets places wander, and is told as such
        poor = inside(track, poor_fix.find(track, settings), frozenset({"poor_fix"}))
        fresh = np.isfinite(track.along_m) & ~position_repeats(track)
        across = np.where(fresh & ~poor, track.across_m, np.nan)
        aside, by = _off_path(track, across, settings, sloping=False)
        steps = wrong_steps(track, fresh & ~aside, poor, settings)
        told = _TOLD[track] = _Found(settings, poor, steps, aside, by)
    return told


def _has_speed(track: Track) -> bool:
    places = np.isfinite(track.along_m) & ~position_repeats(track)
    return bool(np.isfinite(readings(track)).sum() > places.sum() / 2)


def _off_path(track: Track, values: Array, settings: FaultSettings, *, sloping: bool) -> tuple[Flags, Array]:
    least = max(settings.outlier_place_m, settings.outlier_place_sd * noise(values))
    allowed = _Allowed(least, settings.outlier_place_mps, settings.outlier_accel_mps2, sloping)
    return _wrong(track.time_s, values, allowed, settings)


def _wrong(time_s: Array, values: Array, allowed: _Allowed, settings: FaultSettings) -> tuple[Flags, Array]:
    """Values beyond what the rows before and the rows after them foretell, both, on the same side."""
    flags, off = np.zeros(len(values), dtype=bool), np.zeros(len(values))
    for _ in range(_MOST_ROUNDS):
        for length in settings.outlier_rows:
            # rows already found wrong are no neighbours to be judged by
            known = np.flatnonzero(np.isfinite(values) & ~flags)
            hits, misfits = _runs_beyond(time_s[known], values[known], length, allowed, settings)
            if len(hits):
                flags[known[hits]] = True
                off[known[hits]] = misfits
                break
        else:
            break
    return flags, off


def _runs_beyond(
    time: Array, value: Array, length: int, allowed: _Allowed, settings: FaultSettings
) -> tuple[NDArray[np.intp], Array]:
    """(K, L) rows of each run of `length` wrong values, and by how much each is wrong."""
    side = settings.outlier_side_rows
    if len(value) < 2 * side + length:
        return np.empty((0, length), dtype=np.intp), np.empty((0, length))
    starts = np.arange(side, len(value) - side - length + 1)
    rows = starts[:, None] + np.arange(length)
    before = _foretold(time, value, starts - side, side, time[rows], allowed.sloping)
    after = _foretold(time, value, starts + length, side, time[rows], allowed.sloping)
    by_before = (value[rows] - before) / allowed.over(time[rows] - time[starts - 1][:, None])
    by_after = (value[rows] - after) / allowed.over(time[starts + length][:, None] - time[rows])
    # a short flat top between steep flanks lies below both of them drawn on, and is true all the same: an
    # outlier sticks out from its next neighbours' level too
    nearest = np.sort(np.column_stack([value[starts - 1], value[starts + length]]), axis=1)
    high = (by_before > 1) & (by_after > 1) & (value[rows] > nearest[:, 1:] + allowed.least)
    low = (by_before < -1) & (by_after < -1) & (value[rows] < nearest[:, :1] - allowed.least)
    hit = high.all(axis=1) | low.all(axis=1)
    return rows[hit], (value[rows] - 0.5 * (before + after))[hit]


def _foretold(
    time: Array, value: Array, first: NDArray[np.intp], side: int, at: Array, sloping: bool
) -> Array:
    """(K, L) what `side` rows from `first` on foretell at the times `at`: a median line, or a median level.

    The median of the slopes between all pairs (Theil 1950, Sen 1968) bears one bad row among four.
    """
    times, values = sliding_window_view(time, side)[first], sliding_window_view(value, side)[first]
    if not sloping:
        return np.repeat(np.median(values, axis=1)[:, None], at.shape[1], axis=1)
    one, other = np.triu_indices(side, 1)
    slope = np.median((values[:, other] - values[:, one]) / (times[:, other] - times[:, one]), axis=1)
    level = np.median(values - slope[:, None] * (times - times[:, :1]), axis=1)
    return np.asarray(level[:, None] + slope[:, None] * (at - times[:, :1]))


def _largest(values: Array) -> float:
    return float(values[int(np.argmax(np.abs(values)))])
