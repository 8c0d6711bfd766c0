"""Runs of wrong speeds by their two edges: a jump away, a jump back, and positions that know nothing of it.

Tells longer runs than neighbours' slopes can (`outlier`): edges stay sharp however long the run is, and the
distance by speed goes wrong by the size of the error times the length of the run.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.signals import distance, noise, place_noise, position_repeats, readings
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_SIDE = 4  # rows that a slope beside an edge is taken from


def wrong_between_edges(track: Track, sound: Flags, settings: FaultSettings) -> tuple[Flags, Array]:
    """(N,) further speed readings that are wrong, and by how much, m/s.

    Args:
        track: the track.
        sound: (N,) rows that are not known to be wrong already.
        settings: thresholds.
    """
    speed = readings(track)
    flags, off = np.zeros(len(speed), dtype=bool), np.zeros(len(speed))
    fresh = np.where(position_repeats(track), np.nan, track.along_m)
    # along less the distance by speed: a step in it is a stretch of wrong speed
    rest = track.sign * fresh - distance(track)
    doubt_m = settings.edge_place_sd * np.sqrt(2.0) * max(place_noise(track), settings.flat_place_m)
    for length in range(1, settings.edge_longest + 1):
        known = np.flatnonzero(np.isfinite(speed) & sound & ~flags)
        for run, error_mps, way_m, sharp in _sharp_runs(track.time_s[known], speed[known], length, settings):
            rows = known[run]
            if flags[rows].any():
                continue
            verdict = _positions_say(way_m, _step(rest, int(rows[0]), int(rows[-1])), doubt_m)
            if verdict > 0 or (verdict == 0 and sharp):
                flags[rows], off[rows] = True, error_mps
    return flags, off


def _sharp_runs(
    time: Array, value: Array, length: int, settings: FaultSettings
) -> Iterator[tuple[NDArray[np.intp], float, float, bool]]:
    """Runs of `length` rows between two opposite jumps that no pull explains.

    Yields:
        rows of the run, its mean error (m/s), how far the distance by speed goes wrong by it (m), and
        whether the jumps are sharp enough to count without any help from positions.
    """
    first = np.arange(_SIDE, len(value) - _SIDE - length + 1)
    if not len(first):
        return
    last = first + length - 1
    pull = (value[first - 1] - value[first - _SIDE]) / (time[first - 1] - time[first - _SIDE])
    then = (value[last + _SIDE] - value[last + 1]) / (time[last + _SIDE] - time[last + 1])
    low, high = np.minimum(np.minimum(pull, then), 0.0), np.maximum(np.maximum(pull, then), 0.0)
    into = _beyond(value[first] - value[first - 1], time[first] - time[first - 1], low, high)
    out = _beyond(value[last + 1] - value[last], time[last + 1] - time[last], low, high)
    jump = np.where(into * out < 0, np.minimum(np.abs(into), np.abs(out)), 0.0)
    least = max(settings.outlier_speed_mps, settings.outlier_noise * noise(value))
    step_s = np.maximum(time[first] - time[first - 1], time[last + 1] - time[last])
    for at in np.flatnonzero(jump > least):
        run = np.arange(first[at], last[at] + 1)
        ends = [run[0] - 1, run[-1] + 1]
        error = value[run] - np.interp(time[run], time[ends], value[ends])
        if np.any(error * np.sign(into[at]) < 0.5 * least):
            continue
        whole = np.concatenate([[0.0], error, [0.0]])
        way = float(np.trapezoid(whole, time[ends[0] : ends[1] + 1]))
        yield run, float(error.mean()), way, bool(jump[at] > least + settings.outlier_accel_mps2 * step_s[at])


def _beyond(jump: Array, step_s: Array, low: Array, high: Array) -> Array:
    """By how much a jump goes beyond what accelerations from `low` to `high` can do in the time."""
    return np.asarray(np.maximum(jump - high * step_s, 0.0) + np.minimum(jump - low * step_s, 0.0))


def _step(rest: Array, first: int, last: int) -> float:
    """The step over rows first..last, from three rows on each side; NaN where positions are missing."""
    before, after = rest[max(first - 3, 0) : first], rest[last + 1 : last + 4]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    return float(np.median(after) - np.median(before)) if len(before) and len(after) else float("nan")


def _positions_say(too_far_m: float, seen_m: float, doubt_m: float) -> int:
    """+1: the run is wrong; -1: it is true; 0: positions are missing or too noisy to tell."""
    if not np.isfinite(seen_m) or abs(too_far_m) < doubt_m:
        return 0
    share = -seen_m / too_far_m
    return 1 if 0.5 < share < 1.6 else -1 if abs(share) < 0.3 else 0
