"""A value with its 95 % interval, and how such values are written as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from speedlog.samples import utc_text

Interval = tuple[float, float]
NORMAL_95 = 1.959963984540054  # half-width of 95 % in standard deviations, normal law


@dataclass(frozen=True)
class Quantity95:
    """A value with its 95 % interval, in the unit that its field names."""

    value: float
    low: float
    high: float

    @classmethod
    def spread(cls, value: float, standard_u: float, *, times: float = NORMAL_95) -> Quantity95:
        """Value ± times the standard uncertainty."""
        half = times * abs(standard_u)
        return cls(float(value), float(value - half), float(value + half))

    @property
    def standard_u(self) -> float:
        """Half the interval as a standard uncertainty (normal law)."""
        return (self.high - self.low) / (2 * NORMAL_95)

    @property
    def interval95(self) -> Interval:
        return (self.low, self.high)

    def scaled(self, factor: float) -> Quantity95:
        """In another unit: value and both ends times a factor."""
        ends = sorted((self.low * factor, self.high * factor))
        return Quantity95(self.value * factor, ends[0], ends[1])


def as_json(value: Any) -> Any:
    """Any value of results as JSON: a quantity is {"value", "interval95"}; unknown is null."""
    if isinstance(value, Quantity95):
        return {"value": as_json(value.value), "interval95": [as_json(value.low), as_json(value.high)]}
    if is_dataclass(value):
        return {item.name: as_json(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [as_json(item) for item in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    if hasattr(value, "tz_convert"):
        return utc_text(value)
    number = float(value)
    return number if math.isfinite(number) else None
