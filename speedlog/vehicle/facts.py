"""What the user wrote of the car, the weather and their own measuring, as plain numbers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from speedlog.errors import SpeedlogError
from speedlog.physics.air import ZERO_CELSIUS_K, standard_pressure, station_pressure
from speedlog.results_car import CurrentOf
from speedlog.units import Quantity, find_unit, parse_quantity

_CELLS = re.compile(r"(?:^|[^\w.,])(\d{1,2})\s*s(?:\d{1,2}p)?\b", re.IGNORECASE)  # "12S", "12s2p"
_CHARGE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(mAh|Ah)\b", re.IGNORECASE)


class WindLike(Protocol):
    """What `speedlog.course.wind.Wind` has."""

    @property
    def speed(self) -> Quantity: ...
    @property
    def from_deg(self) -> float | None: ...
    @property
    def side(self) -> str | None: ...


class WeatherLike(Protocol):
    """What `speedlog.session.Weather` has."""

    @property
    def wind(self) -> WindLike | None: ...
    @property
    def wind_height(self) -> Quantity | None: ...
    @property
    def temperature(self) -> Quantity | None: ...
    @property
    def humidity(self) -> Quantity | None: ...
    @property
    def pressure(self) -> Quantity | None: ...
    @property
    def qnh(self) -> Quantity | None: ...
    @property
    def elevation(self) -> Quantity | None: ...


@dataclass(frozen=True)
class CarFacts:
    """All optional: None where the user did not say. SI units, but °C, Ah, rpm and g as the names say.

    Attributes:
        wheel_diameter_m: standing, of the driven wheels. gear_ratio: motor turns per wheel turn.
        cells: in series. current_of: whose current the controller logs.
        tyre_limit_g, tyre_limit_rpm: of the tread and of the wheel, by the tyre's maker.
        pack_limit_c_rate: per hour. lowest_cell_v: under load, by the pack's maker.
        current_limit_a, ramp_s: as set in the controller; the limit is of the current that it limits.
        pressure_pa: at the place; from QNH and elevation where only these are given, from the elevation of the
            standard atmosphere alone where that is all (`pressure_assumed`).
        wind_side: "head", "tail", "left" or "right" where the wind was given by the car's side.
        setup: as written, for "the same set-up".
    """

    mass_kg: float | None = None
    wheel_diameter_m: float | None = None
    gear_ratio: float | None = None
    cells: int | None = None
    pole_pairs: int | None = None
    motor_kv: float | None = None
    current_of: CurrentOf | None = None
    tyre_limit_g: float | None = None
    tyre_limit_rpm: float | None = None
    motor_limit_c: float | None = None
    controller_limit_c: float | None = None
    pack_limit_c_rate: float | None = None
    pack_capacity_ah: float | None = None
    lowest_cell_v: float | None = None
    current_limit_a: float | None = None
    ramp_s: float | None = None
    wheels_driven: int | None = None
    wheelbase_m: float | None = None
    frontal_area_m2: float | None = None
    temperature_k: float | None = None
    humidity: float | None = None
    pressure_pa: float | None = None
    pressure_assumed: bool = False
    elevation_m: float | None = None
    wind_speed_mps: float | None = None
    wind_from_deg: float | None = None
    wind_side: str | None = None
    wind_height_m: float | None = None
    motor_temp_before_c: float | None = None
    motor_temp_after_c: float | None = None
    pack_voltage_rest_v: float | None = None
    charge_put_back_ah: float | None = None
    tyre_diameter_before_m: float | None = None
    tyre_diameter_after_m: float | None = None
    setup: tuple[tuple[str, str], ...] = ()


def facts_of(
    setup: Mapping[str, Any],
    weather: WeatherLike | None = None,
    measured: Mapping[str, Quantity] | None = None,
) -> CarFacts:
    """The facts of one pass.

    Args:
        setup: as `speedlog.session.SETUP` lists it: text, numbers or quantities; text such as "12S 5.0 Ah" and
            "1.0 s" is read where it can be, and is no fact where it can't.
        weather, measured: of the pass.
    """
    told = measured or {}
    return CarFacts(
        **_of_setup(setup),
        **(_of_weather(weather) if weather is not None else {}),
        motor_temp_before_c=_si(told.get("motor_temp_before")),
        motor_temp_after_c=_si(told.get("motor_temp_after")),
        pack_voltage_rest_v=_si(told.get("pack_voltage_rest")),
        charge_put_back_ah=_si(told.get("charge_put_back")),
        tyre_diameter_before_m=_si(told.get("tyre_diameter_before")),
        tyre_diameter_after_m=_si(told.get("tyre_diameter_after")),
        setup=tuple((key, _text(value)) for key, value in setup.items()),
    )


def cells_of(value: Any) -> int | None:
    """Cells in series of 12, "12S" or "12S 5.0 Ah"; None where the text does not say."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value if 0 < value < 100 else None
    found = _CELLS.search(str(value)) if value is not None else None
    return int(found[1]) or None if found else None


def capacity_of(text: Any) -> float | None:
    """Ah of "12S 5.0 Ah" or "5000 mAh"; None where the text does not say."""
    found = _CHARGE.search(text) if isinstance(text, str) else None
    return parse_quantity(found[0], "charge", "pack").value or None if found else None


def _of_setup(setup: Mapping[str, Any]) -> dict[str, Any]:
    tread = _number(setup.get("tyre_limit"))
    whose = str(setup.get("current_of") or "").strip().lower()
    driven, poles = setup.get("wheels_driven"), setup.get("pole_pairs")
    written = _number(setup.get("pack_capacity"))
    return {
        "mass_kg": _number(setup.get("mass")),
        "wheel_diameter_m": _number(setup.get("wheel_diameter")),
        "gear_ratio": _number(setup.get("gear_ratio")),
        "cells": cells_of(setup.get("cells")),
        "pole_pairs": int(poles) if isinstance(poles, int | float) else None,
        "motor_kv": _number(setup.get("motor_kv")),
        "current_of": {"pack": "pack", "battery": "pack", "motor": "motor", "phase": "motor"}.get(whose),
        "tyre_limit_g": None if tread is None else _in_g(tread),
        "tyre_limit_rpm": _number(setup.get("tyre_limit_rpm")),
        "motor_limit_c": _number(setup.get("motor_limit")),
        "controller_limit_c": _number(setup.get("controller_limit")),
        "pack_limit_c_rate": _number(setup.get("pack_limit_c_rate")),
        "pack_capacity_ah": written or capacity_of(setup.get("cells")) or capacity_of(setup.get("pack")),
        "lowest_cell_v": _number(setup.get("lowest_cell")),
        "current_limit_a": _number(setup.get("current_limit")),
        "ramp_s": _seconds(setup.get("ramp")),
        "wheels_driven": int(driven) if isinstance(driven, int | float) else None,
        "wheelbase_m": _number(setup.get("wheelbase")),
    }


def _of_weather(weather: WeatherLike) -> dict[str, Any]:
    celsius, elevation = _si(weather.temperature), _si(weather.elevation)
    pressure, qnh, wind = _si(weather.pressure), _si(weather.qnh), weather.wind
    assumed = False
    if pressure is None and elevation is not None:
        assumed = qnh is None
        pressure = standard_pressure(elevation) if qnh is None else station_pressure(qnh, elevation)
    return {
        "temperature_k": None if celsius is None else celsius + ZERO_CELSIUS_K,
        "humidity": _si(weather.humidity),
        "pressure_pa": pressure,
        "pressure_assumed": assumed,
        "elevation_m": elevation,
        "wind_speed_mps": None if wind is None else wind.speed.value,
        "wind_from_deg": None if wind is None else wind.from_deg,
        "wind_side": None if wind is None else wind.side,
        "wind_height_m": _si(weather.wind_height),
    }


def _si(value: Quantity | None) -> float | None:
    return None if value is None else float(value.value)


def _in_g(accel_mps2: float) -> float:
    unit = find_unit("gn", "acceleration")
    assert unit is not None
    return unit.from_si(accel_mps2)


def _number(value: Any) -> float | None:
    if isinstance(value, Quantity):
        return float(value.value)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _seconds(value: Any) -> float | None:
    """The ramp is the user's own text: "1.0 s" is read, "soft" is not."""
    if isinstance(value, str):
        try:
            return parse_quantity(value, "time", "ramp").value
        except SpeedlogError:
            return None
    return _number(value)


def _text(value: Any) -> str:
    return value.text if isinstance(value, Quantity) else str(value)
