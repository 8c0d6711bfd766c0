"""How straight a pass ran: the greatest distance off the line, where, and the drift through the trap."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.results import Straightness
from speedlog.running import running_median
from speedlog.settings import PassSettings

Array = NDArray[np.float64]
_MEDIAN_ROWS = 5  # two bad positions in a row don't count


def straightness(
    tracks: Track | Sequence[Track], settings: PassSettings | None = None
) -> Straightness | None:
    """How straight the pass ran, by the track with the most sound positions; None without any.

    Across is metres to the right of the line facing along the pass. Rows after the car has slowed to a
    roll don't count: it may leave the line then.
    """
    settings = settings or PassSettings()
    several = [tracks] if isinstance(tracks, Track) else list(tracks)
    best = max(several, key=lambda track: int(np.isfinite(track.along_m).sum()), default=None)
    if best is None:
        return None
    rows = _under_way(best, settings)
    if rows.sum() < 2:
        return None
    along = best.along_m[rows]
    across = best.sign * running_median(best.across_m[rows], min(_MEDIAN_ROWS, int(rows.sum())))
    worst = int(np.argmax(np.abs(across)))
    return Straightness(float(across[worst]), float(along[worst]), _drift(best, along, across))


def _under_way(track: Track, settings: PassSettings) -> NDArray[np.bool_]:
    """(N,) sound positions from launch to the end of the shutdown."""
    known = np.isfinite(track.along_m) & np.isfinite(track.across_m)
    speed = track.samples["speed_mps"].to_numpy(dtype=float)
    has_speed = np.isfinite(speed)
    if has_speed.sum() >= 2:
        filled = np.interp(track.time_s, track.time_s[has_speed], speed[has_speed])
    elif known.sum() >= 2:
        pace = np.abs(np.gradient(track.along_m[known], track.time_s[known]))
        filled = np.interp(track.time_s, track.time_s[known], pace)
    else:
        return known
    peak = float(np.max(running_median(filled, 3)))
    slow = max(settings.slow_floor_mps, settings.slow_share * peak)
    fast = np.flatnonzero(filled >= slow)
    launched = (filled > settings.standing_mps) & (
        track.time_s <= (track.time_s[fast[-1]] if len(fast) else -np.inf)
    )
    return np.asarray(known & launched)


def _drift(track: Track, along: Array, across: Array) -> float | None:
    """Change of across from the trap's first beam to its last, in the sense of travel; None where unknown."""
    if track.trap is None:
        return None
    low, high = track.trap
    wider = max(25.0, high - low)  # a short trap holds too few epochs of a slow logger
    near = (along >= low - wider) & (along <= high + wider)
    if near.sum() < 2 or np.ptp(along[near]) < (high - low):
        return None
    slope = float(np.polyfit(along[near], across[near], 1)[0])
    return slope * (high - low) * track.sign
