"""Quantities as text: "187.5 mph" to metres per second and back. No other file holds a factor.

Factors are exact by definition unless a comment says otherwise; source: NIST Special Publication
811 (2008), Appendix B, and the SI Brochure, 9th edition (2019).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from speedlog.errors import SpeedlogError, plain

Kind = Literal[
    "speed", "length", "time", "temperature", "current", "voltage", "charge", "mass",
    "pressure", "angle", "rotation", "acceleration", "share",
]  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A unit of one kind: SI value = (number + offset) * factor."""

    symbol: str
    kind: Kind
    factor: float
    aliases: tuple[str, ...] = ()
    offset: float = 0.0

    def to_si(self, number: float) -> float:
        return (number + self.offset) * self.factor

    def from_si(self, value: float) -> float:
        return value / self.factor - self.offset


@dataclass(frozen=True)
class Quantity:
    """A quantity as the user wrote it.

    Attributes:
        value: in SI units (kelvin-sized degrees Celsius for temperature, ampere-hours for charge).
        unit: the unit in which it was written.
        step: SI value of one unit in the last digit quoted ("187.5 mph" -> 0.1 mph).
        text: as written.
    """

    value: float
    unit: Unit
    step: float
    text: str


# Temperature is kept in degrees Celsius and charge in ampere-hours: the trade's own units, used in
# the common table too (motor_temp_c). Everything else is plain SI.
UNITS: tuple[Unit, ...] = (
    Unit("m/s", "speed", 1.0, ("mps", "ms-1", "m s-1", "meters/second", "metres/second", "meter/second",
                               "metre/second", "meters per second", "metres per second", "m/sec")),
    Unit("km/h", "speed", 1 / 3.6, ("kmh", "kph", "kmph", "km/hr", "km h-1", "kmh-1", "kilometers/hour",
                                    "kilometres/hour", "kilometers per hour", "kilometres per hour")),
    Unit("mph", "speed", 0.44704, ("mi/h", "mi/hr", "miles/hour", "miles per hour", "mile/h")),
    Unit("kn", "speed", 1852 / 3600, ("knot", "knots", "kt", "kts")),
    Unit("ft/s", "speed", 0.3048, ("fps", "ft/sec", "feet/second", "feet per second")),
    Unit("mm/s", "speed", 1e-3, ("mmps",)),
    Unit("cm/s", "speed", 1e-2, ("cmps",)),
    Unit("m", "length", 1.0, ("meter", "metre", "meters", "metres", "mtr")),
    Unit("mm", "length", 1e-3, ("millimeter", "millimetre", "millimeters", "millimetres")),
    Unit("cm", "length", 1e-2, ("centimeter", "centimetre", "centimeters", "centimetres")),
    Unit("km", "length", 1e3, ("kilometer", "kilometre", "kilometers", "kilometres")),
    Unit("ft", "length", 0.3048, ("foot", "feet", "'")),
    Unit("in", "length", 0.0254, ("inch", "inches", '"')),
    Unit("yd", "length", 0.9144, ("yard", "yards")),
    Unit("s", "time", 1.0, ("sec", "secs", "second", "seconds")),
    Unit("ms", "time", 1e-3, ("msec", "millis", "millisecond", "milliseconds")),
    Unit("µs", "time", 1e-6, ("us", "usec", "μs", "micros", "microsecond", "microseconds")),
    Unit("ns", "time", 1e-9, ("nsec", "nanos", "nanosecond", "nanoseconds")),
    Unit("min", "time", 60.0, ("mins", "minute", "minutes")),
    Unit("h", "time", 3600.0, ("hr", "hrs", "hour", "hours")),
    Unit("°C", "temperature", 1.0, ("c", "degc", "deg c", "celsius", "ºc", "degrees c", "centigrade")),
    Unit("°F", "temperature", 1 / 1.8, ("f", "degf", "deg f", "fahrenheit", "ºf", "degrees f"), -32.0),
    Unit("K", "temperature", 1.0, ("kelvin",), -273.15),
    Unit("A", "current", 1.0, ("amp", "amps", "ampere", "amperes")),
    Unit("mA", "current", 1e-3, ("milliamp", "milliamps")),
    Unit("V", "voltage", 1.0, ("volt", "volts")),
    Unit("mV", "voltage", 1e-3, ("millivolt", "millivolts")),
    Unit("Ah", "charge", 1.0, ("amp hours",)),
    Unit("mAh", "charge", 1e-3, ("ma h",)),
    Unit("kg", "mass", 1.0, ("kilogram", "kilograms", "kilo", "kilos")),
    Unit("g", "mass", 1e-3, ("gram", "grams", "gramme", "grammes")),
    Unit("lb", "mass", 0.45359237, ("lbs", "pound", "pounds")),
    Unit("oz", "mass", 0.45359237 / 16, ("ounce", "ounces")),
    Unit("Pa", "pressure", 1.0, ("pascal",)),
    Unit("hPa", "pressure", 100.0, ("mbar", "mb", "millibar")),
    Unit("kPa", "pressure", 1000.0),
    Unit("bar", "pressure", 1e5),
    Unit("inHg", "pressure", 3386.389, ("in hg",)),  # conventional inch of mercury
    Unit("mmHg", "pressure", 101325 / 760, ("mm hg", "torr")),
    Unit("psi", "pressure", 6894.757293168),  # rounded in SP 811
    Unit("°", "angle", 1.0, ("deg", "degs", "degree", "degrees", "º")),
    Unit("rad", "angle", 180 / math.pi, ("radian", "radians")),
    Unit("rpm", "rotation", 1.0, ("1/min", "r/min", "rev/min", "u/min", "min-1", "erpm", "revs/min")),
    Unit("krpm", "rotation", 1000.0, ("kerpm", "rpm x1000", "rpm/1000")),
    Unit("rps", "rotation", 60.0, ("hz", "rev/s", "1/s")),
    Unit("rad/s", "rotation", 60 / (2 * math.pi), ("rad s-1",)),
    Unit("m/s²", "acceleration", 1.0, ("m/s2", "m/s^2", "mps2", "ms-2", "m/s/s")),
    Unit("gn", "acceleration", 9.80665, ("g", "g0", "gs")),
    Unit("%", "share", 0.01, ("percent", "pct", "per cent")),
    Unit("1", "share", 1.0, ("ratio", "0-1", "0..1", "fraction")),
)  # fmt: skip

_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$", re.DOTALL)
_BIGGEST = 1e12  # no quantity of this trade is larger; keeps 1e308 out of every later square


def find_unit(text: str, kind: Kind) -> Unit | None:
    """The unit of this kind that `text` names in any usual spelling, or None.

    Case matters only where two units differ by it alone (none do within a kind).
    """
    wanted = re.sub(r"\s+", " ", text.strip().lower()).rstrip(".")
    for unit in UNITS:
        if unit.kind == kind and (wanted == unit.symbol.lower() or wanted in unit.aliases):
            return unit
    return None


def symbols(kind: Kind) -> str:
    """The units of a kind for a hint: "m/s, km/h, mph …"."""
    return ", ".join(unit.symbol for unit in UNITS if unit.kind == kind)


def parse_quantity(text: str, kind: Kind, what: str) -> Quantity:
    """Read a quantity with its unit; a decimal comma is taken.

    Args:
        text: "187.5 mph", "88mm", "0,311 s".
        kind: the kind of quantity expected.
        what: what the quantity is, for the message: "trap figure".

    Raises:
        SpeedlogError: no number, no unit, a unit of another kind, or a number out of all reason.
    """
    found = _QUANTITY.match(text)
    examples = {"speed": "187.5 mph", "length": "30 m", "time": "0.311 s", "temperature": "21 °C",
                "current": "280 A", "voltage": "50.4 V", "charge": "4150 mAh", "mass": "8.2 kg",
                "pressure": "1013 hPa", "angle": "75 deg", "rotation": "40000 rpm"}  # fmt: skip
    example = examples.get(kind, symbols(kind))
    if not found:
        raise SpeedlogError(
            f'{what}: "{plain(text)}" is not a number with a unit', todo=f'Write it like "{example}".'
        )
    number_text, unit_text = found.group(1).replace(",", "."), found.group(2)
    if not unit_text:
        raise SpeedlogError(
            f'{what}: "{plain(text)}" has no unit',
            todo=f'Write it like "{example}" (units: {symbols(kind)}).',
        )
    unit = find_unit(unit_text, kind)
    if unit is None:
        raise SpeedlogError(
            f'{what}: "{plain(unit_text)}" is not a unit of {kind}',
            todo=f'Write it like "{example}" (units: {symbols(kind)}).',
        )
    value = unit.to_si(float(number_text))
    if not abs(value) <= _BIGGEST:
        raise SpeedlogError(
            f'{what}: "{plain(text)}" is out of all reason', todo=f'Write it like "{example}".'
        )
    mantissa, _, exponent = number_text.lower().partition("e")
    decimals = len(mantissa.partition(".")[2]) - int(exponent or 0)
    return Quantity(value, unit, 10.0**-decimals * unit.factor, text.strip())
