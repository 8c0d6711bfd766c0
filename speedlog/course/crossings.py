"""Every crossing of the trap at speed in a drive, whatever is missing or wrong just there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.course.beams import crossing_times
from speedlog.course.drive import Drive
from speedlog.running import running_median
from speedlog.settings import PassSettings

Array = NDArray[np.float64]
_WIDEST_MEDIAN = 51  # rows; more would only cost time


@dataclass(frozen=True)
class Crossing:
    """One drive over the trap.

    Attributes:
        enter_s, leave_s: when it was inside (drive time); the log's own edge where that lies inside.
        entered, left: whether the first and the last beam were really crossed.
        sign: +1 outbound, -1 return.
        speed_mps: rough.
    """

    enter_s: float
    leave_s: float
    entered: bool
    left: bool
    sign: int
    speed_mps: float


def steady_along(drive: Drive, along_m: Array, settings: PassSettings) -> Array:
    """(N,) along without single bad positions, and without holes inside the known ones.

    A running median leaves a steady drive exactly as it is and takes short runs of bad positions away.
    """
    known = np.flatnonzero(np.isfinite(along_m))
    rows = max(min(drive.window(2.0 * settings.smooth_s), _WIDEST_MEDIAN), 5)
    steady = running_median(along_m[known], rows)
    # many bad positions on one side pull the median along: without the farthest it is taken again
    near = (
        np.abs(along_m[known] - steady) < settings.wild_m + 0.5 * settings.smooth_s * drive.speed_mps[known]
    )
    known = known[near] if near.sum() >= 2 else known
    steady = running_median(along_m[known], rows)
    return np.asarray(np.interp(drive.time_s, drive.time_s[known], steady), dtype=float)


def find_crossings(
    drive: Drive,
    along_m: Array,
    across_m: Array,
    trap: tuple[float, float],
    rows: slice,
    settings: PassSettings,
) -> list[Crossing]:
    """The crossings within `rows`, at any speed, in order of time.

    Args:
        drive: the drive.
        along_m, across_m: (N,) its places on the line; along as `steady_along` gives it.
        trap: entry and exit, metres along.
        rows: a stretch of the drive without long holes.
        settings: thresholds.
    """
    along = along_m[rows]
    low, high = np.minimum(along[1:], along[:-1]), np.maximum(along[1:], along[:-1])
    touching = (high >= trap[0]) & (low <= trap[1])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], touching, [False]])))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        visit = slice(rows.start + first, rows.start + last + 1)
        crossing = _crossing(drive, along_m, across_m, trap, visit, rows, settings)
        if crossing is not None:
            found.append(crossing)
    return _joined(found, settings)


def at_speed(crossings: Sequence[Crossing], settings: PassSettings) -> float:
    """The speed from which a crossing is a pass, for one recording's crossings, m/s."""
    fastest = max((item.speed_mps for item in crossings), default=0.0)
    relative = min(settings.crossing_share * fastest, settings.crossing_surely_mps)
    return max(relative, settings.crossing_floor_mps)


def _crossing(
    drive: Drive,
    along_m: Array,
    across_m: Array,
    trap: tuple[float, float],
    visit: slice,
    rows: slice,
    settings: PassSettings,
) -> Crossing | None:
    time, along = drive.time_s[visit], along_m[visit]
    sign = 1 if along[-1] > along[0] else -1
    first_beam, last_beam = trap if sign > 0 else trap[::-1]
    ins, outs = crossing_times(time, along, first_beam), crossing_times(time, along, last_beam)
    at_start, at_end = visit.start == rows.start, visit.stop == rows.stop
    if not (len(ins) or at_start) or not (len(outs) or at_end):
        return None  # went in and came out on the same side
    enter = float(ins[0]) if len(ins) else float(time[0])
    leave = float(outs[-1]) if len(outs) else float(time[-1])
    speed = _speed_over(drive, along_m, (enter, leave), rows, settings)
    around = (drive.time_s >= enter - settings.crossing_around_s) & (
        drive.time_s <= leave + settings.crossing_around_s
    )
    near = across_m[around & np.isfinite(across_m)]
    aside = len(near) > 0 and float(np.median(np.abs(near))) > settings.farthest_across_m
    if speed is None or aside:
        return None
    return Crossing(enter, leave, bool(len(ins)), bool(len(outs)), sign, speed)


def _speed_over(
    drive: Drive, along_m: Array, inside: tuple[float, float], rows: slice, settings: PassSettings
) -> float | None:
    """Speed over the trap from readings and positions together; None where the two tell of no one drive."""
    begin = max(inside[0] - settings.crossing_around_s, float(drive.time_s[rows.start]))
    end = min(inside[1] + settings.crossing_around_s, float(drive.time_s[rows.stop - 1]))
    if end <= begin:
        return None
    places = np.interp([begin, end], drive.time_s, along_m)
    moved = abs(float(places[1] - places[0])) / (end - begin)
    if moved > settings.fastest_mps:
        return None
    near = drive.logged & (drive.time_s >= begin) & (drive.time_s <= end)
    if near.sum() < 3:
        return moved
    reading = float(np.median(drive.speed_mps[near]))
    agree = moved < settings.crossing_agree * max(reading, settings.standing_mps)
    return (
        reading if agree and reading < settings.crossing_agree * max(moved, settings.standing_mps) else None
    )


def _joined(found: Sequence[Crossing], settings: PassSettings) -> list[Crossing]:
    """A crossing that a bad position cut in two is one."""
    joined: list[Crossing] = []
    for item in found:
        last = joined[-1] if joined else None
        if last and last.sign == item.sign and item.enter_s - last.leave_s < settings.same_crossing_s:
            joined[-1] = replace(last, leave_s=item.leave_s, left=item.left)
        else:
            joined.append(item)
    return joined
