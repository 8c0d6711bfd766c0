"""Passes side by side: what differs in the set-up first, then trap, fastest moment, launch, and the speed curves.

The first pass is the one that the others are set against. Distances are counted from the launch, so that passes in
opposite directions can be compared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from speedlog.errors import SpeedlogError
from speedlog.logbook.compare_car import CarRow, car_rows
from speedlog.logbook.figures import Figure, Gain, estimate, figure_unit, gain, official, peak
from speedlog.logbook.history import FALLBACK_UNIT, pass_json
from speedlog.logbook.results import review_kept
from speedlog.logbook.rows import PassRow, pass_named
from speedlog.logbook.run_curve import (
    Array,
    Origin,
    Reached,
    Run,
    at_places,
    common_grid,
    common_origin,
    reached,
    run_of,
)
from speedlog.logbook.setups import in_order, same_setup
from speedlog.logbook.store import Logbook
from speedlog.results import Pass
from speedlog.session import SETUP
from speedlog.settings.season import CompareSettings
from speedlog.units import find_unit

_SETTINGS = CompareSettings()
FigureName = Literal["trap", "estimate", "peak"]
# round speeds of the unit, as drivers say them: "to 100 mph"
LAUNCH_STEPS: Mapping[str, float] = {"mph": 50.0, "km/h": 100.0, "m/s": 20.0}
_JSON_STEP = 5  # every so many points of the curves are in the JSON


@dataclass(frozen=True, eq=False)
class Side:
    """One of the passes: as kept, and as reviewed now; `error` is the one line where that can't be."""

    row: PassRow
    found: Pass | None
    error: str = ""


@dataclass(frozen=True)
class Difference:
    """Something written that is not the same for all; "" where a pass does not say."""

    key: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class FigureRow:
    """One figure of every pass, and what each later one is above the first."""

    name: FigureName
    figures: tuple[Figure | None, ...]
    gains: tuple[Gain | None, ...]  # one a pass; None for the first and where one is missing


@dataclass(frozen=True)
class LaunchRow:
    """What it took to reach a speed, pass by pass."""

    speed_mps: float
    by: tuple[Reached | None, ...]


@dataclass(frozen=True, eq=False)
class Curve:
    """The speed of one pass on the common distances: (M,) each."""

    speed_mps: Array
    low_mps: Array
    high_mps: Array
    time_s: Array
    trap_m: tuple[float, float] | None


@dataclass(frozen=True)
class Mark:
    """The figures at one distance."""

    distance_m: float
    speeds: tuple[Figure, ...]
    times_s: tuple[float, ...]
    gains: tuple[Gain, ...]  # each pass but the first against the first


@dataclass(frozen=True, eq=False)
class Comparison:
    """Passes side by side.

    Attributes:
        setup, conditions: what differs in the set-up; in the weather and what was measured by hand.
        car: heat, sag and tyres, where logs tell.
        origin: from where distances are counted; None where there are no curves, and `no_curves` says why.
        distance_m: (M,) of the curves.
    """

    sides: tuple[Side, ...]
    unit: str
    setup: tuple[Difference, ...]
    conditions: tuple[Difference, ...]
    figures: tuple[FigureRow, ...]
    origin: Origin | None
    no_curves: str
    launch: tuple[LaunchRow, ...]
    distance_m: Array
    curves: tuple[Curve, ...]
    marks: tuple[Mark, ...]
    car: tuple[CarRow, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The form of compare.schema.json."""
        return {
            "schema_version": 1,
            "passes": [pass_json(side.row) for side in self.sides],
            "setup_differences": [{"key": item.key, "values": list(item.values)} for item in self.setup],
            "conditions": [{"key": item.key, "values": list(item.values)} for item in self.conditions],
            "figures": [_figure_json(row) for row in self.figures],
            "car": [row.as_json() for row in self.car],
            "origin": self.origin,
            "no_curves": self.no_curves or None,
            "launch": [
                {"speed_mps": row.speed_mps, "by": [_reached_json(item) for item in row.by]}
                for row in self.launch
            ],
            "marks": [_mark_json(mark) for mark in self.marks],
            "curves": [self._curve_json(curve) for curve in self.curves],
        }

    def _curve_json(self, curve: Curve) -> dict[str, Any]:
        def thinned(values: Array) -> list[float]:
            return [round(float(value), 4) for value in values[::_JSON_STEP]]

        return {
            "distance_m": thinned(self.distance_m),
            "speed_mps": thinned(curve.speed_mps),
            "low_mps": thinned(curve.low_mps),
            "high_mps": thinned(curve.high_mps),
            "time_s": thinned(curve.time_s),
            "trap_m": None if curve.trap_m is None else list(curve.trap_m),
        }


def read_comparison(
    book: Logbook, names: Sequence[str], unit: str | None = None, settings: CompareSettings = _SETTINGS
) -> Comparison:
    """Passes of a logbook, reviewed now from their kept logs.

    Raises:
        SpeedlogError: fewer than two passes, too many, one twice, or none of that name.
    """
    if not 2 <= len(names) <= settings.most_passes:
        raise SpeedlogError(
            f"{len(names)} named, and 2 to {settings.most_passes} passes can be compared",
            todo="Their numbers: speedlog history",
        )
    rows = [pass_named(book, name) for name in names]
    if len({row.id for row in rows}) < len(rows):
        raise SpeedlogError("a pass can't be compared with itself", todo="Name two different passes.")
    return comparison([_side(book, row) for row in rows], unit, settings)


def _side(book: Logbook, row: PassRow) -> Side:
    try:
        return Side(row, review_kept(book, row.id).passes[0])
    except SpeedlogError as error:
        return Side(row, None, str(error))


def comparison(
    sides: Sequence[Side], unit: str | None = None, settings: CompareSettings = _SETTINGS
) -> Comparison:
    """All of it from the passes; `unit` is that of most trap figures if None."""
    rows = [side.row for side in sides]
    told = unit or figure_unit(rows)
    shown = told if told is not None and told in LAUNCH_STEPS else FALLBACK_UNIT
    runs = [None if side.found is None else run_of(side.found, settings.launch_mps) for side in sides]
    made = _curves([run for run in runs if run is not None], settings) if None not in runs else None
    origin, grid, counted, curves = made or (None, np.empty(0), [], ())
    return Comparison(
        sides=tuple(sides),
        unit=shown,
        setup=_differences([{**in_order(row.setup), **row.setup} for row in rows], _same_setup),
        conditions=_differences([{**row.weather, **row.measured} for row in rows]),
        figures=_figure_rows(rows),
        origin=origin,
        no_curves="" if made else _why_not(sides, runs),
        launch=_launch(counted, shown, settings) if origin == "launch" else (),
        distance_m=grid,
        curves=curves,
        marks=_marks(grid[1:] if origin == "launch" else grid, grid, curves, settings),
        car=car_rows([None if side.found is None else side.found.car for side in sides]),
    )


def _why_not(sides: Sequence[Side], runs: Sequence[Run | None]) -> str:
    for side, run in zip(sides, runs, strict=True):
        if run is None:
            return f"Pass {side.row.id} has no speed curve: {side.error or 'its logs give no estimate.'}"
    return "The logs have too little of launch, trap and fastest moment in common."


def _same_setup(key: str, one: Any, other: Any) -> bool:
    return key in SETUP and same_setup(key, one, other)


def _differences(
    written: Sequence[Mapping[str, Any]], same: Callable[[str, Any, Any], bool] | None = None
) -> tuple[Difference, ...]:
    found = []
    for key in dict.fromkeys(key for item in written for key in item):
        values = [item.get(key) for item in written]
        first = values[0]
        if all(
            value == first
            or (same is not None and first is not None and value is not None and same(key, first, value))
            for value in values
        ):
            continue
        found.append(Difference(key, tuple("" if value is None else f"{value}" for value in values)))
    return tuple(found)


def _figure_rows(rows: Sequence[PassRow]) -> tuple[FigureRow, ...]:
    kinds: tuple[tuple[FigureName, Callable[[PassRow], Figure | None]], ...] = (
        ("trap", official), ("estimate", estimate), ("peak", peak),
    )  # fmt: skip
    made = []
    for name, of in kinds:
        figures = tuple(of(row) for row in rows)
        first = figures[0]
        gains = tuple(
            None if place == 0 or first is None or figure is None else gain(figure, first)
            for place, figure in enumerate(figures)
        )
        made.append(FigureRow(name, figures, gains))
    return tuple(made)


def _curves(
    runs: Sequence[Run], settings: CompareSettings
) -> tuple[Origin, Array, list[Run], tuple[Curve, ...]] | None:
    origin = common_origin(runs)
    if origin is None:
        return None
    place_u95_m = 0.0 if origin == "launch" else settings.place_u95_m
    counted = [run.from_(origin, place_u95_m) for run in runs]
    grid = common_grid(counted, settings.grid_m)
    if len(grid) < 2 or grid[-1] - grid[0] < settings.least_common_m:
        return None
    return origin, grid, counted, tuple(Curve(*at_places(run, grid), run.trap_m) for run in counted)


def _launch(runs: Sequence[Run], unit: str, settings: CompareSettings) -> tuple[LaunchRow, ...]:
    found = find_unit(unit, "speed")
    assert found is not None
    step = found.to_si(LAUNCH_STEPS[unit])
    top = max(float(run.speed_mps.max()) for run in runs)
    marks = [k * step for k in range(1, int(top / step) + 1)]
    return tuple(
        LaunchRow(mark, tuple(reached(run, mark, settings.launch_mps) for run in runs)) for mark in marks
    )


def _marks(
    within: Array, grid: Array, curves: Sequence[Curve], settings: CompareSettings
) -> tuple[Mark, ...]:
    if not len(within):
        return ()
    first, last = np.ceil(within[0] / settings.mark_m), np.floor(within[-1] / settings.mark_m)
    places = settings.mark_m * np.arange(first, last + 1)
    made = []
    for place in places.tolist():
        speeds = tuple(
            Figure(
                *(
                    float(np.interp(place, grid, part))
                    for part in (item.speed_mps, item.low_mps, item.high_mps)
                )
            )
            for item in curves
        )
        times = tuple(float(np.interp(place, grid, item.time_s)) for item in curves)
        made.append(Mark(place, speeds, times, tuple(gain(speed, speeds[0]) for speed in speeds[1:])))
    return tuple(made)


def _figure_json(row: FigureRow) -> dict[str, Any]:
    return {
        "name": row.name,
        "by": [None if item is None else item.as_json() for item in row.figures],
        "gains": [None if item is None else item.as_json() for item in row.gains],
    }


def _reached_json(item: Reached | None) -> dict[str, Any] | None:
    if item is None:
        return None

    def ends(value: float, half: float | None) -> list[float] | None:
        return None if half is None else [value - half, value + half]

    return {
        "time_s": item.time_s,
        "time_interval95_s": ends(item.time_s, item.time_half_s),
        "distance_m": item.distance_m,
        "distance_interval95_m": ends(item.distance_m, item.distance_half_m),
    }


def _mark_json(mark: Mark) -> dict[str, Any]:
    return {
        "distance_m": mark.distance_m,
        "by": [
            {**speed.as_json(), "time_s": time} for speed, time in zip(mark.speeds, mark.times_s, strict=True)
        ],
        "gains": [item.as_json() for item in mark.gains],
    }
