"""Heat and sag against the pass before, a line each; nothing where the logs don't tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot
from typing import Any

Found = Mapping[str, Any] | None
_NONE = "–"
# name, place in the car's JSON, unit, digits; the hotter, deeper, lower of each first
_LEVELS = (
    ("Motor, hottest", ("heat", "motor_temp_highest_c"), "°C", 0),
    ("Controller, hottest", ("heat", "controller_temp_highest_c"), "°C", 0),
    ("Pack sag", ("pack", "sag_v"), "V", 1),
    ("Lowest cell", ("pack", "lowest_cell_v"), "V", 2),
)


@dataclass(frozen=True)
class CarLine:
    """One figure of what the pass cost the car: its name, its value, and how it stands to the pass before."""

    name: str
    value: str
    against: str


@dataclass(frozen=True)
class CarCost:
    """Heat and sag.

    Attributes:
        before: "pass 8", with which it is compared; "" where no pass of the day before has such a log.
        cautions: a sentence each.
    """

    before: str = ""
    lines: tuple[CarLine, ...] = ()
    cautions: tuple[str, ...] = ()


def tells(found: Found) -> bool:
    """Whether heat or sag are known of a pass."""
    places = (("heat", "squared_logged_a2s"), *(place for _, place, _, _ in _LEVELS))
    return any(_quantity(found, *place) is not None for place in places)


def car_cost(now: Found, before: Found, before_name: str) -> CarCost:
    """What the car's part of two reviews says.

    Args:
        now, before: `CarPass.as_json` of this pass and of the one before; None where there is none.
        before_name: "pass 8".
    """
    if not now:
        return CarCost()
    lines = [_heat(now, before), *(_level(now, before, *item) for item in _LEVELS)]
    return CarCost(
        before_name if tells(before) else "",
        tuple(line for line in lines if line is not None),
        tuple(str(item["text"]) for item in now.get("cautions") or ()),
    )


def _heat(now: Mapping[str, Any], before: Found) -> CarLine | None:
    """∫I² dt, with which the heat in a resistance goes, against the last; as logged, so that the scale drops out."""
    mine, other = (
        _quantity(now, "heat", "squared_logged_a2s"),
        _quantity(before, "heat", "squared_logged_a2s"),
    )
    if mine is None or other is None or not other[0] > 0:
        return None
    ratio = mine[0] / other[0]
    share = round(100 * (ratio - 1))
    if share == 0 or abs(ratio - 1) < hypot(mine[1] / other[0], ratio * other[1] / other[0]):
        return CarLine("Heat by the current", _NONE, "the same")
    return CarLine("Heat by the current", _NONE, f"{abs(share)}\u00a0% {'more' if share > 0 else 'less'}")


def _level(
    now: Mapping[str, Any], before: Found, name: str, place: tuple[str, str], unit: str, digits: int
) -> CarLine | None:  # fmt: skip
    mine, other = _quantity(now, *place), _quantity(before, *place)
    if mine is None:
        return None
    value = f"{mine[0]:.{digits}f}\u00a0{unit}"
    if other is None:
        return CarLine(name, value, "")
    more = mine[0] - other[0]
    if round(more, digits) == 0 or abs(more) < hypot(mine[1], other[1]):
        return CarLine(name, value, "the same")
    return CarLine(name, value, f"{abs(more):.{digits}f}\u00a0{unit} {'more' if more > 0 else 'less'}")


def _quantity(found: Found, part: str, key: str) -> tuple[float, float] | None:
    """Value, and half of its 95 % interval."""
    quantity = ((found or {}).get(part) or {}).get(key)
    if quantity is None or quantity["value"] is None:
        return None
    low, high = quantity.get("interval95") or (None, None)
    half = 0.0 if low is None or high is None else (float(high) - float(low)) / 2
    return float(quantity["value"]), half
