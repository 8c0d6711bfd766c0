"""The passes in a recording of any length.

With a course every crossing of the trap at speed is a pass; without one, every straight drive that
reaches its share of the recording's top speed. A pass runs from the standing before it to the standing
after it; a slow return drive is no part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.bursts import find_bursts
from speedlog.course.coursefile import Course
from speedlog.course.crossings import Crossing, at_speed, find_crossings, steady_along
from speedlog.course.drive import Drive, drive_of
from speedlog.course.geometry import Line, along_across, fit_line
from speedlog.samples import Recording
from speedlog.settings import PassSettings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PassSpan:
    """Where a pass lies in a recording.

    Attributes:
        start, end: on the recording's own clock (of its longest stretch, where the clock stepped).
        line: the course's, or the pass's own fitted line, from its launch point.
        outbound: None without a course.
        heading_deg: of the drive, the azimuth of travel.
        run_up_start: when it left from standing; None where the log starts later.
        trap_entry, trap_exit: when it crossed the beams, roughly; None without a course, or where
            the log starts or ends inside the trap.
        peak_mps: rough.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    line: Line
    outbound: bool | None
    heading_deg: float
    run_up_start: pd.Timestamp | None
    trap_entry: pd.Timestamp | None
    trap_exit: pd.Timestamp | None
    peak_mps: float


def find_passes(
    recording: Recording, course: Course | None = None, settings: PassSettings | None = None
) -> tuple[PassSpan, ...]:
    """The passes in a recording, in order of time; none in one without positions.

    Args:
        recording: any log.
        course: the line and the trap; without it each pass gets its own fitted line.
        settings: thresholds.
    """
    settings = settings or PassSettings()
    drive = drive_of(recording, settings)
    if drive is None:
        return ()
    stretches = _stretches(drive, settings)
    if course is None:
        return _by_speed(drive, stretches, settings)
    return _by_trap(drive, stretches, course, settings)


def _stretches(drive: Drive, settings: PassSettings) -> list[slice]:
    """The drive cut at its long holes."""
    cuts = np.flatnonzero(np.diff(drive.time_s) > settings.hole_s) + 1
    bounds = [0, *cuts.tolist(), len(drive.time_s)]
    return [slice(a, b) for a, b in pairwise(bounds) if b - a >= 2]


def _by_trap(
    drive: Drive, stretches: Sequence[slice], course: Course, settings: PassSettings
) -> tuple[PassSpan, ...]:
    raw, across = along_across(course.line, drive.lat_deg, drive.lon_deg)
    if np.isfinite(raw).sum() < 2:
        return ()
    along = steady_along(drive, raw, settings)
    trap = (course.entry_m, course.exit_m)
    found = [(rows, find_crossings(drive, along, across, trap, rows, settings)) for rows in stretches]
    enough = at_speed([item for _, items in found for item in items], settings)
    spans = []
    for rows, items in found:
        fast = [item for item in items if item.speed_mps >= enough]
        cores = [_rows_of(drive, item, rows) for item in fast]
        for core, item, share in zip(cores, fast, _shares(drive, cores, rows), strict=True):
            spans.append(_trap_span(drive, along, course, item, core, share, settings))
    return tuple(spans)


def _trap_span(
    drive: Drive,
    along: Array,
    course: Course,
    item: Crossing,
    core: slice,
    share: slice,
    settings: PassSettings,
) -> PassSpan:
    limits = _limits(drive, item.sign * along, core, share, settings)
    travel = _fitted(drive, limits.rows, settings)
    bearing = course.line.heading_deg + (0.0 if item.sign > 0 else 180.0)
    return PassSpan(
        start=drive.at(limits.start_s),
        end=drive.at(limits.end_s),
        line=course.line,
        outbound=item.sign > 0,
        heading_deg=(travel.heading_deg if travel else bearing) % 360.0,
        run_up_start=None if limits.launch_s is None else drive.at(limits.launch_s),
        trap_entry=drive.at(item.enter_s) if item.entered else None,
        trap_exit=drive.at(item.leave_s) if item.left else None,
        peak_mps=float(drive.speed_mps[limits.rows].max()),
    )


def _by_speed(drive: Drive, stretches: list[slice], settings: PassSettings) -> tuple[PassSpan, ...]:
    spans = []
    cores = find_bursts(drive, stretches, settings)
    for rows in stretches:
        here = [core for core in cores if rows.start <= core.start < rows.stop]
        for core, share in zip(here, _shares(drive, here, rows), strict=True):
            line = _fitted(drive, core, settings)
            if line is None:
                continue
            raw = np.full(len(drive.time_s), np.nan)
            raw[share], _ = along_across(line, drive.lat_deg[share], drive.lon_deg[share])
            limits = _limits(drive, steady_along(drive, raw, settings), core, share, settings)
            line = _fitted(drive, core, settings, launch=_launch_point(drive, limits)) or line
            spans.append(
                PassSpan(
                    start=drive.at(limits.start_s),
                    end=drive.at(limits.end_s),
                    line=line,
                    outbound=None,
                    heading_deg=line.heading_deg,
                    run_up_start=None if limits.launch_s is None else drive.at(limits.launch_s),
                    trap_entry=None,
                    trap_exit=None,
                    peak_mps=float(drive.speed_mps[limits.rows].max()),
                )
            )
    return tuple(spans)


def _rows_of(drive: Drive, item: Crossing, rows: slice) -> slice:
    """The rows inside a crossing; the last one before it where none is: a log may stop there until the car stands."""
    first = int(np.searchsorted(drive.time_s, item.enter_s))
    last = int(np.searchsorted(drive.time_s, item.leave_s, side="right"))
    if last <= first:
        first -= 1
    first = min(max(first, rows.start), rows.stop - 1)
    return slice(first, min(max(last, first + 1), rows.stop))


def _shares(drive: Drive, cores: Sequence[slice], rows: slice) -> list[slice]:
    """The stretch divided among its passes, at the slowest moment between two."""
    if not cores:
        return []
    bounds = [rows.start]
    for one, other in pairwise(cores):
        between = slice(min(one.stop, other.start), max(other.start, one.stop) + 1)
        bounds.append(between.start + int(np.argmin(drive.speed_mps[between])))
    bounds.append(rows.stop)
    return [slice(a, max(b, a + 1)) for a, b in pairwise(bounds)]


@dataclass(frozen=True)
class _Limits:
    start_s: float
    end_s: float
    launch_s: float | None
    rows: slice


def _limits(drive: Drive, progress: Array, core: slice, share: slice, settings: PassSettings) -> _Limits:
    """How far a pass reaches on both sides of its core.

    Args:
        progress: (N,) metres along, rising in the sense of travel.
        core: rows that surely belong to the pass.
        share: rows that may belong to it.
    """
    after = slice(core.stop - 1, share.stop)
    before = slice(share.start, core.start + 1)
    peak = float(drive.speed_mps[core].max())
    end_s, _ = _end(drive.time_s[after], drive.speed_mps[after], progress[after], peak, settings)
    # the same question backwards in time, with the car driving backwards
    mirrored, stood_s = _end(
        -drive.time_s[before][::-1], drive.speed_mps[before][::-1], -progress[before][::-1], peak, settings
    )
    start_s = -mirrored
    first = int(np.searchsorted(drive.time_s, start_s - 1e-9))
    last = int(np.searchsorted(drive.time_s, end_s + 1e-9))
    return _Limits(start_s, end_s, None if stood_s is None else -stood_s, slice(first, max(last, first + 1)))


def _end(
    time: Array, speed: Array, progress: Array, peak: float, settings: PassSettings
) -> tuple[float, float | None]:
    """When a pass ends that is under way at the first row; and when it stood, if that ends it."""
    last = float(time[-1])
    ends = [last]
    stood_s = None
    stood = np.flatnonzero(speed < settings.standing_mps)
    if len(stood):
        stood_s = float(time[stood[0]])
        ends.append(stood_s + settings.standing_kept_s)
    slow_mps = max(settings.slow_floor_mps, settings.slow_share * peak)
    slow = np.concatenate([[False], speed < slow_mps, [False]])
    edges = np.flatnonzero(np.diff(slow))
    for begin, stop in zip(edges[::2], edges[1::2], strict=True):
        if time[stop - 1] - time[begin] > settings.slow_kept_s:
            ends.append(float(time[begin]) + settings.slow_kept_s)
            break
    farthest = np.maximum.accumulate(progress)
    back = np.flatnonzero(farthest - progress > settings.turned_back_m)
    if len(back):
        ends.append(float(time[int(np.argmax(progress[: back[0]]))]))
    end = min(min(ends), last)
    return end, stood_s if stood_s is not None and stood_s <= end else None


def _fitted(
    drive: Drive, rows: slice, settings: PassSettings, launch: tuple[float, float] | None = None
) -> Line | None:
    """The line through the fast part of these rows; None where there is none."""
    speed = drive.speed_mps[rows]
    fast = speed >= settings.valley_share * float(speed.max())
    try:
        return fit_line(drive.lat_deg[rows][fast], drive.lon_deg[rows][fast], start=launch)
    except ValueError:
        return None


def _launch_point(drive: Drive, limits: _Limits) -> tuple[float, float] | None:
    """Where the car stood before it left, the median of its last second there; else its first known place."""
    lat, lon = drive.lat_deg[limits.rows], drive.lon_deg[limits.rows]
    known = np.isfinite(lat)
    if not known.any():
        return None
    if limits.launch_s is not None:
        stood = known & (drive.time_s[limits.rows] <= limits.launch_s + 1e-9)
        if stood.any():
            return float(np.median(lat[stood])), float(np.median(lon[stood]))
    first = int(np.flatnonzero(known)[0])
    return float(lat[first]), float(lon[first])
