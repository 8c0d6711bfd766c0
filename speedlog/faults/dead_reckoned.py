"""Positions that the receiver carried on by guess, without satellites."""

from __future__ import annotations

from speedlog.course.track import Track
from speedlog.faults.signals import covered_m, marked, moving
from speedlog.faults.spans import Span, duration, epochs, metres, runs
from speedlog.results import FaultKind
from speedlog.samples import Fix
from speedlog.settings import FaultSettings

KIND: FaultKind = "dead_reckoned"


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Runs of dead reckoned epochs while the car moves."""
    bad = marked(track, Fix.DEAD_RECKONED.value) & moving(track, settings.moving_mps)
    found = []
    for first, last in runs(bad):
        start, end = float(track.time_s[first]), float(track.time_s[last])
        left, right = track.time_s[max(first - 1, 0)], track.time_s[min(last + 1, len(bad) - 1)]
        found.append(
            Span(
                KIND,
                start,
                end,
                f"no satellites for {duration(right - left)}: the receiver guessed on for "
                f"{epochs(last - first + 1)} (about {metres(covered_m(track, left, right))})",
            )
        )
    return found
