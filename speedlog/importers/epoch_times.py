"""What the order of a log's times tells: lone wrong times, clocks that step, fractions cut off.

Pure functions on (N,) arrays of nanoseconds in FILE order; no table and no file in sight.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.settings import ReadSettings

Times = NDArray[np.int64]
Flags = NDArray[np.bool_]
Values = NDArray[np.float64]

DAY_NS = 86_400_000_000_000
HALF_DAY_NS = DAY_NS // 2
_FIRST_STEPS = 1001  # enough to meet the usual one, where there is one
EARTH_M_PER_DEG = 111_195.0  # mean sphere: good to 1 %, enough to tell a clock's step from a gap


def unwrap_midnight(time_ns: Times) -> Times:
    """Times of day made to run on over midnight: a fall by more than half a day starts the next day.

    A rise by more than half a day after that goes back a day (a late line of the evening before).
    """
    jumps = np.diff(time_ns)
    day, turns = 0, np.zeros(len(time_ns), dtype=np.int64)
    for at in np.flatnonzero(np.abs(jumps) > HALF_DAY_NS):
        new = day + 1 if jumps[at] < 0 else max(day - 1, 0)
        turns[at + 1], day = new - day, new
    return np.asarray(time_ns + np.cumsum(turns) * DAY_NS, dtype=np.int64)


def median_interval_ns(time_ns: Times) -> int:
    """Median of the rising steps; 0 where nothing rises."""
    steps = np.diff(time_ns)
    rising = steps if steps.min(initial=0) > 0 else steps[steps > 0]
    if not len(rising):
        return 0
    usual = np.sort(rising[:_FIRST_STEPS])[min(len(rising), _FIRST_STEPS) // 2]
    if 2 * np.count_nonzero(rising == usual) > len(rising) + 1:
        return int(usual)  # over half of them: no need to put millions in order
    return int(np.median(rising))


def lone_times(time_ns: Times, settings: ReadSettings) -> Flags:
    """(N,) which times go off for a row or a few and come back: the rows are wrong, not the clock.

    At a fall the times either come back above where they were, by a rise of more than one interval
    (the rows below are lone), or the rows before the fall had been thrown ahead by such a rise.
    """
    lone = np.zeros(len(time_ns), dtype=np.bool_)
    rise = 1.5 * median_interval_ns(time_ns)
    last = len(time_ns) - 1
    for at in np.flatnonzero(np.diff(time_ns) < 0) + 1:
        if lone[at - 1]:
            continue  # the fall back from rows already found to be thrown ahead
        back = _rows_until_return(time_ns, int(at), rise, settings.most_lone_rows)
        if back or at == last:
            lone[at : at + max(back, 1)] = True
            continue
        ahead = _rows_thrown_ahead(time_ns, int(at), rise, settings.most_lone_rows)
        lone[at - ahead : at] = True
    return lone


def _rows_until_return(time_ns: Times, at: int, rise: float, most: int) -> int:
    """How many rows from `at` lie below before the times return above row at-1 by a rise; 0 = they stay."""
    for row in range(at + 1, min(at + most + 1, len(time_ns))):
        if time_ns[row] >= time_ns[at - 1]:
            return row - at if time_ns[row] - time_ns[row - 1] > rise else 0
        if time_ns[row] < time_ns[row - 1]:
            return 0
    return 0


def _rows_thrown_ahead(time_ns: Times, at: int, rise: float, most: int) -> int:
    """How many rows before `at` had been thrown ahead by a rise, so that `at` only comes back; 0 = none."""
    for count in range(1, most + 1):
        before = at - count - 1
        if before < 0:  # a receiver's clock may settle by less than an interval after its first fix
            return 1 if at == 1 and time_ns[0] - time_ns[1] > rise else 0
        if time_ns[before] <= time_ns[at]:
            return count if time_ns[before + 1] - time_ns[before] > rise else 0
    return 0


def backward_steps(time_ns: Times) -> NDArray[np.intp]:
    """Rows at which a clock that stays has stepped back."""
    return np.flatnonzero(np.diff(time_ns) < 0) + 1


def forward_steps(
    time_ns: Times, lat_deg: Values, lon_deg: Values, speed_mps: Values, settings: ReadSettings
) -> NDArray[np.intp]:
    """Rows at which the clock jumped ahead while the car moved on by one interval only.

    A gap in a log and a clock's step look alike in the times; only a car that is moving before and
    after, and has moved no farther than in one interval, tells them apart.
    """
    interval = median_interval_ns(time_ns)
    if len(time_ns) < 4 or not interval:
        return np.empty(0, dtype=np.intp)
    at = np.flatnonzero(np.diff(time_ns) > 2.5 * interval)
    jump = time_ns[at + 1] - time_ns[at]
    mean_mps = (speed_mps[at] + speed_mps[at + 1]) / 2
    north = (lat_deg[at + 1] - lat_deg[at]) * EARTH_M_PER_DEG
    east = (lon_deg[at + 1] - lon_deg[at]) * EARTH_M_PER_DEG * np.cos(np.radians(lat_deg[at]))
    moved = np.hypot(north, east)
    slower = np.minimum(speed_mps[at], speed_mps[at + 1])
    with np.errstate(invalid="ignore"):
        unmoved = np.abs(moved - mean_mps * interval / 1e9) <= settings.step_place_m + 0.2 * moved
        fewer = moved < 0.5 * mean_mps * jump / 1e9
        steps = unmoved & fewer & (slower > settings.step_speed_mps)
    return at[steps] + 1


def cut_fractions(time_ns: Times, distinct_rows: Flags, settings: ReadSettings) -> Times | None:
    """Times spread evenly where the log's clock shows that its fractions were cut off, else None.

    Args:
        time_ns: (N,) never falling.
        distinct_rows: (N,) the row differs from the row before it (a copied row tells no new epoch).

    Such a log has several different rows at most stamps, and its stamps follow at one resolution r.
    A true time lies in [stamp, stamp + r): a line of even times is laid through each unbroken
    stretch, its earliest place taken (receivers put epochs on the whole second); where no line
    fits, each stamp's rows are spread over its own r.
    """
    starts = np.flatnonzero(np.diff(time_ns, prepend=time_ns[0] - 1) > 0)
    counts = np.diff(np.append(starts, len(time_ns)))
    stamps = time_ns[starts]
    if len(starts) < 4 or np.median(counts[1:-1]) < settings.spread_from_rows:
        return None
    resolution = median_interval_ns(stamps)
    new_rows = np.add.reduceat(distinct_rows.astype(np.int64), starts) - distinct_rows[starts]
    shows_new = float(np.mean(new_rows[counts > 1] > 0))
    if shows_new < settings.least_new_rows_share or np.any((stamps - stamps[0]) % resolution):
        return None
    out = time_ns.copy()
    breaks = np.flatnonzero(np.diff(stamps) != resolution) + 1
    for runs in np.split(np.arange(len(starts)), breaks):
        rows = slice(int(starts[runs[0]]), int(starts[runs[-1]] + counts[runs[-1]]))
        out[rows] = _spread(stamps[runs], counts[runs], resolution, float(np.mean(counts[1:-1])))
    return out


def _spread(stamps: Times, counts: NDArray[np.intp], resolution: int, usual: float) -> Times:
    """Even times of one unbroken stretch of stamps, `counts` rows at each."""
    rows = np.arange(int(counts.sum()))
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    if len(stamps) > 2:
        usual = float(np.mean(counts[1:-1]))
    step = resolution / usual
    stamp_of = np.repeat(stamps - stamps[0], counts)
    earliest = float(np.max(stamp_of - step * rows))
    if earliest < float(np.min(stamp_of + resolution - step * rows)):
        return np.asarray(stamps[0] + np.rint(earliest + step * rows), dtype=np.int64)
    within = rows - np.repeat(first, counts)
    per_stamp = np.maximum(np.repeat(counts, counts), usual)
    return np.asarray(stamps[0] + stamp_of + np.floor(within * resolution / per_stamp), dtype=np.int64)
