"""An earlier pass of the car, as the parts that look back need it."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.results import Pass
from speedlog.results_car import CarPass
from speedlog.vehicle.facts import CarFacts


@dataclass(frozen=True, eq=False)
class Earlier:
    """A pass with its facts and what was found of the car in it."""

    pass_: Pass
    facts: CarFacts
    car: CarPass
