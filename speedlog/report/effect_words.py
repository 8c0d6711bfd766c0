"""The effect of a change in words and figures, for a terminal and the season page. Speeds are tokens."""

from __future__ import annotations

from collections.abc import Mapping

from speedlog.logbook.change_effect import ChangeEffect, ChangeTrend
from speedlog.logbook.history import History
from speedlog.report.numbers import dif, mps
from speedlog.report.wording import SETUP
from speedlog.results_car import Effect
from speedlog.vehicle.trend import Trend

TITLE = "What a change did"
FIGURES: Mapping[str, str] = {
    "speed": "Speed, still air, standard day",
    "heat": "Current heat ∫I²dt",
    "sag": "Pack sag",
    "energy": "Energy",
    "motor_rise": "Motor's rise",
}
_SHOWN: Mapping[str, tuple[float, str, int]] = {
    "heat": (1e-3, "kA²s", 1), "sag": (1.0, "V", 2), "energy": (1.0, "Wh", 1), "motor_rise": (1.0, "°C", 1),
}  # fmt: skip
HEAD = ("", "before", "after", "difference, 95 %", "Welch p", "permutation p")
HOW = (
    "Each speed is corrected for wind and air first, and carries that uncertainty. p: how often chance alone would do "
    "as much. Beside the change itself, everything else that was different on the day is in the difference."
)


def title(item: ChangeEffect) -> str:
    """ "Current limit 125 A → 140 A (Long Shrike): pass 2 against passes 3, 4"."""
    name = SETUP.get(item.key, item.key)
    car = f" ({item.car})" if item.car else ""
    sides = f"{_passes(item.passes_before)} against {_passes(item.passes_after)}"
    return f"{name} {item.before} → {item.after}{car}: {sides}"


def _passes(ids: tuple[int, ...]) -> str:
    return f"pass{'es' * (len(ids) != 1)} {', '.join(map(str, ids))}"


def cells(effect: Effect) -> tuple[str, ...]:
    """One row under `HEAD`."""
    found = effect.difference
    told = "not told" if found is None else _difference(effect)
    p = "–" if effect.p_value is None else _p(effect.p_value)
    permuted = "–" if effect.permutation_p is None else _p(effect.permutation_p)
    return (
        FIGURES[effect.figure],
        f"{_mean(effect.figure, effect.mean_before)} ({effect.passes_before})",
        f"{_mean(effect.figure, effect.mean_after)} ({effect.passes_after})",
        told, p, permuted,
    )  # fmt: skip


TREND_HEAD = ("", "for each {step} more, 95 %", "scatter about the line", "p", "passes")


SINGLY = "Single steps are not listed: with one pass on a side there is no scatter to judge a step by."


def told_singly(found: History) -> tuple[ChangeEffect, ...]:
    """The changes to list: where a line through all passes is there, only those that can be told singly too."""
    every = found.effects or ()
    if not found.trends:
        return every
    return tuple(item for item in every if any(effect.difference is not None for effect in item.effects))


def trend_title(item: ChangeTrend) -> str:
    """ "Current limit, all passes with a number (Long Shrike)"."""
    car = f" ({item.car})" if item.car else ""
    return f"{SETUP.get(item.key, item.key)}, a straight line through {_passes(item.passes)}{car}"


def trend_cells(item: Trend) -> tuple[str, ...]:
    """One row under `TREND_HEAD`."""
    half = (item.slope.high - item.slope.low) / 2
    if item.figure == "speed":
        told, scatter = f"{dif(item.slope.value)} (±\u00a0{mps(half)})", mps(item.residual)
    else:
        factor, unit, digits = _SHOWN[item.figure]
        told = (
            f"{item.slope.value * factor:+.{digits + 1}f} ±\u00a0{half * factor:.{digits + 1}f}\u00a0{unit}"
        )
        scatter = f"{item.residual * factor:.{digits}f}\u00a0{unit}"
    return (FIGURES[item.figure], told, scatter, _p(item.p_value), str(item.passes))


def trend_notes(item: ChangeTrend) -> tuple[str, ...]:
    if not item.also:
        return ()
    names = ", ".join(SETUP.get(key, key).lower() for key in item.also)
    return (f"Not the same throughout either: {names}. The slope is theirs too.",)


def notes(item: ChangeEffect) -> tuple[str, ...]:
    """What the figures come to, what else was changed, and which passes were left out."""
    by_text: dict[str, list[str]] = {}
    for effect in item.effects:
        by_text.setdefault(effect.text, []).append(FIGURES[effect.figure].lower())
    said = [text for text in by_text if text]
    if len(by_text) > 1:
        said = [f"{_capital(', '.join(names))}: {text}" for text, names in by_text.items() if text]
    if item.also:
        names = ", ".join(SETUP.get(key, key).lower() for key in item.also)
        said.append(f"Not the same on both sides either: {names}. The difference is theirs too.")
    if not item.effects:
        said.append("No figure is there on both sides.")
    said += [f"Left out of the speed: {text}" for text in item.left_out]
    return tuple(said)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _mean(figure: str, value: float) -> str:
    if figure == "speed":
        return mps(value)
    factor, unit, digits = _SHOWN[figure]
    return f"{value * factor:.{digits}f}\u00a0{unit}"


def _difference(effect: Effect) -> str:
    found = effect.difference
    assert found is not None
    if effect.figure == "speed":
        return f"{dif(found.value)} (±\u00a0{mps((found.high - found.low) / 2)})"
    factor, unit, digits = _SHOWN[effect.figure]
    half = (found.high - found.low) / 2 * factor
    return f"{found.value * factor:+.{digits}f} ±\u00a0{half:.{digits}f}\u00a0{unit}"


def _p(value: float) -> str:
    return f"{value:.3f}" if value >= 0.001 else "< 0.001"
