"""Which epochs count, and how much of the trap they cover (design, section 2: covered, usable)."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.signals import places
from speedlog.faults.spans import Span
from speedlog.results import FaultKind

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
UNUSABLE: frozenset[FaultKind] = frozenset({"no_fix", "frozen", "dead_reckoned", "outlier"})
COVERING_INTERVALS = 1.5  # design contract, section 2
_ROUNDING_S = 0.002  # of logged times, as in FaultSettings.gap_jitter_s


def inside(track: Track, spans: Iterable[Span], kinds: frozenset[FaultKind]) -> Flags:
    """(N,) rows that lie in a span of these kinds, its ends included."""
    hit = np.zeros(len(track.time_s), dtype=bool)
    for span in spans:
        if span.kind in kinds:
            hit |= (track.time_s >= span.start_s - 1e-9) & (track.time_s <= span.end_s + 1e-9)
    return hit


def usable(track: Track, spans: Iterable[Span]) -> Flags:
    """(N,) epochs outside gap, no_fix, frozen, dead_reckoned and outlier spans.

    A gap has no epoch inside; the epochs on both sides of it are sound.
    """
    return ~inside(track, spans, UNUSABLE)


def speed_usable(track: Track, spans: Iterable[Span]) -> Flags:
    """(N,) usable epochs whose speed is not flat-topped either."""
    return ~inside(track, spans, UNUSABLE | {"ceiling"})


def coverage(track: Track, spans: Iterable[Span], entry_m: float, exit_m: float) -> float:
    """Share of the trap, by distance, that lies between usable epochs at most 1.5 own intervals apart.

    Args:
        track: one logger's pass; where a position is missing, speed carries it on.
        spans: its faults.
        entry_m, exit_m: the trap, metres along.

    Returns:
        0 to 1; 0 for a track without any place.
    """
    good = usable(track, spans)
    along = places(track, bad=~good)
    rows = np.flatnonzero(good & np.isfinite(along))
    if len(rows) < 2 or exit_m <= entry_m:
        return 0.0
    close = np.diff(track.time_s[rows]) <= COVERING_INTERVALS * track.interval_s + _ROUNDING_S
    one, other = along[rows[:-1]][close], along[rows[1:]][close]
    low, high = np.minimum(one, other), np.maximum(one, other)
    return _union(np.clip(low, entry_m, exit_m), np.clip(high, entry_m, exit_m)) / (exit_m - entry_m)


def _union(low: Array, high: Array) -> float:
    """Length of the union of intervals."""
    if not len(low):
        return 0.0
    order = np.argsort(low, kind="stable")
    low, high = low[order], high[order]
    reached = np.concatenate([[low[0]], np.maximum.accumulate(high)[:-1]])
    return float(np.sum(np.maximum(high - np.maximum(low, reached), 0.0)))
