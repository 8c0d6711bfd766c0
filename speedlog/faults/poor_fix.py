"""A weak fix: few satellites, bad geometry or a weak signal. Its epochs still count, with a warning."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.signals import column, marked, moving
from speedlog.faults.spans import Span, duration, runs
from speedlog.results import FaultKind
from speedlog.samples import Fix
from speedlog.settings import FaultSettings

KIND: FaultKind = "poor_fix"
Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Runs of epochs with a poor fix while the car moves."""
    hdop, satellites, cn0 = (column(track, name) for name in ("hdop", "satellites", "cn0_dbhz"))
    usual = tuple(_usual(values) for values in (hdop, satellites, cn0))
    wide = _above(hdop, settings.hdop_poor)
    wide |= _above(hdop, max(settings.hdop_rise_from, settings.hdop_rise * usual[0]))
    few = _above(-satellites, -settings.satellites_poor)
    halved = _above(-satellites, -settings.satellites_drop * usual[1] - 1e-9)
    few |= halved & _above(-satellites, -settings.satellites_drop_below)
    weak = _above(-cn0, -settings.cn0_poor_dbhz) | _above(usual[2] - cn0, settings.cn0_drop_db)
    flat = marked(track, Fix.TWO_D.value)
    valid = ~marked(track, Fix.NONE.value) & ~marked(track, Fix.DEAD_RECKONED.value)
    bad = (wide | few | weak | flat) & valid & moving(track, settings.moving_mps)
    found = []
    for first, last in runs(bad):
        rows = slice(first, last + 1)
        words = []
        if wide[rows].any():
            words.append(f"HDOP up to {np.nanmax(hdop[rows]):.1f} (usually {usual[0]:.1f})")
        if few[rows].any():
            words.append(f"only {np.nanmin(satellites[rows]):.0f} satellites (usually {usual[1]:.0f})")
        if weak[rows].any():
            words.append(f"signal down to {np.nanmin(cn0[rows]):.0f} dB-Hz (usually {usual[2]:.0f})")
        if flat[rows].any():
            words.append("no height (2D fix)")
        start, end = float(track.time_s[first]), float(track.time_s[last])
        lasted = duration(end - start + track.interval_s)
        found.append(Span(KIND, start, end, f"poor fix for {lasted}: {', '.join(words)}"))
    return found


def _usual(values: Array) -> float:
    return float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")


def _above(values: Array, limit: float) -> Flags:
    """(N,) values above a limit; missing ones are not."""
    return (
        np.nan_to_num(values, nan=-np.inf) > limit
        if np.isfinite(limit)
        else np.zeros(len(values), dtype=bool)
    )
