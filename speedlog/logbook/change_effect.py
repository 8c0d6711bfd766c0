"""`history --effect KEY`: what a change of one thing on the car did, over all kept passes.

Passes of one car are grouped by what the set-up says under the key; each group is set against the one used before
it. A pass's speed is its still-air standard-day equivalent, made when it was kept; heat, sag, energy and rise are
those of its own log. The statistics are `speedlog.vehicle.effect`'s.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import rows
from speedlog.logbook.figures import doubtful, in_order
from speedlog.logbook.rows import PassRow
from speedlog.logbook.setups import same_setup
from speedlog.logbook.store import Logbook
from speedlog.results_car import Effect
from speedlog.results_quantity import Quantity95, as_json
from speedlog.session import SETUP
from speedlog.session.load import read_setup
from speedlog.session.table import Table
from speedlog.settings.vehicle import VehicleSettings
from speedlog.units import Quantity
from speedlog.vehicle.effect import FIGURES, Corrected, effect_of
from speedlog.vehicle.facts import facts_of
from speedlog.vehicle.trend import Trend, trend_of

_PLACES: Mapping[str, tuple[str, str]] = {
    "speed": ("still_air", "equivalent_mps"),
    "heat": ("heat", "squared_logged_a2s"),
    "sag": ("pack", "sag_v"),
    "energy": ("pack", "energy_wh"),
    "motor_rise": ("thermal", "rise_k"),
}
# numbers that are changed in steps: their step in SI, and as it is told
_STEPS: Mapping[str, tuple[float, str]] = {
    "current_limit": (10.0, "10 A"), "wheel_diameter": (1e-3, "1 mm"), "gear_ratio": (0.1, "0.1"),
    "ramp": (0.1, "0.1 s"), "mass": (0.1, "0.1 kg"), "cells": (1.0, "1 cell"), "motor_kv": (10.0, "10 rpm/V"),
}  # fmt: skip


@dataclass(frozen=True)
class ChangeEffect:
    """One change of one car.

    Attributes:
        before, after: what the set-up says; `passes_before`, `passes_after`: ids of the passes.
        also: other keys of the set-up that are not the same on both sides: the effect is theirs too.
        effects: a figure each, where any pass of both sides has it.
        left_out: passes that could not be used for the speed, and why, a line each.
    """

    key: str
    car: str
    before: str
    after: str
    passes_before: tuple[int, ...]
    passes_after: tuple[int, ...]
    also: tuple[str, ...]
    effects: tuple[Effect, ...]
    left_out: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The form of `effects` in history.schema.json."""
        found = as_json(self)
        assert isinstance(found, dict)
        return found


@dataclass(frozen=True)
class ChangeTrend:
    """What more of a number of the set-up brought, over all passes of one car that say it; see `Trend`."""

    key: str
    car: str
    step: str
    passes: tuple[int, ...]
    also: tuple[str, ...]
    trends: tuple[Trend, ...]

    def as_json(self) -> dict[str, Any]:
        """The form of `trends` in history.schema.json."""
        found = as_json(self)
        assert isinstance(found, dict)
        return found


def read_trends(book: Logbook, chosen: Sequence[PassRow], key: str) -> tuple[ChangeTrend, ...]:
    """A straight line through each figure over the values of `key`, where it is a number with three values or more."""
    if key not in _STEPS:
        return ()
    step, words = _STEPS[key]
    found = []
    for car in dict.fromkeys(row.car for row in chosen):
        mine = [
            (row, value)
            for row in in_order(chosen)
            if row.car == car and (value := _number(key, row)) is not None
        ]
        reviews = {row.id: rows.review_json(book, row.id) for row, _ in mine}
        trends = []
        for figure, unit in FIGURES.items():
            told = [
                (value, item) for row, value in mine if (item := _figure(reviews[row.id], row, figure)[0])
            ]
            line = trend_of(figure, unit, [value for value, _ in told], [item for _, item in told], step)
            if line is not None:
                trends.append(line)
        if trends:
            rest = [row for row, _ in mine]
            also = tuple(
                other for other in SETUP if other != key and not _covered(other, *_both(rest, other))
            )
            found.append(ChangeTrend(key, car, words, tuple(row.id for row in rest), also, tuple(trends)))
    return tuple(found)


def _both(mine: Sequence[PassRow], key: str) -> tuple[list[Any], list[Any]]:
    values = [row.setup.get(key) for row in mine]
    return values, values[:1]


def _number(key: str, row: PassRow) -> float | None:
    """What the set-up says under a key of `_STEPS`, SI."""
    if key not in row.setup:
        return None
    value = read_setup(Table({key: row.setup[key]}, Path(f"pass {row.id}")))[key]
    if isinstance(value, Quantity):
        return float(value.value)
    facts = facts_of({key: value})
    known = {
        "ramp": facts.ramp_s,
        "cells": facts.cells,
        "gear_ratio": facts.gear_ratio,
        "motor_kv": facts.motor_kv,
    }
    found = known.get(key)
    return None if found is None else float(found)


def read_effects(
    book: Logbook, chosen: Sequence[PassRow], key: str, settings: VehicleSettings | None = None
) -> tuple[ChangeEffect, ...]:
    """The effect of each change of `key` among these passes, in the order in which they were made.

    Raises:
        SpeedlogError: no such key, or nothing was changed.
    """
    settings = settings or VehicleSettings()
    _check(key)
    cars = {row.car: [item for item in in_order(chosen) if item.car == row.car] for row in chosen}
    found = []
    for car, mine in cars.items():
        groups = _by_value([row for row in mine if key in row.setup], key)
        told = {row.id: (rows.review_json(book, row.id), row) for group in groups for row in group}
        for before, after in itertools.pairwise(groups):
            found.append(_effect(key, car, before, after, told, settings))
    if not found:
        raise SpeedlogError(
            f'"{key}" was not changed in these passes',
            todo="It needs passes with two values of it in their set-up.",
        )
    return tuple(found)


def _check(key: str) -> None:
    if key not in SETUP:
        near = get_close_matches(key, SETUP, 1)
        raise SpeedlogError(
            f'--effect "{plain(key, 60)}" is nothing in a set-up',
            todo=f'Did you mean "{near[0]}"?' if near else f"Known: {', '.join(SETUP)}.",
        )


def _by_value(mine: Sequence[PassRow], key: str) -> list[list[PassRow]]:
    """Passes with the same value together, in the order in which the values were first used."""
    groups: list[list[PassRow]] = []
    for row in mine:
        home = next((group for group in groups if same_setup(key, group[0].setup[key], row.setup[key])), None)
        if home is None:
            groups.append([row])
        else:
            home.append(row)
    return groups


def _effect(
    key: str, car: str, before: Sequence[PassRow], after: Sequence[PassRow],
    told: Mapping[int, tuple[dict[str, Any] | None, PassRow]], settings: VehicleSettings,
) -> ChangeEffect:  # fmt: skip
    sides = (f"{before[0].setup[key]}", f"{after[0].setup[key]}")
    effects: list[Effect] = []
    for figure, unit in FIGURES.items():
        one = [item for row in before if (item := _figure(told[row.id][0], row, figure)[0])]
        two = [item for row in after if (item := _figure(told[row.id][0], row, figure)[0])]
        if one and two:
            elsewhere = _another_trap_u(before, after) if figure == "speed" else 0.0
            effects.append(effect_of(figure, unit, key, sides, one, two, settings, not_shared_u=elsewhere))
    left_out = [
        f"pass {row.id}: {why}"
        for row in (*before, *after)
        if (why := _figure(told[row.id][0], row, "speed")[1])
    ]
    return ChangeEffect(
        key, car, *sides, tuple(row.id for row in before), tuple(row.id for row in after),
        _also(key, before, after), tuple(effects), tuple(left_out),
    )  # fmt: skip


def _figure(review: Mapping[str, Any] | None, row: PassRow, figure: str) -> tuple[Corrected | None, str]:
    """One pass's figure from its kept review, or why there is none."""
    passes = (review or {}).get("passes") or [{}]
    car = passes[0].get("car")
    if car is None:
        return None, "its logs gave no estimate, or neither weather nor a controller's log was kept with it"
    if figure == "speed" and doubtful(row):
        return None, "its trap figure is in doubt"
    part, name = _PLACES[figure]
    found = car[part][name]
    if found is None or found["value"] is None:
        why = car[part]["why_not"]
        return None, why.get(name) or why.get("") or "not told by its logs"
    return Corrected(found["value"], Quantity95(found["value"], *found["interval95"]).standard_u), ""


def _another_trap_u(before: Sequence[PassRow], after: Sequence[PassRow]) -> float:
    """What two traps, taped as a course file takes it, add between the sides; nothing where both drove the same."""
    venues = [{row.venue for row in side} for side in (before, after)]
    if venues[0] == venues[1]:
        return 0.0
    parts = []
    for side in (before, after):
        found = next((row.result for row in side if row.result and row.result.trap_length_m), None)
        speed = None if found is None else found.estimate_mps or found.official_mps
        if found is not None and found.trap_length_m and speed:
            parts.append(speed * Course.length_u_m / found.trap_length_m)
    return math.hypot(*parts) if parts else 0.0


def _also(key: str, before: Sequence[PassRow], after: Sequence[PassRow]) -> tuple[str, ...]:
    """Keys whose values are not the same, as a set, on both sides."""
    found = []
    for other in SETUP:
        if other == key:
            continue
        one, two = ([row.setup.get(other) for row in side] for side in (before, after))
        if not (_covered(other, one, two) and _covered(other, two, one)):
            found.append(other)
    return tuple(found)


def _covered(key: str, these: Sequence[Any], those: Sequence[Any]) -> bool:
    return all(any(item == other or (None not in (item, other) and same_setup(key, item, other)) for other in those)
               for item in these)  # fmt: skip
