"""How a log writes its speed: in what steps, and in which rows it is new.

A controller's or a phone's table may be written faster than its speed is renewed. A row that only repeats
the last speed is no reading: its neighbours speak against it by a whole renewal's pull, and it is right
all the same. So speeds are judged in the rows where they are new.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.spans import Span
from speedlog.settings import FaultSettings
from speedlog.units import find_unit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_FINEST_STEP = 1e-9  # below this the difference of two values is arithmetic, not text
_PLACES = 6  # digits after the point; no log writes a speed finer
_ON_STEP = 1e-3  # of a step: what conversions leave of a number that lies on it
_ALIKE = 1.001  # the smallest difference is the step itself, but for arithmetic


def text_step(values: Array) -> float:
    """The step of the text the values were written in: the smallest difference of two of them, or 0."""
    steps = np.diff(np.unique(values[np.isfinite(values)]))
    steps = steps[steps > _FINEST_STEP]
    return float(steps.min()) if len(steps) else 0.0


def written_step(speed_mps: Array) -> float:
    """The step of a speed's text, m/s: the coarsest decimal step of a unit on which all readings lie.

    Two readings of a short log may lie no nearer to each other than the car's pull takes them; the smallest
    difference alone would then call the text coarse.
    """
    values = np.unique(speed_mps[np.isfinite(speed_mps)])
    smallest = text_step(values)
    fitting = [0.0]
    for symbol in ("km/h", "mph", "kn", "m/s", "ft/s"):
        unit = find_unit(symbol, "speed")
        assert unit is not None, symbol
        for places in range(_PLACES):
            step = unit.to_si(10.0**-places)
            off = np.abs(values / step - np.round(values / step))
            if step <= smallest * _ALIKE and bool(np.all(off < _ON_STEP)):
                fitting.append(step)
    return max(fitting) or smallest


def fresh_rows(speed_mps: Array, step_mps: float, settings: FaultSettings) -> Mask:
    """(N,) the rows with a new speed; all of them, unless the log as a rule repeats the last one.

    A logger may write faster than its receiver measures: the row before again, or no speed at all. A
    frozen stretch or a flat top repeats too, but not half of all readings; coarse text repeats too, but then
    goes on by a step or two.

    Args:
        speed_mps: (N,) as logged; NaN where missing.
        step_mps: of its text.
    """
    held = pd.Series(speed_mps).ffill().to_numpy(dtype=float)
    new = np.isfinite(held)
    new[1:] &= held[1:] != held[:-1]
    starts = np.flatnonzero(new)
    everyone = np.ones(len(held), dtype=bool)
    if len(starts) < settings.repeat_least:
        return everyone
    # at speed alone: a car that stands repeats its nought
    fast = held[starts[:-1]] >= settings.repeat_from * held[starts].max()
    lasted, jumped = np.diff(starts)[fast], np.abs(np.diff(held[starts]))[fast]
    if len(lasted) < settings.repeat_least or np.median(lasted) < 2:
        return everyone
    return new if np.median(jumped) > settings.repeat_steps * step_mps else everyone


def own_speeds(speed_mps: Array, settings: FaultSettings) -> Mask:
    """(N,) the rows that stand for a reading of their own; all of them where the log has no such habit.

    Those with a new speed, and in a hold much longer than this log's own a row a renewal: there the speed
    was read again and again, and was the same (a flat top), or could not be read (a stuck receiver).
    """
    own = fresh_rows(speed_mps, written_step(speed_mps), settings)
    if own.all():
        return own
    starts = np.flatnonzero(own)
    lasted = np.diff(np.append(starts, len(own)))
    held = pd.Series(speed_mps).ffill().to_numpy(dtype=float)
    fast = held[starts] >= settings.repeat_from * np.nanmax(held)
    usual = max(round(float(np.median(lasted[fast]))), 1)
    long = lasted > settings.repeat_longest * usual
    for first, rows in zip(starts[long], lasted[long], strict=True):
        own[first : first + rows : usual] = True
    return np.asarray(own & np.isfinite(speed_mps), dtype=bool)


def own_places(track: Track, settings: FaultSettings) -> Mask:
    """(N,) the rows whose position is new, and those of a hold much longer than this log's own.

    All of them where the log does not repeat its positions as a rule. At speed the text of a position
    changes from row to row, so that one written again is an old one.
    """
    lat, lon = (track.samples[name].to_numpy(dtype=float) for name in ("lat_deg", "lon_deg"))
    new, everyone = np.ones(len(lat), dtype=bool), np.ones(len(lat), dtype=bool)
    new[1:] = (lat[1:] != lat[:-1]) | (lon[1:] != lon[:-1])
    starts, speed = np.flatnonzero(new), track.samples["speed_mps"].ffill().to_numpy(dtype=float)
    if np.isnan(speed).all():
        return everyone
    lasted = np.diff(np.append(starts, len(new)))
    fast = speed[starts] >= max(settings.repeat_from * np.nanmax(speed), settings.moving_mps)
    usual = float(np.median(lasted[fast])) if fast.sum() >= settings.repeat_least else 1.0
    if usual < 2:
        return everyone
    for first, rows in zip(starts, lasted, strict=True):
        new[first : first + rows] |= rows > settings.repeat_longest * usual
    return new


def renewed(track: Track, settings: FaultSettings) -> tuple[Track, Track]:
    """The track's speeds in the rows where they are new, and all its rows without what they only repeat.

    Returns:
        to judge speeds by, and to judge all else by; twice the track itself where it has no such habit.
    """
    speed = track.samples["speed_mps"].to_numpy(dtype=float)
    own, placed = own_speeds(speed, settings), own_places(track, settings)
    if (own.all() and placed.all()) or own.sum() < 2:
        return track, track
    gone = {name: track.samples[name].where(placed) for name in ("lat_deg", "lon_deg")}
    clean = replace(
        track,
        samples=track.samples.assign(speed_mps=np.where(own, speed, np.nan), **gone),
        along_m=np.where(placed, track.along_m, np.nan),
        across_m=np.where(placed, track.across_m, np.nan),
    )
    step = np.diff(track.time_s[own])
    slim = replace(
        clean,
        time_s=clean.time_s[own],
        samples=clean.samples[own],
        along_m=clean.along_m[own],
        across_m=clean.across_m[own],
        # renewals fall on the table's rows unevenly, 2 then 3 rows apart: the mean counts
        interval_s=float(np.mean(step[step <= 2.0 * np.median(step)])),
    )
    return slim, clean


def with_held_rows(span: Span, track: Track) -> Span:
    """The span with the rows after its end that only repeat its last speed: they are as wrong."""
    speed = track.samples["speed_mps"].to_numpy(dtype=float)
    last = int(np.searchsorted(track.time_s, span.end_s - 1e-9))
    end = last
    while end + 1 < len(speed) and speed[end + 1] == speed[last]:
        end += 1
    return replace(span, end_s=float(track.time_s[end]))
