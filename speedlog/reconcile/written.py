"""How a log writes its speed: in what steps, and in which rows it is new."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.faults.signals import text_step
from speedlog.samples import Recording
from speedlog.settings import SuitsSettings
from speedlog.units import find_unit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_PLACES = 6  # digits after the point; no log writes a speed finer
_ON_STEP = 1e-3  # of a step: what conversions leave of a number that lies on it
_ALIKE = 1.001  # the smallest difference is the step itself, but for arithmetic


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


def fresh_rows(speed_mps: Array, step_mps: float, settings: SuitsSettings) -> Mask:
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


def with_fresh_rows(recording: Recording, step_mps: float, settings: SuitsSettings) -> Recording:
    """The recording without rows that only repeat the last speed; itself where it has no such habit."""
    speeds = [part["speed_mps"].to_numpy(dtype=float) for part in recording.segments]
    kept = [fresh_rows(speed, step_mps, settings) for speed in speeds]
    if all(rows.all() for rows in kept):
        return recording
    parts = zip(recording.segments, kept, strict=True)
    return replace(recording, segments=tuple(part[rows] for part, rows in parts))
