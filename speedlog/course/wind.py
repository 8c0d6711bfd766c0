"""Wind as a driver writes it, and its parts along and across a drive."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speedlog.errors import SpeedlogError, plain
from speedlog.units import Quantity, parse_quantity

WindSide = Literal["head", "tail", "left", "right"]
_WIND = re.compile(
    r"^(?P<speed>.+?)\s+(?:from\s+(?P<deg>\d+(?:[.,]\d+)?)\s*(?:°|deg|degrees)?|(?P<line>head|tail)(?:\s*wind)?"
    r"|from\s+(?:the\s+)?(?P<across>left|right))$",
    re.IGNORECASE,
)
_HINT = 'Write it like "3 m/s from 250" (true degrees), "8 mph tail", "8 mph head" or "8 mph from left".'
_SIDES: dict[str, WindSide] = {"head": "head", "tail": "tail", "left": "left", "right": "right"}


@dataclass(frozen=True)
class Wind:
    """Wind as written: from a true bearing, or from a side of the car as it drives."""

    speed: Quantity
    from_deg: float | None
    side: WindSide | None
    text: str

    def along_across(self, heading_deg: float) -> tuple[float, float]:
        """(head wind, wind from the right) in m/s for a drive on this true heading.

        head = W cos(from - heading), right = W sin(from - heading).
        """
        sides = {"head": 0.0, "right": 90.0, "tail": 180.0, "left": 270.0}
        angle = sides[self.side] if self.side else (self.from_deg or 0.0) - heading_deg
        turn = np.radians(angle)
        return float(self.speed.value * np.cos(turn)), float(self.speed.value * np.sin(turn))


def parse_wind(text: str) -> Wind:
    """Wind as "3 m/s from 250" (true degrees, where it comes from) or "8 mph tail".

    Raises:
        SpeedlogError: the text has neither form.
    """
    found = _WIND.match(text.strip()) if len(text) < 100 else None
    if not found:
        raise SpeedlogError(f'wind: "{plain(text)}" is not a speed and a direction', todo=_HINT)
    speed = parse_quantity(found["speed"], "speed", "wind")
    if speed.value < 0:
        raise SpeedlogError(f'wind: "{plain(text)}" must not be below zero', todo=_HINT)
    bearing = None if found["deg"] is None else float(found["deg"].replace(",", "."))
    if bearing is not None and bearing > 360:
        raise SpeedlogError(f'wind: "{plain(text)}": a direction lies between 0 and 360 degrees', todo=_HINT)
    side = found["line"] or found["across"]
    return Wind(speed, bearing, _SIDES[side.lower()] if side else None, text.strip())
