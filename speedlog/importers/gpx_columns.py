"""Track points as columns: the sound ones, and what was thrown away."""

from __future__ import annotations

import math
import re
from array import array
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.gpx_points import Point, stamp_ns
from speedlog.samples import MOST_REJECTS, Fix, Reject

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
# GPX 1.1 fixType: none, 2d, 3d, dgps, pps; an unknown word is left out, as the schema says
_FIXES = {"none": Fix.NONE, "2d": Fix.TWO_D, "3d": Fix.THREE_D, "dgps": Fix.DIFFERENTIAL, "pps": Fix.THREE_D}
_PLACES = {word: list(Fix).index(fix) for word, fix in _FIXES.items()}
NO_FIX = -1

# elements whose own child's text counts before that of a deeper one
TEXTS = {"alt_m": "ele", "track_deg": "course", "hdop": "hdop", "satellites": "sat"}
SPEEDS = ("own_speed", "extra_speed")
NUMBERS = ("lat_deg", "lon_deg", *TEXTS, *SPEEDS)


def number(text: str | None) -> float:
    """A number as XML Schema writes it, else NaN."""
    return float(text) if text and _NUMBER.fullmatch(text.strip()) else math.nan


def fix_place(text: str | None) -> int:
    """The place of a fix among `Fix`; `NO_FIX` for an unknown one."""
    return _PLACES.get((text or "").lower(), NO_FIX)


@dataclass(eq=False)
class Columns:
    """Sound track points in file order, (N,) each.

    Attributes:
        segment: the number of its track segment; `line`: of its start tag.
        time_ns: nanoseconds since 1970-01-01 UTC.
        fix: places in the list of `Fix`, or `NO_FIX`.
        numbers: by `NUMBERS`; NaN for missing. Speeds are as written: their own child's, a deeper one's.
        own_speed: whether any point has a `speed` of its own.
    """

    segment: NDArray[np.int64]
    line: NDArray[np.int64]
    time_ns: NDArray[np.int64]
    fix: NDArray[np.int8]
    numbers: dict[str, NDArray[np.float64]]
    own_speed: bool

    def taken(self, rows: slice | NDArray[Any]) -> Columns:
        """Some of the points."""
        return Columns(
            self.segment[rows], self.line[rows], self.time_ns[rows], self.fix[rows],
            {name: column[rows] for name, column in self.numbers.items()}, self.own_speed,
        )  # fmt: skip


@dataclass(eq=False)
class Sieve:
    """Takes points one by one: keeps the sound ones' values, counts and names the others."""

    rejects: list[Reject] = field(default_factory=list)
    rejected: int = 0
    zoneless: int = 0
    untimed: int = 0
    own_speed: bool = False
    _whole: dict[str, array[int]] = field(
        default_factory=lambda: {name: array("q") for name in ("segment", "line", "time_ns", "fix")}
    )
    _numbers: dict[str, array[float]] = field(default_factory=lambda: {name: array("d") for name in NUMBERS})

    def __len__(self) -> int:
        return len(self._whole["line"])

    def take(self, point: Point, segment: int) -> None:
        """Keep a point, or say why not."""
        lat, lon = number(point.lat), number(point.lon)
        text = point.text("time")
        stamp = stamp_ns(text) if text else None
        if not text:
            self.untimed += 1
            self._reject(point, "the point has no time")
        elif stamp is None:
            self._reject(point, "the point's time can't be read")
        elif math.isnan(lat) or math.isnan(lon):
            self._reject(point, "the point has no latitude or longitude")
        else:
            self.zoneless += not stamp[1]
            self._keep(point, segment, stamp[0], lat, lon)

    def _reject(self, point: Point, reason: str) -> None:
        self.rejected += 1
        if len(self.rejects) < MOST_REJECTS:
            self.rejects.append(Reject(point.line, reason))

    def _keep(self, point: Point, segment: int, time_ns: int, lat: float, lon: float) -> None:
        self.own_speed |= "speed" in point.own
        whole = (segment, point.line, time_ns, fix_place(point.text("fix")))
        for column, value in zip(self._whole.values(), whole, strict=True):
            column.append(value)
        texts = [point.text(element) for element in TEXTS.values()]
        speeds = [point.own.get("speed"), point.extra.get("speed")]
        for numbers, found in zip(
            self._numbers.values(), (lat, lon, *map(number, [*texts, *speeds])), strict=True
        ):
            numbers.append(found)

    def columns(self) -> Columns:
        """What was kept."""
        segment, line, time_ns, fix = (
            np.frombuffer(column, dtype=np.int64) if column else np.empty(0, dtype=np.int64)
            for column in self._whole.values()
        )
        numbers = {
            name: np.frombuffer(column, dtype=np.float64) if column else np.empty(0)
            for name, column in self._numbers.items()
        }
        return Columns(segment, line, time_ns, fix.astype(np.int8), numbers, self.own_speed)
