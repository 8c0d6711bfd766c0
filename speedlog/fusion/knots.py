"""The knots of a pass in time, and what lies between two of them.

Close where the trap and the peak are, wide elsewhere. Between two knots the motion is the quintic
through place, speed and acceleration at both (Hermite interpolation); with white jerk of density q
over a step T it misses the speed by no more than sqrt(q T³ / 3072): 4 mm/s at 60 m²/s⁵ and 0.1 s.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def make_knots(
    start_s: float, end_s: float, close: Sequence[tuple[float, float]], close_s: float, wide_s: float
) -> Array:
    """(K,) rising times from `start_s` to `end_s`, at most `close_s` apart inside the stretches of `close`.

    A piece shorter than a quarter of `close_s` gets no knot of its own: the first knot may come so much late.

    Args:
        close: (from, to) in seconds, in order, apart from one another.
    """
    pieces, at = [], start_s
    for first, last in [*close, (end_s, end_s)]:
        first, last = min(max(first, at), end_s), min(max(last, at), end_s)
        pieces += [_even(at, first, wide_s, close_s), _even(first, last, close_s, close_s)]
        at = last
    return np.concatenate([*pieces, [end_s]])


def _even(start: float, end: float, widest: float, close_s: float) -> Array:
    """Knots from `start` on, `end` left out; none for a sliver, whose precision no double could hold."""
    if end - start < close_s / 4:
        return np.empty(0)
    count = max(1, int(np.ceil((end - start) / widest - 1e-9)))
    return np.asarray(start + (end - start) * np.arange(count) / count)


def between(time_s: Array, knots_s: Array) -> tuple[Ints, Array, Array]:
    """(n,) the knot before each time, (n,) the share of the step gone, (n,) the step's length."""
    k = np.clip(np.searchsorted(knots_s, time_s, side="right") - 1, 0, len(knots_s) - 2)
    step = knots_s[k + 1] - knots_s[k]
    return k, (time_s - knots_s[k]) / step, step


def quintic(share: Array, step_s: Array) -> Array:
    """(n, 3, 6): place, speed and acceleration inside a step from (place, speed, acceleration) at both ends."""
    u, h = share, step_s
    u2, u3, u4, u5 = u**2, u**3, u**4, u**5
    out = np.empty((len(u), 3, 6))
    out[:, 0] = np.stack(
        [1 - 10 * u3 + 15 * u4 - 6 * u5, h * (u - 6 * u3 + 8 * u4 - 3 * u5),
         h**2 * (u2 - 3 * u3 + 3 * u4 - u5) / 2, 10 * u3 - 15 * u4 + 6 * u5,
         h * (-4 * u3 + 7 * u4 - 3 * u5), h**2 * (u3 - 2 * u4 + u5) / 2], axis=-1,
    )  # fmt: skip
    out[:, 1] = np.stack(
        [(-30 * u2 + 60 * u3 - 30 * u4) / h, 1 - 18 * u2 + 32 * u3 - 15 * u4,
         h * (2 * u - 9 * u2 + 12 * u3 - 5 * u4) / 2, (30 * u2 - 60 * u3 + 30 * u4) / h,
         -12 * u2 + 28 * u3 - 15 * u4, h * (3 * u2 - 8 * u3 + 5 * u4) / 2], axis=-1,
    )  # fmt: skip
    out[:, 2] = np.stack(
        [(-60 * u + 180 * u2 - 120 * u3) / h**2, (-36 * u + 96 * u2 - 60 * u3) / h,
         1 - 9 * u + 18 * u2 - 10 * u3, (60 * u - 180 * u2 + 120 * u3) / h**2,
         (-24 * u + 84 * u2 - 60 * u3) / h, 3 * u - 12 * u2 + 10 * u3], axis=-1,
    )  # fmt: skip
    return out
