"""Interval of a share: E. B. Wilson, Journal of the American Statistical Association 22 (1927) 209."""

from __future__ import annotations

import math

Z95 = 1.959963984540054  # 97.5 % point of the normal law


def wilson_percent(hits: int, count: int) -> tuple[float, float]:
    """95 % score interval of a share, in per cent; NaN without a try."""
    if count == 0:
        return float("nan"), float("nan")
    share, z2 = hits / count, Z95 * Z95
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = Z95 / (1 + z2 / count) * math.sqrt(share * (1 - share) / count + z2 / (4 * count * count))
    return 100.0 * (middle - half), 100.0 * (middle + half)
