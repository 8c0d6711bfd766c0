"""Passes with traces in closed form, for tests of curves: the same pull to the fastest moment, then the same brake."""

from __future__ import annotations

import numpy as np
import pandas as pd

from speedlog.results import Pass, Peak, Trace, Trap

START = pd.Timestamp("2026-07-12T10:00:00Z")


def driven(
    accel_mps2: float = 8.0, *, seconds: float = 10.0, brake_mps2: float = 10.0, outbound: bool = True,
    half_mps: float = 0.2, starts_at_s: float = 0.0, trap: bool = True, start_along_m: float = 0.0,
) -> Pass:  # fmt: skip
    """v = a t for `seconds`, then v falls by `brake_mps2` each second to a stop; 100 samples a second.

    `starts_at_s`: the log begins so long after the launch. On a return pass the line is run from 900 m down.
    """
    top = accel_mps2 * seconds
    end = seconds + top / brake_mps2
    time = np.arange(starts_at_s, end + 1e-9, 0.01)
    pulling = time <= seconds
    speed = np.where(pulling, accel_mps2 * time, top - brake_mps2 * (time - seconds))
    gone = time - seconds
    travel = np.where(
        pulling, accel_mps2 * time**2 / 2, accel_mps2 * seconds**2 / 2 + top * gone - brake_mps2 * gone**2 / 2
    )
    along = start_along_m + travel if outbound else 900.0 - travel
    trace = Trace(
        time - starts_at_s, along, speed, np.maximum(speed - half_mps, 0.0), speed + half_mps,
        np.where(pulling, accel_mps2, -brake_mps2), (),
    )  # fmt: skip
    beams = (300.0, 330.0) if outbound else (570.0, 600.0)
    found = Trap(*beams, None, None, None, None, None, 1.0) if trap else None
    peak = Peak(top, (top - half_mps, top + half_mps), START, float(along[np.argmax(speed)]))
    return Pass(
        1,
        START,
        START,
        75.0 if outbound else 255.0,
        outbound,
        found,
        peak,
        (),
        None,
        None,
        None,
        (),
        None,
        trace,
    )
