"""How late a logger's speed comes against its own positions.

Receivers smooth their Doppler speed; the positions tell by how much. With the speed late by L, the
distance driven by the logged speed falls behind the positions by L times the gain in speed, whatever
the filter's shape (a pure delay and a first-order lag alike, on a steady ramp). So L is the slope of
one against the other; a constant error of the speed goes into the intercept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import GnssSource, driven
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
_WINDOW_S = 1.0  # long enough for the speed to change by more than its noise
_LEAST_WINDOWS = 20
_LEAST_GAIN_MPS = 2.0  # slower changes than this tell nothing of a lag


@dataclass(frozen=True)
class Lag:
    """Seconds by which the speed is late, and the standard uncertainty of that."""

    lag_s: float
    u_s: float


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


def candidates(gnss: list[GnssSource], settings: FusionSettings) -> list[list[GnssSource]]:
    """The sources as they are; where a speed is surely late, once with a delay named and once with a filter.

    On a ramp a delay and a filter look alike; where the car lifts or brakes they part, so that the
    likelihood of the whole pass can tell them.
    """
    choices: list[list[GnssSource]] = [[]]
    for source in gnss:
        found = speed_lag(source)
        either = [source]
        if (
            found is not None
            and max(settings.lag_least_s, settings.lag_seen_sds * found.u_s)
            < found.lag_s
            < settings.lag_most_s
        ):
            either = [replace(source, speed_delay_s=found.lag_s), replace(source, speed_filter_s=found.lag_s)]
        choices = [[*before, item] for before in choices for item in either]
    return choices


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
