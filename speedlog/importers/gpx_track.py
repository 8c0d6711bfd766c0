"""The track of a GPX document as columns: regular points all at once, every other one by the careful reader."""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.gpx_columns import NUMBERS, Columns, Sieve
from speedlog.importers.gpx_fast import MARK, Regular, find_regular
from speedlog.importers.gpx_points import Document, Point, read_document
from speedlog.importers.gpx_values import Values


@dataclass(frozen=True, eq=False)
class Track:
    """A document, its sound points, and the sieve that has counted the others."""

    document: Document
    columns: Columns
    sieve: Sieve


def read_track(data: bytes) -> Track:
    """Read a document.

    Raises:
        ForbiddenError: it declares a document type.
    """
    regular = find_regular(data)
    return _with_regular(data, regular) or read_carefully(data) if regular.runs else read_carefully(data)


def read_carefully(data: bytes) -> Track:
    """Read a document point by point: decides what it means (and is the oracle of `read_track`'s tests)."""
    sieve = Sieve()
    return Track(read_document(data, sieve.take), sieve.columns(), sieve)


class _Runs:
    """Takes what the careful reader finds where regular points were taken out: single points, and runs."""

    def __init__(self) -> None:
        self.sieve = Sieve()
        self.number, self.segment, self.place = array("q"), array("q"), array("q")

    def take(self, point: Point, segment: int) -> None:
        if point.lat is None or not point.lat.startswith(MARK):
            self.sieve.take(point, segment)
            return
        self.number.append(int(point.lat[1:]))
        self.segment.append(segment)
        self.place.append(len(self.sieve))


def _with_regular(data: bytes, regular: Regular) -> Track | None:
    """The track put together; None where the careful reader sees other runs than were taken out."""
    runs = _Runs()
    document = read_document(regular.without(data), runs.take)
    seen = len(runs.number)
    if list(runs.number) != list(range(seen)) or document.nested:
        return None
    if seen < len(regular.runs) and document.cut_line is None:
        return None
    points = np.array([run.points for run in regular.runs[:seen]], dtype=np.int64)
    values = Values.joined(regular.values).taken(slice(int(points.sum())))
    line = np.concatenate(regular.line)[: len(values.time_ns)]
    segment = np.repeat(np.array(runs.segment, dtype=np.int64), points)
    many = Columns(segment, line, values.time_ns, values.fix, values.numbers, bool(values.own_speed.any()))
    single = runs.sieve.columns()
    if not len(single.line):
        return Track(document, many, runs.sieve)
    return Track(document, _merged(many, single, points, np.array(runs.place, dtype=np.int64)), runs.sieve)


def _merged(many: Columns, single: Columns, points: NDArray[np.int64], place: NDArray[np.int64]) -> Columns:
    """Runs and single points in file order.

    Args:
        points: (R,) how many each run has; `place`: (R,) how many single points stand before it.
    """
    before = np.append(0, np.cumsum(points))[
        np.searchsorted(place, np.arange(len(single.line)), side="right")
    ]
    singles = np.arange(len(single.line)) + before
    runs = np.arange(len(many.line)) + np.repeat(place, points)

    def put(one: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
        both = np.empty(len(one) + len(other), dtype=one.dtype)
        both[runs], both[singles] = one, other
        return both

    return Columns(
        put(many.segment, single.segment), put(many.line, single.line), put(many.time_ns, single.time_ns),
        put(many.fix, single.fix),
        {name: put(many.numbers.pop(name), single.numbers[name]) for name in NUMBERS},
        many.own_speed or single.own_speed,
    )  # fmt: skip
