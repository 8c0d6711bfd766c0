"""Two GNSS loggers whose speeds stand apart beyond noise, slow errors and lags: where, and which is wrong.

What each logger reads above the fused motion is taken at its own epochs, filter and delay allowed for. The
difference of two loggers' excesses does not hang on the motion, which cancels. Where it is too large the
pass is settled twice: once with the one's speeds moved by the difference onto the other's, once the other way
round. Both hold the same readings with the same noise, so that the ratio of their evidence is the odds that the
one or the other is wrong, by all that is left: both loggers' positions, further loggers, wheels, the motion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import plain
from speedlog.faults.spans import duration, runs
from speedlog.fusion.measure import GnssSource, WheelSource, driven
from speedlog.fusion.settle import Settled, settle
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_BIN_S = 0.2
_MOST_BINS = 150
_WINDOW = 5  # bins: a second, so that three wrong readings of a slow logger don't make a stretch


@dataclass(frozen=True, eq=False)
class Apart:
    """A stretch in which logger `one` reads `size_mps` above (below, if negative) logger `other`.

    Attributes:
        one, other: places among the pass's GNSS loggers.
        start_s, end_s: of the motion's time.
        time_s, offset_mps: (n,) by how much, over the stretch.
        all_along: a share of the speed, over the whole pass.
    """

    one: int
    other: int
    start_s: float
    end_s: float
    size_mps: float
    time_s: Array
    offset_mps: Array
    all_along: bool = False

    @property
    def lasting_s(self) -> float:
        return self.end_s - self.start_s

    def at(self, source: GnssSource) -> Array:
        """(N,) the offset at a source's epochs."""
        return np.interp(source.time_s - source.speed_delay_s, self.time_s, self.offset_mps, 0.0, 0.0)

    def holds(self, source: GnssSource) -> Mask:
        """(N,) the source's epochs within the stretch: what a filter shows of it trails."""
        shown = source.time_s - source.speed_delay_s
        return np.asarray((shown >= self.start_s) & (shown <= self.end_s))


def furthest_apart(found: Settled, settings: FusionSettings) -> Apart | None:
    """The stretch in which any two loggers differ by most, in metres; None where all agree."""
    every: list[Apart] = []
    for one in range(len(found.gnss)):
        for other in range(one + 1, len(found.gnss)):
            pair = found.gnss[one], found.gnss[other]
            if max(item.interval_s for item in pair) <= settings.apart_slowest_s:
                apart = _apart(found, one, other, settings)
                every += [apart] if apart is not None else []
    return max(every, key=lambda item: abs(item.size_mps) * item.lasting_s, default=None)


@dataclass(frozen=True)
class Odds:
    """Who is wrong. `told`: ln of the odds that `one` is and not `other`; 0 where nothing tells.

    `places_too`: whether `one`, if it is wrong, has its places go by its wrong speeds; and whether `other` has.
    """

    told: float
    places_too: tuple[bool, bool]


def odds(
    apart: Apart, gnss: Sequence[GnssSource], wheels: Sequence[WheelSource],
    beams_m: tuple[float, float] | None, settings: FusionSettings,
) -> Odds:  # fmt: skip
    """Which logger is wrong, by the evidence of the pass with its readings put right.

    A receiver that carries on by itself invents places that agree with its speeds: nothing in its own log speaks
    against it then. So each logger may be wrong in speeds alone or, which is rarer, in both.

    Args:
        gnss, wheels: the sources, with what was found of lags and clocks taken in.
    """
    evidence = np.full((2, 2), -np.inf)
    for hypothesis, wrong in enumerate((apart.one, apart.other)):
        for places_too in (False, True):
            moved = list(gnss)
            moved[wrong] = _put_right(apart, gnss[wrong], wrong, places_too)
            found = settle(moved, list(wheels), beams_m, settings, 2)
            if found is not None:
                evidence[hypothesis, int(places_too)] = found.solved.log_evidence
    evidence[:, 1] += np.log(settings.apart_places_too)
    told = np.max(evidence[0]) - np.max(evidence[1])
    return Odds(
        float(told) if np.isfinite(told) else 0.0,
        (bool(evidence[0, 1] > evidence[0, 0]), bool(evidence[1, 1] > evidence[1, 0])),
    )


def _put_right(apart: Apart, source: GnssSource, wrong: int, places_too: bool) -> GnssSource:
    """The source as it would read if it went by the other's speed in the stretch."""
    more = _excess(apart, source, wrong)
    right = replace(source, speed_mps=np.maximum(source.speed_mps - more, 0.0))
    if not places_too:
        return right
    gone = np.interp(source.time_s, apart.time_s, _run(apart.time_s, apart.offset_mps))
    return replace(right, travel_m=source.travel_m - (gone if wrong == apart.one else -gone))


def _run(time_s: Array, speed_mps: Array) -> Array:
    """(n,) metres since the first."""
    return np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (speed_mps[1:] + speed_mps[:-1]) / 2)])


def sure(
    apart: Apart, told: Odds, gnss: Sequence[GnssSource], wheels: Sequence[WheelSource],
    settings: FusionSettings,
) -> bool:  # fmt: skip
    """Whether the odds decide. Where nothing measured bears them out, they come from how the car would move alone."""
    wrong = apart.one if told.told > 0.0 else apart.other
    names = [str(i) for i in range(len(gnss))]
    alone = not _witnesses(apart, names, wrong, gnss, wheels, settings)
    return abs(told.told) >= (settings.apart_alone_odds if alone else settings.apart_odds)


def blame(
    apart: Apart, names: Sequence[str], wrong: int, gnss: Sequence[GnssSource], wheels: Sequence[WheelSource],
    settings: FusionSettings,
) -> str:  # fmt: skip
    """The fault's detail: how far off a logger was, for how long, and what speaks against it beside the other.

    Args:
        names: file of each logger. wrong: the place of the wrong one among `gnss`.
    """
    right = apart.other if wrong == apart.one else apart.one
    size = apart.size_mps if wrong == apart.one else -apart.size_mps
    others = _witnesses(apart, names, wrong, gnss, wheels, settings) or ["how a car moves"]
    against = [plain(names[right], 80), *others]
    speak = f"{', '.join(against[:-1])} and {against[-1]} speak against it"
    side = "above" if size > 0 else "below"
    if apart.all_along:
        top = float(np.max(gnss[right].speed_mps[gnss[right].speed_ok], initial=1.0))
        return f"a speed {100 * abs(size) / top:.1f} % {side} the other's all along: {speak}"
    return f"a speed {abs(size):.1f} m/s {side} the other's for {duration(apart.lasting_s)}: {speak}"


def _witnesses(
    apart: Apart, names: Sequence[str], wrong: int, gnss: Sequence[GnssSource], wheels: Sequence[WheelSource],
    settings: FusionSettings,
) -> list[str]:  # fmt: skip
    """What speaks against a logger beside the one that it differs from."""
    found = ["its own positions"] * _places_against(apart, gnss, wrong)
    for i, item in enumerate(gnss):
        if i not in (apart.one, apart.other):
            time, speed = item.time_s - item.speed_delay_s, item.speed_mps
            ok = item.speed_ok
            found += [plain(names[i], 80)] * _speeds_against(apart, gnss, wrong, time[ok], speed[ok])
    for wheel in wheels:
        speed = wheel.speed_of(wheel.tread_mps, 0.0, settings)
        found += ["the wheels"] * _speeds_against(apart, gnss, wrong, wheel.time_s, speed)
    return found


def _places_against(apart: Apart, gnss: Sequence[GnssSource], wrong: int) -> bool:
    """Whether a logger's own places went by the other's speed and not by its own."""
    source = gnss[wrong]
    ok = apart.holds(source) & source.place_ok & source.speed_ok
    if ok.sum() < 3:
        return False
    too_far = driven(source, ok)[-1] - (source.travel_m[ok][-1] - source.travel_m[ok][0])
    gained = float(_run(source.time_s[ok], _excess(apart, source, wrong)[ok])[-1])
    return bool(abs(too_far - gained) < abs(gained) / 2)


def _speeds_against(
    apart: Apart, gnss: Sequence[GnssSource], wrong: int, time_s: Array, speed_mps: Array
) -> bool:
    """Whether a further speed goes with the other's and not with the wrong one's, over the stretch."""
    source = gnss[wrong]
    inside = (time_s >= apart.start_s) & (time_s <= apart.end_s)
    if not inside.any():
        return False
    own = source.time_s[source.speed_ok] - source.speed_delay_s
    above = np.interp(time_s[inside], own, source.speed_mps[source.speed_ok]) - speed_mps[inside]
    excess = np.interp(time_s[inside], source.time_s - source.speed_delay_s, _excess(apart, source, wrong))
    return bool(abs(float(np.mean(above - excess))) < abs(float(np.mean(excess))) / 2)


def _excess(apart: Apart, source: GnssSource, wrong: int) -> Array:
    """(N,) what the wrong logger reads above the other, at its epochs."""
    return apart.at(source) * (1.0 if wrong == apart.one else -1.0)


def _apart(found: Settled, one: int, other: int, settings: FusionSettings) -> Apart | None:
    first, last = float(found.knots_s[0]), float(found.knots_s[-1])
    edges = np.arange(first, last + _BIN_S, _BIN_S)
    middle = (edges[1:] + edges[:-1]) / 2
    apart = _binned(found, one, edges) - _binned(found, other, edges)
    if np.isfinite(apart).sum() < 3 * _WINDOW:
        return None
    speed = np.interp(middle, found.knots_s, found.speed_mps)
    share = _share(apart, middle, speed, settings)
    if share != 0.0 and _stretch(found, one, other, middle, apart - share * speed, settings) is None:
        return _all_along(one, other, middle, share * speed, settings)
    stretch = _stretch(found, one, other, middle, apart, settings)
    if stretch is None:
        return None
    start, end, size = stretch
    # a bin on both sides: there the edges fade out
    inside = (middle >= start - _BIN_S) & (middle <= end + _BIN_S)
    offset = np.nan_to_num(_median(apart, 3)[inside])
    return Apart(one, other, start - _BIN_S, end + _BIN_S, size, middle[inside], offset)


def _all_along(one: int, other: int, time: Array, offset: Array, settings: FusionSettings) -> Apart:
    at = np.flatnonzero(np.abs(offset) > np.abs(offset).max() * settings.apart_slow_share)
    inside = slice(int(at[0]), int(at[-1]) + 1)
    size = float(offset[np.argmax(np.abs(offset))])
    return Apart(
        one,
        other,
        float(time[at[0]]),
        float(time[at[-1]]),
        size,
        time[inside],
        offset[inside],
        all_along=True,
    )


def _binned(found: Settled, logger: int, edges: Array) -> Array:
    """(n,) mean in each bin of what a logger reads above the motion; NaN where it reads nothing."""
    seen = found.seen
    rows = (seen.channel == 2 * logger) & (seen.looseness == 1.0)
    time = seen.time_s[rows]
    slow = np.interp(time, found.knots_s, found.solved.mean[:, found.layout.speed_drift(logger)])
    above = found.solved.misfit[rows] + slow
    which = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, len(edges) - 2)
    count = np.bincount(which, minlength=len(edges) - 1)
    total = np.bincount(which, above, minlength=len(edges) - 1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _median(values: Array, width: int) -> Array:
    """(n,) running median over the bins that have a value; NaN where fewer than half have one."""
    padded = np.concatenate([np.full(width // 2, np.nan), values, np.full(width // 2, np.nan)])
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)  # NaN come last
    count = np.isfinite(windows).sum(axis=1)
    every = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    middle = (windows[every, low] + windows[every, np.minimum(high, width - 1)]) / 2
    return np.where(count > width // 2, middle, np.nan)


def _stretch(
    found: Settled, one: int, other: int, time: Array, apart: Array, settings: FusionSettings
) -> tuple[float, float, float] | None:
    """Start, end and median difference of the stretch that stands out most; None without any."""
    middling, limit = _median(apart, _WINDOW), _limit(found, one, other, time, settings)
    fine = _median(apart, 3)
    best: tuple[float, float, float] | None = None
    for side in (1.0, -1.0):
        core = side * np.nan_to_num(middling) > limit
        wide = side * np.nan_to_num(fine) > settings.apart_edge_mps
        for begin, end in runs(wide | core):
            if not core[begin : end + 1].any():
                continue
            size = float(np.nanmedian(apart[begin : end + 1]))
            stretch = float(time[begin]) - _BIN_S / 2, float(time[end]) + _BIN_S / 2, size
            if best is None or abs(size) * (end - begin + 1) > abs(best[2]) * (best[1] - best[0]) / _BIN_S:
                best = stretch
    return best


def _limit(found: Settled, one: int, other: int, time: Array, settings: FusionSettings) -> Array:
    """(n,) by how much two sound loggers may differ: slow errors, a delay too short to see, filters' corners."""
    accel = np.interp(time, found.knots_s, found.accel_mps2)
    lag = max(found.gnss[one].speed_lag_s, found.gnss[other].speed_lag_s)
    limit = settings.apart_least_mps + settings.delay_least_s * np.abs(accel)
    if lag > 0.0:
        reach = int(np.ceil((3.0 * lag + 0.5) / _BIN_S))
        padded = np.pad(accel, reach, mode="edge")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
        limit = limit + lag * np.ptp(windows, axis=1)
    return np.asarray(limit)


def _share(apart: Array, time: Array, speed: Array, settings: FusionSettings) -> float:
    """The share of the speed by which one logger reads more, all along; 0 where that may be slow errors.

    Generalised least squares with both loggers' slow errors in the covariance; what stands far off counts less.
    """
    every = np.flatnonzero(np.isfinite(apart))
    every = every[:: max(2, len(every) // _MOST_BINS)]  # neighbours say the same; the cost is that of a cube
    y, v, t = apart[every], speed[every], time[every]
    slow = 2.0 * settings.apart_drift_mps**2 * np.exp(-np.abs(t[:, None] - t) / settings.speed_drift_time_s)
    white = np.full(len(y), 2.0 * settings.speed_noise_mps**2)
    share = u = 0.0
    for _ in range(5):
        weighed = np.linalg.solve(slow + np.diag(white), np.stack([v, y], axis=1))
        u = 1.0 / float(np.sqrt(v @ weighed[:, 0]))
        share = float(v @ weighed[:, 1]) * u**2
        off = np.abs(y - share * v) / np.sqrt(
            2.0 * (settings.apart_drift_mps**2 + settings.speed_noise_mps**2)
        )
        white = 2.0 * settings.speed_noise_mps**2 * np.maximum(off / settings.trusted_sds, 1.0) ** 4
    clear = abs(share) > max(settings.apart_sds * u, settings.apart_all_along_mps / float(speed.max()))
    # most of the pass must bear it out: a stretch in which one is wrong pulls at the share as well
    fast = v > 0.5 * float(v.max())
    less = np.median(np.abs(y - share * v)[fast]) < 0.5 * np.median(np.abs(y)[fast])
    return share if clear and less else 0.0
