"""Faults: stretches of one recording's samples that can't be trusted, from that recording alone.

A kind is one module with `KIND` and `find(track, settings)`; `KINDS` is the one list of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd

from speedlog.course.track import Track
from speedlog.faults import ceiling, clock_jump, dead_reckoned, frozen, gap, no_fix, outlier, poor_fix
from speedlog.faults.coverage import coverage, inside, speed_usable, usable
from speedlog.faults.fresh import renewed, with_held_rows
from speedlog.faults.signals import places
from speedlog.faults.spans import Span, runs
from speedlog.results import Fault
from speedlog.settings import FaultSettings

__all__ = ["KINDS", "Span", "coverage", "find_faults", "inside", "speed_usable", "to_fault", "usable"]

KINDS: tuple[ModuleType, ...] = (
    gap,
    no_fix,
    dead_reckoned,
    frozen,
    ceiling,
    outlier,
    clock_jump,
    poor_fix,
)
# these hold a reading against the ones beside it
_OF_SPEED = (frozen, ceiling, outlier)


def find_faults(track: Track, settings: FaultSettings | None = None) -> tuple[Span, ...]:
    """All faults of a track, in order of time; one cause is told once."""
    settings = settings or FaultSettings()
    found: list[Span] = []
    if len(track.time_s) < 2:
        return ()
    by_speed, by_place = renewed(track, settings)
    for kind in KINDS:
        if kind in _OF_SPEED:
            found += _of_readings(kind, track, by_speed, by_place, settings)
        else:
            found += kind.find(track, settings)
    # one cause is told once: a value that repeats, is invalid or was guessed is off its neighbours too, and a
    # guess repeats its last speed
    causes = [span for span in found if span.kind in ("no_fix", "dead_reckoned", "frozen")]
    guesses = [span for span in causes if span.kind != "frozen"]
    kept = [span for span in found if span.kind not in ("outlier", "frozen")]
    for span in found:
        if span.kind in ("outlier", "frozen"):
            kept += _outside(span, track, causes if span.kind == "outlier" else guesses)
    return tuple(sorted(kept, key=lambda span: (span.start_s, span.end_s)))


def _of_readings(
    kind: ModuleType, track: Track, by_speed: Track, by_place: Track, settings: FaultSettings
) -> list[Span]:
    """What a kind that judges speeds finds in the rows where they are new, and in all rows' places."""
    if by_speed is by_place:
        return list(kind.find(track, settings))
    speeds = [span for span in kind.find(by_speed, settings) if span.concerns != "position"]
    speeds = [with_held_rows(span, track) for span in speeds]
    places = [span for span in kind.find(by_place, settings) if span.concerns == "position"]
    both = [span for span in speeds if span.concerns == "both"]
    return speeds + [part for span in places for part in _outside(span, track, both)]


def _outside(span: Span, track: Track, others: Sequence[Span]) -> list[Span]:
    """What is left of a span outside the others."""
    if not any(_overlap(span, other) for other in others):
        return [span]
    rows = (track.time_s >= span.start_s) & (track.time_s <= span.end_s)
    for other in others:
        rows &= (track.time_s < other.start_s) | (track.time_s > other.end_s)
    parts = [(float(track.time_s[first]), float(track.time_s[last])) for first, last in runs(rows)]
    return [replace(span, start_s=start, end_s=end) for start, end in parts]


def to_fault(
    span: Span, track: Track, utc_offset: pd.Timedelta | None = None, settings: FaultSettings | None = None
) -> Fault:
    """A span as the result tells it: UTC times, places along the line, and whether it touches the trap.

    Args:
        span: a fault of the track.
        track: for its places; give one with `along_m` replaced where fusion knows them better.
        utc_offset: UTC = the recording's own time + this.
        settings: how far the trap is widened.
    """
    settings = settings or FaultSettings()
    offset = pd.Timedelta(0) if utc_offset is None else utc_offset
    unsound = inside(track, [replace(span, kind="no_fix")], frozenset({"no_fix"})) & (
        span.concerns != "speed"
    )
    if span.kind in ("gap", "clock_jump", "poor_fix", "ceiling"):
        unsound[:] = False
    along = places(track, bad=unsound)
    start_m, end_m = (float(value) for value in np.interp([span.start_s, span.end_s], track.time_s, along))
    placed = bool(np.isfinite(start_m) and np.isfinite(end_m))
    return Fault(
        kind=span.kind,
        start_utc=_moment(track, span.start_s) + offset,
        end_utc=_moment(track, span.end_s) + offset,
        start_along_m=start_m if placed else None,
        end_along_m=end_m if placed else None,
        near_trap=placed and near_trap(track.trap, start_m, end_m, settings),
        detail=span.detail,
    )


def near_trap(
    trap: tuple[float, float] | None, start_m: float, end_m: float, settings: FaultSettings | None = None
) -> bool:
    """Whether a stretch touches the trap widened on each side by 25 m or its own length (the longer)."""
    if trap is None:
        return False
    wider = max((settings or FaultSettings()).near_trap_m, trap[1] - trap[0])
    return min(start_m, end_m) <= trap[1] + wider and max(start_m, end_m) >= trap[0] - wider


def _moment(track: Track, time_s: float) -> pd.Timestamp:
    return track.origin + pd.Timedelta(round(time_s * 1e9), unit="ns")


def _overlap(one: Span, other: Span) -> bool:
    return one.start_s <= other.end_s and other.start_s <= one.end_s
