"""What the options of `speedlog review` say of the car: a set-up's file, what was measured, and single values."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from speedlog.vehicle.facts import CarFacts


@dataclass(frozen=True)
class CarGiven:
    """The car as the pipeline takes it."""

    facts: CarFacts
    wheel_diameter: str | None
    gear_ratio: float | None
    pole_pairs: int | None


def car_given(
    setup: Path | None, measured: list[str], wind: str | None, wheel_diameter: str | None, gear_ratio: float | None,
    pole_pairs: int | None,
) -> CarGiven:  # fmt: skip
    """The car as run; what an option says goes before the file.

    Raises:
        SpeedlogError: the first mistake, with file and key, or with the option.
    """
    from speedlog.course.wind import parse_wind
    from speedlog.session.day import SetupValue, Weather
    from speedlog.session.load import read_measured, read_setup, read_toml
    from speedlog.session.table import Table
    from speedlog.units import Quantity, parse_quantity
    from speedlog.vehicle.facts import facts_of

    known: dict[str, SetupValue] = {} if setup is None else read_setup(Table(read_toml(setup), setup))
    if wheel_diameter is not None:
        known["wheel_diameter"] = parse_quantity(wheel_diameter, "length", "wheel diameter")
    told: dict[str, Any] = {"gear_ratio": gear_ratio, "pole_pairs": pole_pairs}
    known |= {key: value for key, value in told.items() if value is not None}
    weather = Weather(wind=None if wind is None else parse_wind(wind))
    wheel, gear, poles = known.get("wheel_diameter"), known.get("gear_ratio"), known.get("pole_pairs")
    return CarGiven(
        facts=facts_of(known, weather, read_measured(Table(_pairs(measured), Path("--measured")))),
        wheel_diameter=wheel.text if isinstance(wheel, Quantity) else None,
        gear_ratio=float(gear) if isinstance(gear, int | float) else None,
        pole_pairs=int(poles) if isinstance(poles, int | float) else None,
    )


def _pairs(measured: list[str]) -> dict[str, str]:
    from speedlog.logbook.setups import typed

    return typed(measured, "--measured")
