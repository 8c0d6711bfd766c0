"""The fields of many plain NMEA sentences of one kind at once: the same values as `nmea_sentence` gives.

Each reader takes the rows of its kind with one number of fields and gives columns; `sound` tells which
rows it understood wholly. Any other row is left to `nmea_sentence`, which stays the one that decides
what a sentence means and what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers import nmea_sentence as careful
from speedlog.importers.ascii_words import TENS, Flags, Numbers, Places, Text, Whole, one_count
from speedlog.importers.nmea_finish import UNKNOWN_DAY

Column = NDArray[Any]

NO_QUALITY = -1
_LEFT = -2  # in tables of qualities: leave the sentence to the careful reader
_LETTERS = ["", *(chr(at) for at in range(1, 128))]


def _quality_number(quality: careful.Quality | None) -> int:
    return NO_QUALITY if quality is None else int(quality)


def _status_table() -> NDArray[np.int8]:
    """(128, 128) quality by status and mode letter (0 for a blank one), as `_status` tells it."""
    table = np.full((128, 128), _LEFT, dtype=np.int8)
    for status in ("", "A", "V"):
        for mode in _LETTERS:
            if mode not in careful._UNUSUAL and mode != " ":
                quality = careful._status(status, mode)
                table[ord(status or "\0"), ord(mode or "\0")] = _quality_number(quality)
    return table


_BY_STATUS = _status_table()
_BY_GGA = np.array(
    [
        _LEFT
        if text in careful._UNUSUAL or text == " "
        else _quality_number(careful._GGA_QUALITIES.get(text))
        for text in _LETTERS
    ],
    dtype=np.int8,
)
_BY_MODE = np.array(
    [
        _LEFT if text in careful._UNUSUAL or text == " " else _quality_number(careful._MODES.get(text))
        for text in _LETTERS
    ],
    dtype=np.int8,
)  # fmt: skip
_MOST_MODES = 8  # satellite systems of GNS


@dataclass(eq=False)
class Rows:
    """Sentences of one kind with the same number of fields; `sound` falls where one isn't understood."""

    text: Text
    first_comma: Places
    end: Places
    commas: Places
    fields: int
    sound: Flags = field(init=False)
    _edges: dict[int, Places] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.sound = np.ones(len(self.end), dtype=np.bool_)

    def place(self, at: int) -> tuple[Places, Places]:
        """(N,) where field `at` begins and ends; fields left out at the end are blank."""
        if at >= self.fields:
            return self.end, self.end
        return self._edge(at) + 1, self._edge(at + 1)

    def _edge(self, at: int) -> Places:
        """(N,) where the comma before field `at` stands, or the "*" after the last."""
        if at >= self.fields:
            return self.end
        if at not in self._edges:
            self._edges[at] = self.commas[self.first_comma + at]
        return self._edges[at]

    def number(self, at: int) -> Numbers:
        """(N,) numbers, NaN where blank."""
        values, sound = self.text.numbers(*self.place(at))
        self.sound &= sound
        return values

    def letter(self, at: int) -> NDArray[np.uint8]:
        """(N,) fields of one character at the most; 0 where blank."""
        start, stop = self.place(at)
        length = one_count(stop - start)
        if isinstance(length, int):
            self.sound &= length <= 1
            found = self.text.bytes[start] if length == 1 else np.zeros(len(start), dtype=np.uint8)
        else:
            self.sound &= length <= 1
            found = np.where(length == 1, self.text.bytes[start], 0)
        return np.minimum(found, 127)

    def time_ns(self, at: int) -> Whole:
        """(N,) hhmmss.sss as nanoseconds of the day; blank ones are not sound."""
        start, stop = self.place(at)
        point, length = start + 6, one_count(stop - start)
        whole, sound = self.text.digits(point, 6)
        pointed = (length == 6) | (self.text.bytes[point] == ord("."))
        decimals = max(length - 7, 0) if isinstance(length, int) else np.maximum(length - 7, 0)
        fraction, known = self.text.scaled(stop, decimals, 9)
        minutes, seconds = np.divmod(whole, 100)
        hours, minutes = np.divmod(minutes, 100)
        self.sound &= sound & pointed & known & (length >= 6)
        self.sound &= (hours < 24) & (minutes < 60) & (seconds < 60)
        return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + fraction

    def angle(self, at: int, degree_digits: int, sides: str) -> tuple[Numbers, NDArray[np.int8]]:
        """(N,) ddmm.mmmm or dddmm.mmmm with its hemisphere as degrees; decimals; NaN, 0 where blank."""
        start, stop = self.place(at)
        side = self.letter(at + 1)
        point = start + (degree_digits + 2)
        whole, sound = self.text.digits(point, degree_digits + 2)
        decimals = one_count(stop - point - 1)
        fraction, known = self.text.digits(stop, decimals)
        minus = side == ord(sides[1])
        degrees, minutes = np.divmod(whole, 100)
        power = TENS[np.clip(decimals, 0, 8)]
        value = degrees + (minutes * power + fraction) / power / 60.0
        fine = sound & known & (self.text.bytes[point] == ord(".")) & (minutes < 60)
        fine &= minus | (side == ord(sides[0]))
        if minus.any():
            value = np.where(minus, -value, value)
        digits = np.full(len(value), decimals).astype(np.int8)
        if not fine.all():
            blank = stop == start
            value[blank], digits[blank] = np.nan, 0
            fine |= blank
        self.sound &= fine
        return value, digits

    def position(self, at: int) -> dict[str, Column]:
        """Latitude, N/S, longitude, E/W from field `at` on."""
        lat, digits = self.angle(at, 2, "NS")
        lon, _ = self.angle(at + 2, 3, "EW")
        self.sound &= np.isnan(lat) == np.isnan(lon)
        return {"lat_deg": lat, "lon_deg": lon, "place_digits": digits}

    def quality(self, table: NDArray[np.int8], *letters: NDArray[np.uint8]) -> NDArray[np.int8]:
        """(N,) what a table says of one or two letters."""
        found = table[letters]
        self.sound &= found != _LEFT
        return found

    def day(self, at: int) -> NDArray[np.int32]:
        """(N,) ddmmyy as days since 1970-01-01, UNKNOWN_DAY where blank."""
        start, stop = self.place(at)
        blank = stop == start
        number, sound = self.text.digits(stop, stop - start)
        self.sound &= (sound & (stop - start == 6)) | blank
        return self._days(np.where(blank, -1, number), _short_day)

    def _days(self, number: Whole, day_of: Callable[[int], int | None]) -> NDArray[np.int32]:
        """(N,) days of dates written as whole numbers; -1 stands for a blank one."""
        if not len(number):
            return np.empty(0, dtype=np.int32)
        days = np.full(len(number), UNKNOWN_DAY, dtype=np.int32)
        for one in (number[0],) if (number == number[0]).all() else np.unique(number):
            day = day_of(int(one)) if one >= 0 else UNKNOWN_DAY
            if day is None:
                self.sound &= number != one
            else:
                days[number == one] = day
        return days


def _short_day(number: int) -> int | None:
    text = f"{number:06d}"
    return _ordinal(text[:2], text[2:4], ("19" if text[4:] >= "70" else "20") + text[4:])


def _ordinal(day: str, month: str, year: str) -> int | None:
    date = careful._date(day, month, year)
    return None if date is None else date.toordinal() - careful.EPOCH_ORDINAL


Columns = dict[str, Column]


def _rmc(rows: Rows) -> Columns:
    return {
        "time_ns": rows.time_ns(0), **rows.position(2),
        "speed_mps": rows.number(6) * careful._KNOT_MPS, "track_deg": rows.number(7), "day": rows.day(8),
        "quality": rows.quality(_BY_STATUS, rows.letter(1), rows.letter(11)),
    }  # fmt: skip


def _gga(rows: Rows) -> Columns:
    return {
        "time_ns": rows.time_ns(0), **rows.position(1), "alt_m": rows.number(8), "hdop": rows.number(7),
        "satellites": rows.number(6), "quality": rows.quality(_BY_GGA, rows.letter(5)),
    }  # fmt: skip


def _gll(rows: Rows) -> Columns:
    return {
        "time_ns": rows.time_ns(4), **rows.position(0),
        "quality": rows.quality(_BY_STATUS, rows.letter(5), rows.letter(6)),
    }  # fmt: skip


def _gns(rows: Rows) -> Columns:
    """The worst of the systems that have a fix; a system without one doesn't spoil the others'."""
    start, stop = rows.place(5)
    count = stop - start
    rows.sound &= count <= _MOST_MODES
    best = np.full(len(start), 99, dtype=np.int8)
    none = np.zeros(len(start), dtype=np.bool_)
    for at in range(min(int(count.max(initial=0)), _MOST_MODES)):
        letter = rows.text.bytes[start + at]
        quality = _BY_MODE[np.where(at < count, np.minimum(letter, 127), 0)]
        rows.sound &= quality != _LEFT
        none |= quality == int(careful.Quality.NONE)
        best = np.where(quality > 0, np.minimum(best, quality), best).astype(np.int8)
    blank = np.where(none, int(careful.Quality.NONE), NO_QUALITY)
    return {
        "time_ns": rows.time_ns(0), **rows.position(1), "alt_m": rows.number(8), "hdop": rows.number(7),
        "satellites": rows.number(6), "quality": np.where(best < 99, best, blank).astype(np.int8),
    }  # fmt: skip


def _vtg(rows: Rows) -> Columns:
    bare = rows.fields == 4
    track, knots, kmh = rows.number(0), rows.number(2 if bare else 4), rows.number(3 if bare else 6)
    speed = np.where(np.isnan(knots), kmh * careful._KMH_MPS, knots * careful._KNOT_MPS)
    return {"vtg_speed_mps": speed, "vtg_track_deg": track}


def _gsa(rows: Rows) -> Columns:
    letter = rows.letter(1)
    rows.sound &= letter != 32
    dimension = np.where(letter == 50, 2, np.where(letter == 51, 3, 0)).astype(np.int8)
    return {"hdop": rows.number(15), "dimension": dimension}


_MOST_SATELLITES = 4  # of one GSV


def _gsv(rows: Rows) -> Columns:
    """Up to four satellites: a number for each name (-1 where there is none), and its C/N0."""
    names = np.full((len(rows.end), _MOST_SATELLITES), -1, dtype=np.int32)
    strengths = np.zeros((len(rows.end), _MOST_SATELLITES), dtype=np.int16)
    places = range(3, rows.fields - 3, 4)
    rows.sound &= len(places) <= _MOST_SATELLITES
    for column, at in enumerate(places[:_MOST_SATELLITES]):
        start, stop = rows.place(at + 3)
        count = stop - start
        value, sound = rows.text.digits(stop, count)
        rows.sound &= (sound & (count <= 2)) | (count == 0)
        known = (count > 0) & ~((count == 2) & (value == 0))
        names[:, column] = np.where(known, _name_numbers(rows, at), -1)
        strengths[:, column] = value
    return {"names": names, "strengths": strengths}


def _name_numbers(rows: Rows, at: int) -> Column:
    """(N,) a satellite's name as a number: one for each text of up to three digits ("1" is not "01")."""
    start, stop = rows.place(at)
    count = stop - start
    value, sound = rows.text.digits(stop, count)
    rows.sound &= sound & (count <= 3)
    return value + 1000 * count


def _zda(rows: Rows) -> Columns:
    year_start, year_stop = rows.place(3)
    rows.sound &= year_stop - year_start == 4
    number = np.zeros(len(rows.end), dtype=np.int64)
    for at, digits in ((3, 4), (2, 2), (1, 2)):
        start, stop = rows.place(at)
        value, sound = rows.text.digits(stop, stop - start)
        rows.sound &= sound & (stop - start == digits)
        number = number * 100 + value
    return {"time_ns": rows.time_ns(0), "day": rows._days(np.where(rows.sound, number, -1), _long_day)}


def _long_day(number: int) -> int | None:
    text = f"{number:08d}"
    return _ordinal(text[6:], text[4:6], text[:4])


def _gst(rows: Rows) -> Columns:
    rows.time_ns(0)
    return {}


READERS: dict[str, Callable[[Rows], Columns]] = {
    "RMC": _rmc, "GGA": _gga, "GLL": _gll, "GNS": _gns, "ZDA": _zda,
    "VTG": _vtg, "GSA": _gsa, "GSV": _gsv, "GST": _gst,
}  # fmt: skip
