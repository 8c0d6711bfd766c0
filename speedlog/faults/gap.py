"""Epochs that are missing."""

from __future__ import annotations

import numpy as np

from speedlog.course.track import Track
from speedlog.faults.signals import bridged_speed, covered_m
from speedlog.faults.spans import Span, duration, metres, runs
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings

KIND: FaultKind = "gap"


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Intervals longer than the recording's own, and losses of reception that the log itself declares."""
    step = np.diff(track.time_s)
    speed = bridged_speed(track)
    under_way = np.maximum(speed[1:], speed[:-1]) > settings.moving_mps
    long = (step > settings.gap_intervals * track.interval_s + settings.gap_jitter_s) & under_way
    declared = np.isin(track.time_s[:-1], track.breaks_s) & under_way
    found = []
    for first, last in runs(long | declared):
        start, end = float(track.time_s[first]), float(track.time_s[last + 1])
        way = metres(covered_m(track, start, end))
        if last > first:
            every = (end - start) / (last - first + 1)
            detail = (
                f"epochs only every {duration(every)} instead of {duration(track.interval_s)} "
                f"for {duration(end - start)} while the car covered about {way}"
            )
        else:
            detail = f"no epochs for {duration(end - start)} while the car covered about {way}"
        if declared[first : last + 1].any():
            detail += "; the log itself says that reception was lost"
        found.append(Span(KIND, start, end, detail))
    return found
