"""The effect of a change of the set-up on one figure: Welch's test, and what so few passes can say at all.

B. L. Welch, "The generalization of 'Student's' problem", Biometrika 34 (1947); degrees of freedom by Satterthwaite.
NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from speedlog.results_car import CarPass, Effect
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording

Array = NDArray[np.float64]
FIGURES = {"speed": "m/s", "heat": "A²s", "sag": "V", "energy": "Wh", "motor_rise": "K"}  # and their units


@dataclass(frozen=True)
class Corrected:
    """One pass's figure, corrected for wind and air where that matters.

    Attributes:
        value: of the pass. own_u: its own standard uncertainty; what all passes share (the same trap) is left out.
    """

    value: float
    own_u: float = 0.0


@dataclass(frozen=True)
class Welch:
    """Second mean minus first, with t, degrees of freedom, two-sided p and the 95 % interval."""

    difference: float
    t: float
    freedom: float
    p_value: float
    low: float
    high: float


def effect_of(
    figure: str, unit: str, key: str, sides: tuple[str, str], before: Sequence[Corrected], after: Sequence[Corrected],
    settings: VehicleSettings, *, not_shared_u: float = 0.0,
) -> Effect:  # fmt: skip
    """What a change did: after minus before.

    Args:
        figure, unit: what is compared, "speed", "m/s".
        key, sides: the set-up's key, and what it was before and after.
        not_shared_u: standard uncertainty of what differs as a whole between the sides (another day, another
            trap); it widens the interval, however many passes.

    With one pass on either side there is no scatter, so no interval; with few, the least permutation p says what
    they could show at best.
    """
    one, two = (np.array([item.value for item in side], dtype=float) for side in (before, after))
    counts = (len(one), len(two))
    if 0 in counts:
        nothing = MappingProxyType({"": wording.NOBODY})
        mean1, mean2 = (float(side.mean()) if len(side) else math.nan for side in (one, two))
        return Effect(figure, unit, key, *sides, *counts, mean1, mean2, None, None, None, None, None, None, 0.0,
                      wording.NOBODY, nothing)  # fmt: skip
    own = math.sqrt(sum(sum(item.own_u**2 for item in side) / len(side) ** 2 for side in (before, after)))
    difference = float(two.mean() - one.mean())
    least = 2 / math.comb(sum(counts), counts[0]) if min(counts) > 1 else None
    told = None if min(counts) < 2 else welch(*_moments(one), *_moments(two), own_u=own)
    interval = None if told is None else _widened(told, not_shared_u)
    p_permuted = None if least is None else permutation_p(one, two, settings)
    why = {} if told is not None else {"difference": wording.ONE_PASS}
    return Effect(
        figure, unit, key, *sides, *counts, float(one.mean()), float(two.mean()), interval,
        None if told is None else told.t, None if told is None else told.freedom,
        None if told is None else told.p_value, p_permuted, least, own,
        _said(difference, unit, interval, least, counts), MappingProxyType(why),
    )  # fmt: skip


def welch(
    n1: int, mean1: float, sd1: float, n2: int, mean2: float, sd2: float, *, own_u: float = 0.0
) -> Welch:
    """Welch's unequal-variances test and interval of mean2 - mean1.

    `own_u`: what the values' own uncertainties make of the difference. Scatter has it in it; a scatter that
    happens to be smaller is no better knowledge, so the larger of the two counts.
    """
    from scipy.stats import t as student  # a second to import: only where it is asked for

    parts = (sd1**2 / n1, sd2**2 / n2)
    variance = sum(parts)
    difference = mean2 - mean1
    freedom = float(n1 + n2 - 2)
    if variance > 0:
        freedom = variance**2 / (parts[0] ** 2 / (n1 - 1) + parts[1] ** 2 / (n2 - 1))
    error = math.sqrt(max(variance, own_u**2))
    if error == 0:
        return Welch(
            difference,
            math.copysign(math.inf, difference),
            freedom,
            float(difference == 0),
            difference,
            difference,
        )
    t, half = difference / error, float(student.ppf(0.975, freedom)) * error
    return Welch(
        difference, t, freedom, float(2 * student.sf(abs(t), freedom)), difference - half, difference + half
    )


def permutation_p(one: Array, two: Array, settings: VehicleSettings) -> float:
    """Two-sided p of the difference of means over all ways to deal the passes out (or many drawn ones).

    Twice the smaller one-sided p (Fisher 1935; Pitman 1937), so never under two over the number of ways.
    """
    together, n1 = np.concatenate([one, two]), len(one)
    slack = 1e-12 * max(1.0, float(np.abs(together).max()))
    seen = float(one.sum())
    if math.comb(len(together), n1) <= settings.effect_permutations:
        sums = np.array([sum(chosen) for chosen in itertools.combinations(together.tolist(), n1)])
        extra, count = 0, len(sums)
    else:
        rng = np.random.default_rng(n1)  # the same answer each time
        sums = np.array([rng.permutation(together)[:n1].sum() for _ in range(settings.effect_permutations)])
        extra, count = 1, len(sums) + 1  # the deal that was seen is one of the possible ones
    above, below = np.count_nonzero(sums >= seen - slack), np.count_nonzero(sums <= seen + slack)
    return min(1.0, 2 * (extra + min(int(above), int(below))) / count)


def _moments(values: Array) -> tuple[int, float, float]:
    return len(values), float(values.mean()), float(values.std(ddof=1))


def _widened(told: Welch, not_shared_u: float) -> Quantity95:
    half = math.hypot(0.5 * (told.high - told.low), 1.96 * not_shared_u)
    return Quantity95(told.difference, told.difference - half, told.difference + half)


def _said(
    difference: float, unit: str, interval: Quantity95 | None, least: float | None, counts: tuple[int, int]
) -> str:
    """One plain sentence; figures in SI, the pages convert."""
    few = wording.few_passes(*counts, least) if least is None or least > 0.05 else ""
    if interval is None:
        return few
    clear = interval.low > 0 or interval.high < 0
    first = wording.EFFECT_CLEAR if clear else wording.EFFECT_UNCLEAR
    return " ".join(part for part in (first, few) if part)


def corrected(car: CarPass, figure: str) -> Corrected | None:
    """One pass's figure for `effect_of`; None where its logs, or its weather, don't give it.

    "speed" is the still-air standard-day equivalent, so a pass without wind or air noted has none. "heat" is ∫I² dt as
    the logger has it: its scale is the same before and after.
    """
    found = {
        "speed": car.still_air.equivalent_mps, "heat": car.heat.squared_logged_a2s, "sag": car.pack.sag_v,
        "energy": car.pack.energy_wh, "motor_rise": car.thermal.rise_k,
    }[figure]  # fmt: skip
    return None if found is None else Corrected(found.value, found.standard_u)
