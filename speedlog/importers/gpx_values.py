"""The values of many track points of one shape at once: the very ones that the careful reader gives."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import LONGEST, Flags, Numbers, Places, Text, Whole, one_count
from speedlog.importers.gpx_columns import NO_FIX, NUMBERS, TEXTS, fix_place, number
from speedlog.importers.gpx_points import EPOCH_ORDINAL, LEAST_YEAR, MOST_YEAR
from speedlog.importers.gpx_shape import Shape

Span = tuple[Places, Places]  # (N,) where texts begin and end
_DASH, _COLON, _POINT, _PLUS = (ord(char) for char in "-:.+")
_DATE_TIME = 19  # characters of "2024-05-01T12:00:00"
_MOST_DECIMALS = 8
_DAY_S = 86_400
_LETTERS = (np.uint64(2) ** (np.uint64(8) * np.arange(9, dtype=np.uint64)) - np.uint64(1)).astype(np.uint64)
_LETTERS[LONGEST] = np.uint64(2**64 - 1)


@dataclass(eq=False)
class Spans:
    """Where the texts of points of one shape stand in a stretch of text."""

    lat: Span
    lon: Span
    text: Callable[[int], Span]  # by the number of the text


@dataclass(eq=False)
class Values:
    """Values of points, (N,) each, named as in `gpx_columns`; `sound`: which were wholly understood.

    `own_speed`: which have a `speed` element of their own.
    """

    sound: Flags
    time_ns: Whole
    fix: NDArray[np.int8]
    numbers: dict[str, Numbers]
    own_speed: Flags

    @classmethod
    def of(cls, count: int) -> Values:
        """So many points of which nothing is known yet."""
        sound, fix = np.ones(count, dtype=np.bool_), np.full(count, NO_FIX, dtype=np.int8)
        return cls(sound, np.zeros(count, dtype=np.int64), fix, {}, np.zeros(count, dtype=np.bool_))

    def taken(self, rows: slice | NDArray[Any]) -> Values:
        """Some of the points."""
        numbers = {name: column[rows] for name, column in self.numbers.items()}
        return Values(self.sound[rows], self.time_ns[rows], self.fix[rows], numbers, self.own_speed[rows])

    @classmethod
    def joined(cls, parts: Sequence[Values]) -> Values:
        """The points of several, one after another; `parts` lose their columns, so that memory isn't needed twice."""
        sound = np.concatenate([part.sound for part in parts])
        time_ns = np.concatenate([part.time_ns for part in parts])
        fix = np.concatenate([part.fix for part in parts])
        numbers = {name: np.concatenate([part.numbers.pop(name) for part in parts]) for name in NUMBERS}
        return cls(sound, time_ns, fix, numbers, np.concatenate([part.own_speed for part in parts]))


def read_values(text: Text, shape: Shape, spans: Spans) -> Values:
    """The values of points of a shape; one with a text that is not plainly written is not sound."""
    count = len(spans.lat[0])
    found = Values.of(count)
    found.own_speed[:] = "speed" in shape.own
    for name, span in (("lat_deg", spans.lat), ("lon_deg", spans.lon)):
        found.numbers[name] = _number(text, span, found)
        found.sound &= span[1] > span[0]
    for name, element in TEXTS.items():
        found.numbers[name] = _of_element(text, shape, element, spans, found)
    for name, slots in (("own_speed", shape.own), ("extra_speed", shape.extra)):
        slot = slots.get("speed")
        found.numbers[name] = (
            np.full(count, np.nan) if slot is None else _number(text, spans.text(slot), found)
        )
    slots_of = _slots(shape, "time")
    if not slots_of:
        found.sound[:] = False
        return found
    found.time_ns = _time_ns(text, spans.text(slots_of[0]), found)
    slots_of = _slots(shape, "fix")
    if slots_of:
        found.fix = _fix(text, spans.text(slots_of[0]), found)
        if len(slots_of) > 1:  # a blank one gives way to a deeper one
            start, stop = spans.text(slots_of[0])
            found.sound &= stop > start
    return found


def _slots(shape: Shape, element: str) -> list[int]:
    """The texts that an element's value may be, its own child's first."""
    both = (shape.own.get(element), shape.extra.get(element))
    return [slot for slot in both if slot is not None]


def _of_element(text: Text, shape: Shape, element: str, spans: Spans, found: Values) -> Numbers:
    """(N,) numbers of an element: its own child's text, where that is blank a deeper one's."""
    slots = _slots(shape, element)
    values = np.full(len(found.sound), np.nan)
    for slot in reversed(slots):
        start, stop = spans.text(slot)
        read = _number(text, (start, stop), found)
        values = np.where(stop > start, read, values) if slot != slots[-1] else read
    return values


def _number(text: Text, span: Span, found: Values) -> Numbers:
    """(N,) numbers, NaN where blank; what is written in an unusual way is read one by one."""
    start, stop = span
    values, sound = text.numbers(start, stop)
    if not sound.all():
        raw = text.bytes
        for row in np.flatnonzero(~sound):
            values[row] = number(raw[start[row] : stop[row]].tobytes().decode("ascii", "replace"))
        sound |= ~np.isnan(values)
        found.sound &= sound
    return values


def _time_ns(text: Text, span: Span, found: Values) -> Whole:
    """(N,) RFC 3339 times with a zone as nanoseconds since 1970-01-01 UTC."""
    start, stop = span
    raw = text.bytes
    sound = stop - start > _DATE_TIME
    point = np.where(sound, start + _DATE_TIME, _DATE_TIME)
    stop = np.where(sound, stop, point + 1)
    start = point - _DATE_TIME
    for at, mark in ((4, _DASH), (7, _DASH), (13, _COLON), (16, _COLON)):
        sound &= raw[start + at] == mark
    between = raw[start + 10]
    sound &= (between == ord("T")) | (between == ord(" ")) | (between == ord("t"))
    parts = []
    for end, digits in ((4, 4), (7, 2), (10, 2), (13, 2), (16, 2), (19, 2)):
        value, plain = text.digits(start + end, digits)
        sound &= plain
        parts.append(value)
    year, month, day, hour, minute, second = parts
    sound &= (hour < 24) & (minute < 60) & (second < 60)
    days, known = _days(year * 10_000 + month * 100 + day)
    stop, behind_s, zoned = _zone(text, point, stop)
    fraction, plain = _fraction(text, point, stop)
    found.sound &= sound & known & zoned & plain
    seconds = days * _DAY_S + hour * 3600 + minute * 60 + second - behind_s
    return seconds * 1_000_000_000 + fraction


def _zone(text: Text, point: Places, stop: Places) -> tuple[Places, Whole | int, Flags]:
    """(N,) where the zone begins, its offset in seconds, and whether there is a plain one: Z or +hh:mm."""
    raw = text.bytes
    last = raw[stop - 1]
    zulu = (last == ord("Z")) | (last == ord("z"))
    if zulu.all():
        return stop - 1, 0, zulu
    sign = raw[stop - 6]
    hours, one = text.digits(stop - 3, 2)
    minutes, other = text.digits(stop, 2)
    plain = ((sign == _PLUS) | (sign == _DASH)) & (raw[stop - 3] == _COLON) & one & other
    plain &= stop - 6 >= point
    ahead = hours * 3600 + minutes * 60
    offset_s = np.where(zulu, 0, np.where(sign == _DASH, -ahead, ahead))
    return np.where(zulu, stop - 1, stop - 6), offset_s, zulu | plain


def _fraction(text: Text, point: Places, stop: Places) -> tuple[Whole, Flags]:
    """(N,) ".040" as nanoseconds, 0 where there is none; and whether it is plainly written."""
    length = one_count(stop - point)
    none = length == 0
    if none is True or (not isinstance(none, bool) and np.all(none)):
        return np.zeros(len(point), dtype=np.int64), np.ones(len(point), dtype=np.bool_)
    decimals = length - 1
    value, plain = text.scaled(stop, decimals, 9)
    mark = text.bytes[point]
    plain = plain & ((mark == _POINT) | (mark == ord(","))) & (decimals > 0) & (decimals <= _MOST_DECIMALS)
    return np.where(none, 0, value), plain | none


def _days(dates: Whole) -> tuple[Whole, Flags]:
    """(N,) days since 1970-01-01 of dates written as whole numbers, yyyymmdd; and which are dates."""
    days = np.zeros(len(dates), dtype=np.int64)
    known = np.zeros(len(dates), dtype=np.bool_)
    if not len(dates):
        return days, known
    for one in dates[:1] if (dates == dates[0]).all() else np.unique(dates):
        year, rest = divmod(int(one), 10_000)
        try:
            day = dt.date(year, rest // 100, rest % 100).toordinal() - EPOCH_ORDINAL
        except ValueError:
            continue
        if LEAST_YEAR <= year <= MOST_YEAR:
            here = dates == one
            days[here], known[here] = day, True
    return days, known


def _fix(text: Text, span: Span, found: Values) -> NDArray[np.int8]:
    """(N,) places of the words among `Fix`."""
    start, stop = span
    count = stop - start
    found.sound &= count <= LONGEST
    words = text.beginning(start) & _LETTERS[np.clip(count, 0, LONGEST)]
    places: Any = np.full(len(words), NO_FIX, dtype=np.int8)
    for one in words[:1] if (words == words[:1]).all() else np.unique(words):
        word = int(one).to_bytes(8, "little").rstrip(b"\0").decode("ascii", "replace")
        places[words == one] = fix_place(word.strip())
    return np.asarray(places, dtype=np.int8)
