"""Without a course: the straight, fast drives in a recording, by speed alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.drive import Drive
from speedlog.course.geometry import GEOD
from speedlog.settings import PassSettings

Array = NDArray[np.float64]


def find_bursts(drive: Drive, stretches: list[slice], settings: PassSettings) -> list[slice]:
    """Rows of each straight drive that reaches its share of the recording's top speed, in order of time."""
    top = max((float(drive.speed_mps[rows].max()) for rows in stretches), default=0.0)
    enough = max(settings.peak_floor_mps, settings.peak_share * top)
    heading = _heading(drive, settings)
    found: list[slice] = []
    for rows in stretches:
        fast = drive.speed_mps[rows] >= settings.valley_share * top
        edges = np.flatnonzero(np.diff(np.concatenate([[False], fast, [False]])))
        todo = [slice(rows.start + a, rows.start + b) for a, b in zip(edges[::2], edges[1::2], strict=True)]
        while todo:
            part = todo.pop()
            if part.stop - part.start < 2 or drive.speed_mps[part].max() < enough:
                continue
            straight = _straight_part(drive, heading, part, settings)
            if straight.stop - straight.start >= 2:
                found.append(straight)
            # what lies before and after a turn taken at speed may be a drive of its own
            todo += [slice(part.start, straight.start), slice(straight.stop, part.stop)]
    return sorted(found, key=lambda rows: rows.start)


def _straight_part(drive: Drive, heading: Array, part: slice, settings: PassSettings) -> slice:
    """The rows round the fastest moment on which the drive keeps its heading."""
    peak = part.start + int(np.argmax(drive.speed_mps[part]))
    turn = np.abs((heading[part] - heading[peak] + 180.0) % 360.0 - 180.0)
    off = turn > settings.turned_deg
    begin, end = part.start, part.stop
    edges = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]])))
    for first, last in zip(part.start + edges[::2], part.start + edges[1::2] - 1, strict=True):
        if drive.time_s[last] - drive.time_s[first] < settings.turned_for_s and last + 1 < part.stop:
            continue
        if last < peak:
            begin = max(begin, int(last) + 1)
        elif first > peak:
            end = min(end, int(first))
    return slice(begin, end)


def _heading(drive: Drive, settings: PassSettings) -> Array:
    """(N,) direction of travel from positions a second or so apart, degrees."""
    known = np.flatnonzero(np.isfinite(drive.lat_deg))
    row = np.arange(len(known))
    reach = max(1, drive.window(settings.smooth_s) // 2)
    a, b = known[np.maximum(row - reach, 0)], known[np.minimum(row + reach, len(known) - 1)]
    azimuth, _, _ = GEOD.inv(drive.lon_deg[a], drive.lat_deg[a], drive.lon_deg[b], drive.lat_deg[b])
    turn = np.unwrap(np.radians(np.asarray(azimuth)))
    return np.asarray(np.degrees(np.interp(drive.time_s, drive.time_s[known], turn)), dtype=float)
