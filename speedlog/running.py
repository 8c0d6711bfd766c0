"""Running medians and maxima over rows: the same as `scipy.ndimage` gives.

That module takes longer to import than a pass to review, so it is asked for long arrays only, where it is faster.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_LONG = 50_000  # rows: from here on the import is worth its time


def running_median(values: Array, rows: int) -> Array:
    """(N,) the median of `rows` values around each; beyond the ends stands the last value.

    Of an even number the upper one of the two in the middle, as `scipy.ndimage.median_filter` takes it.
    """
    values = np.asarray(values, dtype=float)
    if len(values) >= _LONG:
        from scipy.ndimage import median_filter

        return np.asarray(median_filter(values, size=rows, mode="nearest"), dtype=float)
    if not len(values):
        return values
    before = rows // 2
    padded = np.pad(values, (before, rows - 1 - before), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, rows)
    return np.asarray(np.partition(windows, before, axis=1)[:, before], dtype=float)


def running_maximum(values: Array, rows: int) -> Array:
    """(N,) the greatest of an odd number of values around each, those beyond the ends left out."""
    values = np.asarray(values, dtype=float)
    padded = np.pad(values, rows // 2, constant_values=-np.inf)
    found = padded[: len(values)].copy()
    for at in range(1, rows):
        np.maximum(found, padded[at : at + len(values)], out=found)
    return found
