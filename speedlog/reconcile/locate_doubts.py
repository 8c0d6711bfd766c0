"""What speaks against a trap place found from passes: each doubt, its threshold and its sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from speedlog.errors import plain
from speedlog.settings import LocateSettings

Array = NDArray[np.float64]
DoubtCode = Literal[
    "too_few", "unchecked", "contradiction", "misfit", "several_places", "at_the_edge", "flat", "alike", "one_way"
]  # fmt: skip


@dataclass(frozen=True)
class Doubt:
    """One doubt: what it is, what to do, and whether the place must not be used."""

    code: DoubtCode
    text: str
    todo: str
    forbids: bool


@dataclass(frozen=True)
class Rival:
    """The likeliest place outside the main part of the posterior; `share` of it lies outside in all."""

    entry_m: float
    share: float


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the doubts are judged by. Arrays are (P,), a pass each.

    Attributes:
        signs: +1 outbound, -1 return.
        speed_mps: through the trap, the median of the passes.
        slopes: change of the mean speed per metre along the line at the place found, 1/s.
        variances: of each figure's misfit, (m/s)².
        edge_share: posterior density at the stretch's ends as a share of the greatest.
        chance: of so large a misfit; None with one pass.
        relief: by how much chi-square falls when a pass is left out.
    """

    names: tuple[str, ...]
    signs: tuple[int, ...]
    speed_mps: float
    slopes: Array
    variances: Array
    entry_m: float
    sd_m: float
    stretch_m: tuple[float, float]
    edge_share: float
    rival: Rival | None
    chance: float | None
    relief: Array


def doubts_of(seen: Evidence, settings: LocateSettings) -> tuple[Doubt, ...]:
    """Every doubt that applies, those that forbid using the place first."""
    found = [*_about_number(seen, settings), *_about_fit(seen, settings), *_about_shape(seen, settings)]
    if not any(doubt.forbids for doubt in found):
        found += _about_common_errors(seen, settings)
    return tuple(sorted(found, key=lambda doubt: not doubt.forbids))


def _about_number(seen: Evidence, settings: LocateSettings) -> list[Doubt]:
    count = len(seen.names)
    if count < settings.least_passes:
        text = "one pass alone can't tell where the trap is: nothing checks its figure"
        return [Doubt("too_few", text, "Give more passes with trap figures.", True)]
    if count < settings.checked_passes:
        text = f"with {count} passes a wrong figure can't be told from a right one"
        return [Doubt("unchecked", text, "Locate it again when you have another pass.", False)]
    return []


def _about_fit(seen: Evidence, settings: LocateSettings) -> list[Doubt]:
    """Figures that fit no common place: by chi-square, or one pass by what leaving it out gains.

    The gain of leaving one observation out is chi-square with one degree of freedom if all is well;
    the greatest of n by Bonferroni's bound (Cook and Weisberg, Residuals and Influence, 1982, 2.2.2).
    """
    if seen.chance is None:
        return []
    order = np.argsort(-seen.relief)
    gain = float(seen.relief[order[0]])
    lone = len(seen.names) * float(chdtrc(1, max(gain, 0.0)))
    if 2 * min(seen.chance, lone) > settings.misfit_chance:  # two looks, each may err
        return []
    name = plain(seen.names[int(order[0])], 60)
    alone = gain - float(seen.relief[order[1]]) > settings.lone_margin
    if len(seen.names) >= settings.checked_passes and alone:
        text = f"{name} contradicts the others: its trap figure fits no place where theirs do"
        return [
            Doubt("contradiction", text, "Check that figure, or leave that pass out with --without.", True)
        ]
    text = "the trap figures fit no common place"
    return [Doubt("misfit", text, "Check figures, trap length, and whether all are of this course.", True)]


def _about_shape(seen: Evidence, settings: LocateSettings) -> list[Doubt]:
    """A posterior that is not one hill well inside the stretch."""
    low, high = seen.stretch_m
    if seen.rival is not None and seen.rival.share > settings.rival_share:
        text = f"more than one place fits: {seen.entry_m:.0f} m and {seen.rival.entry_m:.0f} m along the line"
        todo = 'Say roughly where it is, like --between "300 m" "700 m", or add passes of other speeds.'
        return [Doubt("several_places", text, todo, True)]
    if seen.sd_m > min(settings.widest_sd_m, settings.flat_share * (high - low) / np.sqrt(12)):
        text = (
            f"the speed changes too little between {low:.0f} m and {high:.0f} m for the passes to tell "
            f"the place (± {2 * seen.sd_m:.0f} m)"
        )
        return [Doubt("flat", text, "Add passes that gain or lose speed through the trap.", True)]
    if seen.edge_share > settings.edge_share:
        text = f"the place lies at the end of the stretch searched ({low:.0f} m to {high:.0f} m)"
        return [Doubt("at_the_edge", text, "Search farther with --between, or give longer logs.", True)]
    return []


def _about_common_errors(seen: Evidence, settings: LocateSettings) -> list[Doubt]:
    """An error that all passes share and that would pass for a shift of the trap.

    A common speed error b and a shift s are the regressors 1 and slope_i of the misfits; they can't be
    told apart as their cosine nears 1 (the variance of s grows by 1 / (1 - cos²), Belsley, Kuh, Welsch,
    Regression Diagnostics, 1980, 3.1). A logger's speed that comes late by T is exactly a shift of v T
    where all passes run one way.
    """
    if len(seen.names) < settings.least_passes:
        return []
    weight = 1 / seen.variances
    size = np.sqrt(weight.sum() * (weight @ seen.slopes**2))
    cosine = abs(float(weight @ seen.slopes)) / max(float(size), 1e-12)
    late_m = settings.unseen_lag_s * seen.speed_mps
    if cosine > settings.alike_cosine:
        slope = float(np.sqrt(np.mean(seen.slopes**2)))
        moved = settings.unseen_speed_mps / max(slope, 1e-9)
        text = (
            "all passes change speed alike at the trap, so an error that all of them share can't be seen: "
            f"{settings.unseen_speed_mps:g} m/s would move the place by {moved:.0f} m"
        )
        return [Doubt("alike", text, "Add a pass the other way, or one that lifts before the trap.", False)]
    if len(set(seen.signs)) == 1:
        text = (
            f"all passes run the same way: loggers whose speed comes {settings.unseen_lag_s:g} s late "
            f"would move the place by {late_m:.0f} m, unseen"
        )
        return [Doubt("one_way", text, "Add a pass the other way.", False)]
    return []
