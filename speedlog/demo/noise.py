"""Random signals with stated statistics, from a generator that the caller seeds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def drift(rng: np.random.Generator, time_s: Array, sd: float, constant_s: float) -> Array:
    """An Ornstein-Uhlenbeck signal: Gaussian, stationary, correlation exp(-|dt| / constant_s).

    Exact at any spacing of times: x[k] = f x[k-1] + sd sqrt(1 - f²) n[k], f = exp(-dt / constant_s)
    (Gillespie, Physical Review E 54 (1996) 2084).

    Args:
        time_s: (N,) rising.
    """
    shocks = rng.standard_normal(len(time_s))
    if not len(time_s):
        return shocks
    keep = np.exp(-np.diff(time_s) / constant_s)
    pushed = np.sqrt(1.0 - keep * keep) * shocks[1:]
    # plain floats: an array's elements one by one would take several times as long
    held = float(shocks[0])
    found = [held]
    for share, push in zip(keep.tolist(), pushed.tolist(), strict=True):
        held = share * held + push
        found.append(held)
    return sd * np.array(found)


def rounded(values: Array, step: float) -> Array:
    """To the nearest multiple of a step; a step of zero leaves them alone."""
    return values if step <= 0 else np.round(values / step) * step
