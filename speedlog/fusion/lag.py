"""How late a logger's speed comes against its own positions, and all of one logger against another.

Receivers smooth their Doppler speed; the positions tell by how much. With the speed late by L, the
distance driven by the logged speed falls behind the positions by L times the gain in speed, whatever
the filter's shape (a pure delay and a first-order lag alike, on a steady ramp). So L is the slope of
one against the other; a constant error of the speed goes into the intercept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import GnssSource, driven
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
_WINDOW_S = 1.0  # long enough for the speed to change by more than its noise
_LEAST_WINDOWS = 20
_MOST_WINDOWS = 150
_DELAY_ROUNDS = 4  # a delay of half a second is found to a millisecond in three
_LEAST_GAIN_MPS = 2.0  # slower changes than this tell nothing of a lag


@dataclass(frozen=True)
class Lag:
    """Seconds by which the speed is late, and the standard uncertainty of that."""

    lag_s: float
    u_s: float


NO_LAG = Lag(0.0, 0.0)


def speed_lag(source: GnssSource) -> Lag | None:
    """The lag by robust regression over a pass; None where too little tells it."""
    ok = source.place_ok & source.speed_ok
    windows = _windows(source, ok, _WINDOW_S)
    if windows is None:
        return None
    behind, gained, epochs = windows
    if np.ptp(gained) < _LEAST_GAIN_MPS:
        return None
    weight = np.ones(len(behind))
    slope, spread, misfit = 0.0, 1.0, np.zeros(len(behind))
    for _ in range(6):
        centre_x, centre_y = np.average(gained, weights=weight), np.average(behind, weights=weight)
        spread = max(float(np.sum(weight * (gained - centre_x) ** 2)), 1e-9)
        slope = float(np.sum(weight * (gained - centre_x) * (behind - centre_y))) / spread
        misfit = np.abs(behind - centre_y - slope * (gained - centre_x))
        limit = 1.5 * max(float(np.median(misfit)) / 0.6745, 1e-3)
        weight = np.minimum(1.0, limit / np.maximum(misfit, 1e-9))
    # windows overlap: neighbours say nearly the same
    return Lag(slope, float(np.sqrt(np.average(misfit**2, weights=weight) * epochs / spread)))


def mixed(lags: Sequence[Lag], weight: Array, model_u_s: float = 0.0) -> Lag:
    """One lag over several accounts of a pass, by the law of total variance.

    What each account leaves open, and what they differ by: u² = sum w (u_k² + (lag_k - mean)²).

    Args:
        weight: (n,) probability of each account; their sum is 1.
        model_u_s: what no account knows; it goes to those that have a lag at all.
    """
    value, u = (np.array([getattr(item, name) for item in lags]) for name in ("lag_s", "u_s"))
    variance = np.where(u > 0, u**2 + model_u_s**2, 0.0)
    mean = float(weight @ value)
    return Lag(mean, float(np.sqrt(weight @ (variance + (value - mean) ** 2))))


def candidates(
    gnss: list[GnssSource], settings: FusionSettings, delay_u_s: Sequence[float] = ()
) -> list[list[GnssSource]]:
    """The sources as they are; where a speed is surely late, once with a delay named and once with a filter.

    On a ramp a delay and a filter look alike; where the car lifts or brakes they part, so that the
    likelihood of the whole pass can tell them.

    Args:
        delay_u_s: of each source, how unsure a delay is that was taken off it; it comes once a little later and
            once a little earlier (two points of that mean and standard deviation). None where nothing was.
    """
    choices: list[list[GnssSource]] = [[]]
    for source, delay_u in zip(gnss, delay_u_s or [0.0] * len(gnss), strict=True):
        found = speed_lag(source)
        either = [source]
        if (
            found is not None
            and max(settings.lag_least_s, settings.lag_seen_sds * found.u_s)
            < found.lag_s
            < settings.lag_most_s
        ):
            either = [replace(source, speed_delay_s=found.lag_s), replace(source, speed_filter_s=found.lag_s)]
        if delay_u > 0.0:
            either = [
                replace(item, time_s=item.time_s + sign * delay_u) for item in either for sign in (-1.0, 1.0)
            ]
        choices = [[*before, item] for before in choices for item in either]
    return choices


def delays(gnss: Sequence[GnssSource], free: Sequence[bool], settings: FusionSettings) -> list[Lag]:
    """How late each logger is against the earliest of those with a clock: none where that may well be nothing.

    A logger can be late and not early, so the earliest is taken as right; what is late in all alike shows nowhere.

    Args:
        free: loggers whose clock was set by the pass itself: they are moved, either way, onto the others.
    """
    order = sorted(range(len(gnss)), key=lambda i: free[i])
    found = [NO_LAG] * len(gnss)
    for i in order[1:]:
        told = relative_delay(gnss[order[0]], gnss[i], settings)
        if told is not None and abs(told.lag_s) > max(settings.delay_least_s, settings.delay_sds * told.u_s):
            found[i] = told
    earliest = min((found[i] for i in order if not free[i]), key=lambda item: item.lag_s, default=NO_LAG)
    # what is unsure lies between two loggers: the earliest has none of it
    return [
        NO_LAG
        if item.lag_s == earliest.lag_s
        else Lag(item.lag_s - earliest.lag_s, float(np.hypot(item.u_s, earliest.u_s)))
        for item in found
    ]


def relative_delay(first: GnssSource, other: GnssSource, settings: FusionSettings) -> Lag | None:
    """How much later `other` shows speed and place alike than `first`; None where the two can't tell.

    A place that is late by d falls behind by d times the speed, a speed by d times the acceleration. Places are
    taken by their changes over a second (their slow errors are random walks for so long), speeds by generalised
    least squares with both loggers' slow errors in the covariance; both robustly. A lag of either's speed
    against its own places is taken off the second.
    """
    if max(first.interval_s, other.interval_s) > settings.delay_slowest_s:
        return None
    found = [_settled_delay(first, other, _by_places, settings)]
    by_speed = _settled_delay(first, other, _by_speeds, settings)
    if by_speed is not None:
        late, early = (_surely(speed_lag(item), settings) for item in (other, first))
        by_speed = Lag(
            by_speed.lag_s - late.lag_s + early.lag_s,
            float(np.hypot(by_speed.u_s, np.hypot(late.u_s, early.u_s))),
        )
    told = [item for item in (*found, by_speed) if item is not None]
    if not told:
        return None
    value, u = (np.array([getattr(item, name) for item in told]) for name in ("lag_s", "u_s"))
    weight = u**-2 / np.sum(u**-2)
    mean = float(weight @ value)
    # where the two don't agree, by the larger of what they should and what they do differ by (Birge)
    spread = np.sqrt(max(1.0, float(np.sum(((value - mean) / u) ** 2)) / max(len(told) - 1, 1)))
    return Lag(mean, float(np.hypot(spread / np.sqrt(np.sum(u**-2)), settings.delay_model_u_s)))


def _surely(lag: Lag | None, settings: FusionSettings) -> Lag:
    """A lag that is beyond doubt, else none."""
    if lag is None or not max(settings.lag_least_s, settings.lag_seen_sds * lag.u_s) < lag.lag_s:
        return NO_LAG
    return lag


def _settled_delay(
    first: GnssSource, other: GnssSource, step: Callable[..., Lag | None], settings: FusionSettings
) -> Lag | None:
    """A delay by Newton's method: what is left of it after it was taken off."""
    total, found = 0.0, None
    for _ in range(_DELAY_ROUNDS):
        found = step(first, replace(other, time_s=other.time_s - total), settings)
        if found is None:
            return None
        total += found.lag_s
        if abs(total) > settings.lag_most_s:
            return None
    return None if found is None else Lag(total, found.u_s)


def _beside(first: GnssSource, other: GnssSource, what: str) -> tuple[Array, Array, Array] | None:
    """Times of the other's usable readings within the first's, and both readings; None of too few."""
    flag = "place_ok" if what == "travel_m" else "speed_ok"
    mine, theirs = getattr(first, flag), getattr(other, flag)
    time, epochs = other.time_s[theirs], first.time_s[mine]
    if len(time) < _LEAST_WINDOWS or len(epochs) < _LEAST_WINDOWS:
        return None
    after = np.clip(np.searchsorted(epochs, time), 1, len(epochs) - 1)
    near = (
        (epochs[after] - epochs[after - 1] < 1.6 * first.interval_s)
        & (time >= epochs[0])
        & (time <= epochs[-1])
    )
    if near.sum() < _LEAST_WINDOWS:
        return None
    values = np.interp(time[near], epochs, getattr(first, what)[mine])
    return time[near], values, getattr(other, what)[theirs][near]


def _means(time: Array, width_s: float, *columns: Array) -> tuple[Array, ...]:
    """Times and means over windows, those that hold anything."""
    which = np.floor((time - time[0]) / width_s).astype(int)
    count = np.bincount(which)
    full = count > 0
    return tuple(np.bincount(which, item)[full] / count[full] for item in (time, *columns))


def _by_places(first: GnssSource, other: GnssSource, settings: FusionSettings) -> Lag | None:
    both = _beside(first, other, "travel_m")
    if both is None:
        return None
    time, mine, theirs = _means(both[0], _WINDOW_S, both[1], both[2])
    if len(time) < 4:
        return None
    speed = np.gradient(mine, time)
    next_to = np.diff(time) < 1.5 * _WINDOW_S
    gained, behind = np.diff(speed)[next_to], -np.diff(theirs - mine)[next_to]
    if len(gained) < 4 or np.ptp(speed) < _LEAST_GAIN_MPS:
        return None
    weight = np.ones(len(gained))
    slope, limit = 0.0, 1.0
    for _ in range(6):
        slope = float(np.sum(weight * gained * behind) / np.sum(weight * gained**2))
        misfit = np.abs(behind - slope * gained)
        limit = 1.5 * max(float(np.median(misfit)) / 0.6745, 0.02)
        weight = np.minimum(1.0, limit / np.maximum(misfit, 1e-9))
    return Lag(slope, float(limit / 1.5 / np.sqrt(np.sum(weight * gained**2))))


def _by_speeds(first: GnssSource, other: GnssSource, settings: FusionSettings) -> Lag | None:
    both = _beside(first, other, "speed_mps")
    if both is None:
        return None
    # half a second, longer in a long log: the cost is that of a cube
    width = max(_WINDOW_S / 2, float(np.ptp(both[0])) / _MOST_WINDOWS)
    time, mine, theirs = _means(both[0], width, both[1], both[2])
    if len(time) < 8 or np.ptp(mine) < _LEAST_GAIN_MPS:
        return None
    accel, apart = np.gradient(mine, time), mine - theirs
    drift, noise = 2.0 * settings.speed_drift_sd_mps**2, settings.speed_noise_mps**2
    slow = drift * np.exp(-np.abs(time[:, None] - time) / settings.speed_drift_time_s)
    loose = np.ones(len(time))
    slope = u = 0.0
    for _ in range(6):
        weighed = np.linalg.solve(slow + noise * np.diag(loose), np.stack([accel, apart], axis=1))
        u = 1.0 / float(np.sqrt(accel @ weighed[:, 0]))
        slope = float(accel @ weighed[:, 1]) * u**2
        # corners of the motion and stretches in which one is wrong: they must not pull
        loose = np.maximum(np.abs(apart - slope * accel) / (2.0 * np.sqrt(drift + noise)), 1.0) ** 4
    return Lag(slope, u)


def _windows(source: GnssSource, ok: NDArray[np.bool_], window_s: float) -> tuple[Array, Array, int] | None:
    """How far the distance driven falls behind and the speed gained, over windows without a hole."""
    if ok.sum() < _LEAST_WINDOWS:
        return None
    time, speed = source.time_s[ok], source.speed_mps[ok]
    error = source.travel_m[ok] - driven(source, ok)
    epochs = max(1, round(window_s / source.interval_s))
    whole = time[epochs:] - time[:-epochs] <= 1.2 * epochs * source.interval_s
    if whole.sum() < _LEAST_WINDOWS:
        return None
    return (error[epochs:] - error[:-epochs])[whole], (speed[epochs:] - speed[:-epochs])[whole], epochs
