"""One figure against a number of the set-up that was changed in steps: a straight line through all passes.

Ordinary least squares with Student's t (N. R. Draper and H. Smith, Applied Regression Analysis, ch. 1; NIST/SEMATECH
e-Handbook of Statistical Methods, 4.1.4.1). The passes' scatter about the line is what its uncertainty is made of;
where their own uncertainties come to more than the scatter happens to, those count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from speedlog.results_quantity import Quantity95
from speedlog.vehicle.effect import Corrected


@dataclass(frozen=True)
class Trend:
    """The slope of a figure over a number of the set-up.

    Attributes:
        figure, unit: what changed with it, "speed", "m/s". per: the step that the slope is told for, in SI.
        slope: change of the figure for one `per` more.
        passes: how many. p_value: two-sided, of no slope at all.
        residual: standard deviation of the passes about the line, in `unit`.
    """

    figure: str
    unit: str
    per: float
    slope: Quantity95
    passes: int
    p_value: float
    residual: float


def trend_of(
    figure: str, unit: str, values: Sequence[float], told: Sequence[Corrected], per: float
) -> Trend | None:
    """The line through the passes; None where fewer than three, or all with the same value.

    Args:
        values: (N,) of the set-up, SI. told: (N,) the figure of each pass.
    """
    x, y = np.array(values, dtype=float), np.array([item.value for item in told], dtype=float)
    if len(x) < 3 or np.ptp(x) == 0 or len(set(x.tolist())) < 3:
        return None
    from scipy.stats import t as student

    about = x - x.mean()
    spread = float(about @ about)
    slope = float(about @ y) / spread
    rest = y - y.mean() - slope * about
    freedom = len(x) - 2
    scatter = float(rest @ rest) / freedom
    own = sum(float(a) ** 2 * item.own_u**2 for a, item in zip(about, told, strict=True)) / spread**2
    error = math.sqrt(max(scatter / spread, own))
    p = 0.0 if error == 0 else float(2 * student.sf(abs(slope) / error, freedom))
    half = float(student.ppf(0.975, freedom)) * error * per
    return Trend(
        figure, unit, per, Quantity95(slope * per, slope * per - half, slope * per + half), len(x), p,
        math.sqrt(scatter),
    )  # fmt: skip
