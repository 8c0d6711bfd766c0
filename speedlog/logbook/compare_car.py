"""Heat, sag and tyres of passes side by side, from what each pass's own logs tell; the first is what the rest is
set against."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speedlog.results_car import CarPass
from speedlog.results_quantity import Quantity95, as_json

CarFigure = Literal[
    "heat", "rms_current", "motor_highest", "motor_rise", "sag", "lowest_cell", "energy", "growth", "slip"
]
_FIGURES: tuple[tuple[CarFigure, str, Callable[[CarPass], Quantity95 | None]], ...] = (
    ("heat", "A²s", lambda car: car.heat.squared_logged_a2s),
    ("rms_current", "A", lambda car: car.heat.rms_current_a),
    ("motor_highest", "°C", lambda car: car.thermal.peak_c or car.heat.motor_temp_highest_c),
    ("motor_rise", "°C", lambda car: car.thermal.rise_k),
    ("sag", "V", lambda car: car.pack.sag_v),
    ("lowest_cell", "V", lambda car: car.pack.lowest_cell_v),
    ("energy", "Wh", lambda car: car.pack.energy_wh),
    ("growth", "share", lambda car: car.tyre.growth),
    ("slip", "share", lambda car: car.tyre.slip),
)


@dataclass(frozen=True)
class CarRow:
    """One figure of every pass, and what each later one is above the first.

    Attributes:
        by: one a pass; None where its logs don't tell. more: the same, None for the first and where one is missing;
            its interval is √(U₁² + U₂²) of both, as for speeds: what both loggers share (the same controller's scale
            of current) is in it too, so it is rather too wide.
    """

    name: CarFigure
    unit: str
    by: tuple[Quantity95 | None, ...]
    more: tuple[Quantity95 | None, ...]

    def as_json(self) -> dict[str, Any]:
        found = as_json(self)
        assert isinstance(found, dict)
        return found


def car_rows(cars: Sequence[CarPass | None]) -> tuple[CarRow, ...]:
    """The figures that at least one of the passes has."""
    made = []
    for name, unit, of in _FIGURES:
        by = tuple(None if car is None else of(car) for car in cars)
        if any(item is not None for item in by):
            made.append(CarRow(name, unit, by, (None, *(_more(item, by[0]) for item in by[1:]))))
    return tuple(made)


def _more(later: Quantity95 | None, first: Quantity95 | None) -> Quantity95 | None:
    if later is None or first is None:
        return None
    value = later.value - first.value
    low = math.hypot(later.value - later.low, first.high - first.value)
    high = math.hypot(later.high - later.value, first.value - first.low)
    return Quantity95(value, value - low, value + high)
