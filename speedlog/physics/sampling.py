"""What a logger that reads now and then, late, or in steps leaves out of a speed: closed forms.

All follow from straight lines: a speed that rises at `gaining_mps2` to a sharp peak and falls at
`losing_mps2` after it, both at least 0. (Numbers to check them by: references.md, topic 5.)
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def peak_missed_most(gaining_mps2: float, losing_mps2: float, interval_s: float) -> float:
    """The most by which the highest reading lies under a sharp peak, m/s: a b T / (a + b).

    The loss is spread evenly from 0 to this, as the peak may fall anywhere between two readings; on
    average it is half of it.
    """
    both = gaining_mps2 + losing_mps2
    return gaining_mps2 * losing_mps2 * interval_s / both if both > 0 else 0.0


def trap_mean_missed_most(
    gaining_mps2: float, losing_mps2: float, interval_s: float, transit_s: float
) -> float:
    """The most by which readings joined by straight lines lower a trap's mean speed, m/s.

    A sharp peak midway between two readings T apart stands (a + b) T / 4 over the line that joins them, and
    the triangle cut off is as long as T. A transit of D seconds holds all of it where D >= T: its area over D is
    (a + b) T² / (8 D). A shorter one sees at the worst its middle: (a + b) T / 4 * (1 - D / (2 T)).
    """
    height = (gaining_mps2 + losing_mps2) * interval_s / 4.0
    if transit_s >= interval_s:
        return height * interval_s / (2.0 * transit_s)
    return height * (1.0 - transit_s / (2.0 * interval_s))


def ramp_read_low(accel_mps2: float, lag_s: float) -> float:
    """By how much a speed that comes late reads low on a steady ramp, m/s: a times lag; negative reads high."""
    return accel_mps2 * lag_s


def peak_filtered_away(gaining_mps2: float, losing_mps2: float, filter_s: float) -> float:
    """By how much a first-order filter's highest value lies under a sharp peak, m/s: b tau ln(1 + a/b).

    (A pure delay takes nothing off a peak; it only shows it late.)
    """
    if gaining_mps2 <= 0.0 or losing_mps2 <= 0.0:
        return 0.0
    return losing_mps2 * filter_s * math.log1p(gaining_mps2 / losing_mps2)


def twice_filtered(knots_s: Array, value: Array, at_s: Array, filter_s: float) -> Array:
    """(N,) a signal of straight lines behind two first-order filters of one time constant, one after the other.

    Within a line u + m s, with T the constant: first u + m (s - T) + c exp(-s/T), then
    u + m (s - 2 T) + (d + c s/T) exp(-s/T), where c and d come from what both filters hold as the line begins.
    Exact at any time. Before the first knot both have settled on its value; the last value lasts.

    Args:
        knots_s, value: (K,) where the lines meet, in order of time. at_s: (N,) when it is asked for.
        filter_s: both time constants; 0 for none.
    """
    if filter_s <= 0.0:
        return np.asarray(np.interp(at_s, knots_s, value))
    step = np.diff(knots_s)
    slope = np.append(np.diff(value) / step, 0.0)
    left = np.exp(-step / filter_s).tolist()
    of_one, of_two = np.zeros(len(value)), np.zeros(len(value))
    once = twice = float(value[0])
    for k, (start, rise) in enumerate(zip(value.tolist(), (slope * filter_s).tolist(), strict=True)):
        of_one[k], of_two[k] = once - start + rise, twice - start + 2.0 * rise
        if k < len(left):
            end, share = float(value[k + 1]), float(step[k]) / filter_s
            once = end - rise + of_one[k] * left[k]
            twice = end - 2.0 * rise + (of_two[k] + of_one[k] * share) * left[k]
    line = np.clip(np.searchsorted(knots_s, at_s, side="right") - 1, 0, len(value) - 1)
    gone = np.maximum(at_s - knots_s[line], 0.0)
    fading = (of_two[line] + of_one[line] * gone / filter_s) * np.exp(-gone / filter_s)
    after = value[line] + slope[line] * (gone - 2.0 * filter_s) + fading
    return np.asarray(np.where(at_s < knots_s[0], value[0], after))


def rate_for_one_inside(speed_mps: float, trap_m: float) -> float:
    """The least rate, Hz, at which one reading lies between the beams for certain: v / L."""
    return speed_mps / trap_m


def step_uncertainty(step: float) -> float:
    """Standard uncertainty of a value rounded to a step, in its unit: q / sqrt(12), a rectangular law.

    (JCGM 100:2008, 4.3.7.)
    """
    return step / math.sqrt(12.0)
