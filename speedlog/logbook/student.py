"""Student's t for whole degrees of freedom, in closed form: `history` must not wait for a statistics library.

Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
"""

from __future__ import annotations

import math


def t_within(t: float, freedom: int) -> float:
    """The probability that |T| is below t, for a whole number of degrees of freedom from 1."""
    theta = math.atan2(abs(t), math.sqrt(freedom))
    cos2 = math.cos(theta) ** 2
    odd = freedom % 2 == 1
    term, total = 1.0, 1.0 if freedom > 1 else 0.0
    first = 2 if odd else 1
    for k in range(first, freedom - 1, 2):
        term *= k / (k + 1) * cos2
        total += term
    if odd:
        return 2 / math.pi * (theta + math.sin(theta) * math.cos(theta) * total)
    return math.sin(theta) * total


def t_beyond(t: float, freedom: int) -> float:
    """The two-sided p-value: the probability that |T| is at least t."""
    return max(1.0 - t_within(t, freedom), 0.0)


def t_quantile(within: float, freedom: int) -> float:
    """The t with `within` of the probability between -t and t (0.95: the usual half-width)."""
    low, high = 0.0, 1.0
    while t_within(high, freedom) < within:
        low, high = high, 2 * high
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if t_within(middle, freedom) < within else (low, middle)
    return 0.5 * (low + high)
