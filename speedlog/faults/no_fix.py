"""Epochs that the receiver itself marks invalid, or that hold nothing."""

from __future__ import annotations

import numpy as np

from speedlog.course.track import Track
from speedlog.faults.signals import column, covered_m, marked, moving, readings
from speedlog.faults.spans import Span, duration, epochs, metres, runs
from speedlog.results import FaultKind
from speedlog.samples import Fix
from speedlog.settings import FaultSettings

KIND: FaultKind = "no_fix"
_MOSTLY = 0.5  # a log that gives a position in most rows should give it in all


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Runs of epochs without a valid fix while the car moves."""
    if track.kind == "wheel":
        return []
    invalid = marked(track, Fix.NONE.value)
    reckoned = marked(track, Fix.DEAD_RECKONED.value)
    placed = np.isfinite(column(track, "lat_deg")) & np.isfinite(column(track, "lon_deg"))
    expected = placed[~invalid].mean() > _MOSTLY if (~invalid).any() else False
    empty = ~placed & (np.isnan(readings(track)) | expected)
    bad = (invalid | empty) & ~reckoned & moving(track, settings.moving_mps)
    found = []
    for first, last in runs(bad):
        start, end = float(track.time_s[first]), float(track.time_s[last])
        # the car drives blind from the last good epoch to the next
        left, right = track.time_s[max(first - 1, 0)], track.time_s[min(last + 1, len(bad) - 1)]
        why = "marked invalid by the receiver" if invalid[first : last + 1].any() else "without a position"
        found.append(
            Span(
                KIND,
                start,
                end,
                f"no fix for {duration(right - left)} ({epochs(last - first + 1)} {why}) "
                f"while the car covered about {metres(covered_m(track, left, right))}",
            )
        )
    return found
