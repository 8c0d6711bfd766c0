"""Dates and clock times as text, in any usual order, to nanoseconds: whole columns at once.

Rows that are written alike (same length, signs at the same places) are read together by their
digits; a log has one or two such ways of writing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Order = Literal["dmy", "mdy", "ymd"]
ORDERS: tuple[Order, ...] = ("dmy", "mdy", "ymd")
DAY_NS = 86_400_000_000_000
_WAYS = 64  # ways of writing in one file; a file with more is no log
_UNREADABLE = 2000  # rows that fit no way of writing; after them the rest of the column is given up
_STAMP = re.compile(
    rb"\s*(?P<date>[^:]*?)(?:[T ,]+)?(?P<h>\d{1,3}):(?P<m>\d{1,2})"
    rb"(?::(?P<s>\d{1,2})(?:[.,:](?P<f>\d{1,9})\d{0,6})?)?"
    rb"\s?(?P<half>[AaPp]\.?[Mm]\.?)?\s?(?P<zone>Z|z|UTC|GMT|[+-]\d\d(?::?\d\d)?)?\s*$"
)
_MINUTES = re.compile(rb"\s*(?P<m>\d{1,5}):(?P<s>\d{1,2})(?:[.,](?P<f>\d{1,9}))?\s*$")
_COMPACT = re.compile(
    rb"(?P<date>\d{8})[T _-]?(?P<h>\d\d)(?P<m>\d\d)(?P<s>\d\d)(?:[.,](?P<f>\d{1,9}))?\s?(?P<zone>Z)?\s*$"
)
_YEAR_FIRST = re.compile(r"(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})$")
_YEAR_LAST = re.compile(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d{2})$")
_MONTHS = {
    name: at
    for at, name in enumerate(
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"], 1
    )
}
_NAMED = re.compile(
    r"(?:[A-Za-z]{3,9},? )?(\d{1,2}|[A-Za-z]{3,9})\.?[- /](\d{1,2}|[A-Za-z]{3,9})\.?,?[- /](\d{4}|\d{2})$"
)


@dataclass(frozen=True, eq=False)
class Stamps:
    """What a column of text says.

    Attributes:
        clock_ns: (N,) since midnight (or since the start), minus the zone's offset.
        dates: (N,) the part before the clock time, as bytes; empty where there is none.
        sound: (N,) rows that could be read.
        zoned: (N,) rows that name their zone.
    """

    clock_ns: NDArray[np.int64]
    dates: NDArray[np.bytes_]
    sound: NDArray[np.bool_]
    zoned: NDArray[np.bool_]


@dataclass(frozen=True)
class _Way:
    """A way of writing: one cell of it, where its numbers stand, and what it says of the zone."""

    cell: bytes
    spans: dict[str, tuple[int, int]]
    date_end: int
    half: bytes  # b"a", b"p" or b""
    zone_ns: int | None


def read_stamps(cells: NDArray[np.bytes_], minutes_first: bool = False) -> Stamps:
    """Read cells like "13:45:30.2", "05/06/2024 13:45:30", "1:45:30 PM", "12:05.250" (minutes first).

    Args:
        cells: (N,) bytes.
        minutes_first: "12:05" is 12 min 5 s and not five past twelve.
    """
    cells = np.asarray(cells, dtype="S40")  # pandas hands out objects; no way of writing a time is longer
    count, width = len(cells), max(cells.dtype.itemsize, 1)
    letters = np.ascontiguousarray(cells).view(np.uint8).reshape(count, width)
    lengths = np.char.str_len(cells) if count else np.zeros(0, dtype=np.int64)
    clock_ns = np.zeros(count, dtype=np.int64)
    dates = np.zeros(count, dtype=cells.dtype)
    sound, zoned = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
    left = np.flatnonzero(lengths > 0)
    ways = unreadable = 0
    while len(left) and ways < _WAYS and unreadable < _UNREADABLE:
        way = _way(bytes(cells[left[0]]), minutes_first)
        if way is None:
            left, unreadable = left[1:], unreadable + 1
            continue
        ways += 1
        alike = left[lengths[left] == lengths[left[0]]]
        alike = alike[_written_alike(letters[alike], way)]
        whole = len(alike) == count
        rows = slice(None) if whole else alike
        clock_ns[rows], good = _clock(letters[rows], way, minutes_first)
        sound[rows] = good
        zoned[rows] = way.zone_ns is not None
        if way.date_end:
            dates[rows] = _front(letters[rows], way.date_end, cells.dtype)
        if whole:
            break
        left = np.setdiff1d(left, alike, assume_unique=True)
    return Stamps(clock_ns, dates, sound, zoned)


def _way(cell: bytes, minutes_first: bool) -> _Way | None:
    """Where the parts of a way of writing stand."""
    found = _MINUTES.match(cell) if minutes_first else None
    found = found or _STAMP.match(cell) or _COMPACT.match(cell)
    if found is None:
        return None
    parts = found.groupdict()
    spans = {name: found.span(name) for name in "hmsf" if parts.get(name) is not None}
    return _Way(
        cell,
        spans,
        found.end("date") if parts.get("date") else 0,
        (parts.get("half") or b"").lower()[:1],
        _zone_ns(parts["zone"]) if parts.get("zone") else None,
    )


def _zone_ns(text: bytes) -> int:
    digits = text[1:].replace(b":", b"")
    if not digits.isdigit():
        return 0
    minutes = int(digits[:2]) * 60 + int(digits[2:] or 0)
    return (-minutes if text[:1] == b"-" else minutes) * 60_000_000_000


def _written_alike(letters: NDArray[np.uint8], way: _Way) -> NDArray[np.bool_]:
    """(N,) rows with digits where the pattern has them and the same signs elsewhere; dates may differ."""
    alike = np.ones(len(letters), dtype=np.bool_)
    digits = {at for start, end in way.spans.values() for at in range(start, end)}
    for at in range(len(way.cell)):
        if at in digits:
            alike &= (letters[:, at] - np.uint8(48)) < 10
        elif at < way.date_end:
            alike &= letters[:, at] != ord(":")
        else:
            alike &= letters[:, at] == way.cell[at]
    return alike


def _clock(
    letters: NDArray[np.uint8], way: _Way, minutes_first: bool
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    spans = way.spans

    def number(name: str) -> NDArray[np.int64]:
        total = np.zeros(len(letters), dtype=np.int64)
        for at in range(*spans.get(name, (0, 0))):
            total = total * 10 + (letters[:, at] - np.uint8(48))
        return total

    hours, minutes, whole = number("h"), number("m"), number("s")
    places = spans["f"][1] - spans["f"][0] if "f" in spans else 0
    good = (whole < 60) & ((minutes < 60) | minutes_first)
    if way.half:
        good &= (hours >= 1) & (hours <= 12)
        hours = hours % 12 + (12 if way.half == b"p" else 0)
    ns = ((hours * 60 + minutes) * 60 + whole) * 1_000_000_000
    if places:
        ns += number("f") * 10 ** (9 - places)
    return ns - (way.zone_ns or 0), good


def _front(letters: NDArray[np.uint8], length: int, dtype: np.dtype[np.bytes_]) -> NDArray[np.bytes_]:
    front = np.zeros((len(letters), dtype.itemsize), dtype=np.uint8)
    front[:, :length] = letters[:, :length]
    return front.view(dtype).reshape(-1)


def read_dates(
    cells: NDArray[np.bytes_], order: Order | None
) -> tuple[NDArray[np.int64], NDArray[np.bool_], list[str]]:
    """Days since 1970-01-01 of a column of dates.

    Args:
        cells: (N,) bytes; a blank cell takes no date.
        order: stated by the user; found from the file where None.

    Returns:
        ((N,) days, (N,) which could be read, warnings).
    """
    if not len(cells):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_), []
    starts = np.flatnonzero(np.concatenate(([True], cells[1:] != cells[:-1])))  # a date stays for many rows
    texts = [bytes(cells[at]).decode("utf-8", errors="replace").strip(" ,T_") for at in starts]
    found, warnings = find_order(set(texts)) if order is None else (order, [])
    days = [parse_date(text, found) for text in texts]
    runs = np.diff(np.append(starts, len(cells)))
    known = np.repeat(np.array([day is not None for day in days]), runs)
    return np.repeat(np.array([day or 0 for day in days], dtype=np.int64), runs), known, warnings


def find_order(texts: Iterable[str]) -> tuple[Order, list[str]]:
    """The order of day and month in dates like 05/06/2024: by any number over 12, else day first.

    Dates with dots are written day first everywhere; dates of six digits as NMEA 0183 has them, too.
    """
    open_ones, first, second = [], False, False
    for text in texts:
        found = _YEAR_LAST.match(text)
        if found and found[2] != ".":
            one, two = int(found[1]), int(found[3])
            first, second = first or one > 12, second or two > 12
            if one != two:
                open_ones.append(text)
    if second and not first:
        return "mdy", []
    if first or not open_ones:
        return "dmy", []
    shown = min(open_ones)[:20]
    return "dmy", [
        f'the date "{shown}" is ambiguous: read with the day first; date_order in a --columns map states it'
    ]


@lru_cache(maxsize=4096)
def parse_date(text: str, order: Order = "dmy") -> int | None:
    """Days since 1970-01-01 of one date; None where it is none. Two-digit years are 1970 to 2069."""
    parts = _date_parts(text.strip(), order)
    if parts is None:
        return None
    year, month, day = parts
    if 0 <= year < 100:
        year += 1900 if year >= 70 else 2000
    if not 1900 <= year < 2100:  # no log's; and far dates overflow a count of nanoseconds
        return None
    try:
        return date(year, month, day).toordinal() - date(1970, 1, 1).toordinal()
    except ValueError:
        return None


def _date_parts(text: str, order: Order) -> tuple[int, int, int] | None:
    if found := _YEAR_FIRST.match(text):
        return int(found[1]), int(found[2]), int(found[3])
    if found := _YEAR_LAST.match(text):
        one, two, last = int(found[1]), int(found[3]), int(found[4])
        if order == "ymd" and len(found[4]) == 2:
            return one, two, last
        return (last, one, two) if order == "mdy" and found[2] != "." else (last, two, one)
    if re.fullmatch(r"\d{8}", text):
        if 1970 <= int(text[:4]) <= 2099 and int(text[4:6]) <= 12:
            return int(text[:4]), int(text[4:6]), int(text[6:])
        return _three(text[:2], text[2:4], text[4:], order)
    if re.fullmatch(r"\d{5,6}", text):
        text = text.zfill(6)
        if order == "ymd":
            return int(text[:2]), int(text[2:4]), int(text[4:])
        return _three(text[:2], text[2:4], text[4:], order)
    named = _NAMED.match(text)
    if named is None:
        return None
    first, second, year = named[1], named[2], int(named[3])
    for day_text, month_text in ((first, second), (second, first)):
        month = _MONTHS.get(month_text[:3].lower())
        if day_text.isdigit() and month:
            return year, month, int(day_text)
    return None


def _three(one: str, two: str, year: str, order: Order) -> tuple[int, int, int]:
    return (int(year), int(one), int(two)) if order == "mdy" else (int(year), int(two), int(one))
