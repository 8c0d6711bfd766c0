"""The reading of one NMEA 0183 sentence: text in, plain SI values out.

NMEA 0183 and IEC 61162-1 are not freely published and were not consulted; the fields are those of the
free description "NMEA Revealed" (gpsd, www/NMEA.adoc). A sentence of the usual form is split and checked
here, since logs in which every line is unusual hold a million of them; `pynmea2`, the oracle of the tests, does
it for all others. Its own properties are not used, because it reads an empty position as 0.0 and takes the
navigational status "V" of RMC (NMEA 4.1: "not given") for an invalid fix.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

import pynmea2

from speedlog.units import UNITS

KINDS = ("RMC", "GGA", "GLL", "GNS", "VTG", "GSA", "GSV", "ZDA", "GST")
NAN = math.nan

_KNOT_MPS = next(unit.factor for unit in UNITS if unit.symbol == "kn")
_KMH_MPS = next(unit.factor for unit in UNITS if unit.symbol == "km/h")
_USUAL = re.compile(r"\$([A-Z]{2}[A-Z]{3},([ -#%-)+-~]{0,250}))(?:\*([0-9A-Fa-f]{2}))?")
_TIME = re.compile(r"\d{6}(?:\.(\d*))?", re.ASCII)
_ANGLE = re.compile(r"(\d{1,3})((\d\d)(?:\.(\d*))?)", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_LONGEST_FRACTION = 9  # digits: nanoseconds
EPOCH_ORDINAL = dt.date(1970, 1, 1).toordinal()


class SentenceError(ValueError):
    """A sentence that can't be used; the text is the reason."""


class Quality(IntEnum):
    """What a sentence says of its position; of two sentences of an epoch the lower one holds."""

    NONE = 0
    DEAD_RECKONED = 1
    RTK_FLOAT = 2
    RTK_FIXED = 3
    DIFFERENTIAL = 4
    SINGLE = 5


class SentenceFields(NamedTuple):
    """What one sentence says; NaN or None where it says nothing.

    Attributes:
        talker, kind: "GN", "RMC".
        time_ns: UTC time of day in nanoseconds.
        date: UTC date; `two_digit_year` where its century is a guess; `bad_date` where it is no date.
        place_digits: decimals of a minute in which the position is written.
        dimension: 2 or 3 of GSA.
        cn0: (satellite, dB-Hz) of GSV.
        unusual: "simulator" or "manual" where the receiver says so.
    """

    talker: str
    kind: str
    time_ns: int | None = None
    date: dt.date | None = None
    two_digit_year: bool = False
    bad_date: bool = False
    lat_deg: float = NAN
    lon_deg: float = NAN
    place_digits: int = 0
    alt_m: float = NAN
    speed_mps: float = NAN
    track_deg: float = NAN
    hdop: float = NAN
    satellites: float = NAN
    quality: Quality | None = None
    dimension: int | None = None
    cn0: tuple[tuple[str, float], ...] = ()
    unusual: str | None = None


def read_sentence(text: str) -> SentenceFields | None:
    """Read one sentence.

    Args:
        text: from "$" to the last field or to the checksum, without a line end.

    Returns:
        Its fields, or None where it is of a kind that tells nothing of a drive.

    Raises:
        SentenceError: checksum wrong, cut short, or a field that is no time, place or number.
    """
    kind = text[3:6]
    if len(text) < 7 or text[6] != "," or kind not in _READERS:
        _check_other(text)
        return None
    return _READERS[kind](text[1:3], kind, _split(text))


def read_checked(text: str) -> SentenceFields | None:
    """The same of a sentence up to its "*", whose form and checksum are known to be right."""
    reader = _READERS.get(text[3:6])
    return None if reader is None else reader(text[1:3], text[3:6], _stripped(text[7:]))


def _split(text: str) -> list[str]:
    """The fields of a sentence, its checksum held against it if it has one."""
    usual = _USUAL.fullmatch(text)
    if usual is not None:
        body, data, given = usual.groups()
        if given and checksum(body.encode("ascii")) != int(given, 16):
            raise SentenceError("wrong checksum")
        return _stripped(data)
    try:
        message = pynmea2.NMEASentence.parse(text)
    except pynmea2.ChecksumError:
        raise SentenceError("wrong checksum") from None
    except (pynmea2.ParseError, ValueError):
        raise SentenceError("not a whole sentence") from None
    return [item.strip() for item in message.data]


def _stripped(data: str) -> list[str]:
    items = data.split(",")
    return [item.strip() for item in items] if " " in data else items


def checksum(body: bytes) -> int:
    """XOR of up to 256 bytes, halves onto each other: one by one they take five times as long."""
    folded = int.from_bytes(body, "little")
    for bits in (1024, 512, 256, 128, 64, 32, 16, 8):
        folded ^= folded >> bits
    return folded & 255


def _check_other(text: str) -> None:
    """The checksum of a sentence that is not read further."""
    body, star, given = text[1:].rpartition("*")
    sound = body.isascii() and len(body) <= 256 and f"{checksum(body.encode()):02X}" == given.upper()
    if star and not sound:
        raise SentenceError("wrong checksum")


def _field(data: list[str], at: int) -> str:
    """A field by its place (0 = first after the tag); "" where receivers leave the last ones out."""
    return data[at] if at < len(data) else ""


def _filled(data: list[str], count: int) -> list[str]:
    """The first `count` fields, "" where receivers leave the last ones out."""
    return data[:count] if len(data) >= count else [*data, *[""] * (count - len(data))]


def _number(text: str, what: str) -> float:
    if not text:
        return NAN
    if not _NUMBER.fullmatch(text):
        raise SentenceError(f"{what} is not a number")
    return float(text)


@lru_cache(maxsize=64)  # the sentences of an epoch say the same
def _time_ns(text: str) -> int | None:
    """hhmmss.sss as nanoseconds of the day.

    A leap second has no place of its own in UTC time stamps (POSIX): it would take its neighbour's.
    """
    if not text:
        return None
    found = _TIME.fullmatch(text)
    if not found:
        raise SentenceError("not a time")
    hours, minutes, seconds = int(text[:2]), int(text[2:4]), int(text[4:6])
    if seconds == 60:
        raise SentenceError("a leap second, which has no time stamp of its own")
    if hours > 23 or minutes > 59 or seconds > 59:
        raise SentenceError("no such time of day")
    fraction = (found[1] or "")[:_LONGEST_FRACTION].ljust(_LONGEST_FRACTION, "0")
    return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + int(fraction)


def _angle_deg(text: str, side: str, sides: str) -> tuple[float, int]:
    """dddmm.mmmm and its hemisphere as degrees, and how many decimals it has; (NaN, 0) where blank."""
    if not text:
        return NAN, 0
    found = _ANGLE.fullmatch(text)
    if not found or len(side) != 1 or side not in sides:
        raise SentenceError("not a position")
    degrees, minutes, whole, fraction = found.groups()
    if whole > "59":
        raise SentenceError("not a position: 60 minutes or more")
    value = int(degrees) + float(minutes) / 60.0
    return (value if side == sides[0] else -value), len(fraction or "")


def _place(lat: str, ns: str, lon: str, ew: str) -> tuple[float, float, int]:
    """Latitude and longitude in degrees, and with how many decimals the former is written."""
    lat_deg, digits = _angle_deg(lat, ns, "NS")
    lon_deg, _ = _angle_deg(lon, ew, "EW")
    if math.isnan(lat_deg) != math.isnan(lon_deg):
        raise SentenceError("half a position")
    return lat_deg, lon_deg, digits


@lru_cache(maxsize=64)
def _date(day: str, month: str, year: str) -> dt.date | None:
    if not (day + month + year).isdecimal():
        return None
    try:
        return dt.date(int(year), int(month), int(day))
    except (ValueError, OverflowError):  # no such day, or a number without end
        return None


_MODES = {
    "N": Quality.NONE, "E": Quality.DEAD_RECKONED, "F": Quality.RTK_FLOAT, "R": Quality.RTK_FIXED,
    "D": Quality.DIFFERENTIAL, "A": Quality.SINGLE, "P": Quality.SINGLE, "S": Quality.SINGLE,
    "M": Quality.SINGLE,
}  # fmt: skip
_GGA_QUALITIES = {
    "0": Quality.NONE, "1": Quality.SINGLE, "2": Quality.DIFFERENTIAL, "3": Quality.SINGLE,
    "4": Quality.RTK_FIXED, "5": Quality.RTK_FLOAT, "6": Quality.DEAD_RECKONED,
    "7": Quality.SINGLE, "8": Quality.SINGLE,
}  # fmt: skip
_UNUSUAL = {"S": "simulator", "8": "simulator", "M": "manual", "7": "manual"}


def _status(status: str, mode: str) -> Quality | None:
    """Status A/V and mode letter together: V or N is no fix, but the modes E, M and S decide alone.

    By the older text status is V for every mode but A and D, so beside E, M or S it tells nothing more
    (receivers differ); those positions are marked or warned of by their mode.
    """
    by_mode = _MODES.get(mode)
    if mode in ("E", "M", "S"):
        return by_mode
    if status == "V" or by_mode is Quality.NONE:
        return Quality.NONE
    return by_mode if by_mode is not None or not status else Quality.SINGLE


def _rmc(talker: str, kind: str, data: list[str]) -> SentenceFields:
    time, status, lat, ns, lon, ew, speed, course, text, _, _, mode = _filled(data, 12)
    year_text = text[4:6]
    century = "19" if year_text >= "70" else "20"  # no standard pivot; 1970 to 2069
    date = _date(text[:2], text[2:4], century + year_text) if len(text) == 6 and text.isdecimal() else None
    time_ns = _time_ns(time)
    speed_mps, track = _number(speed, "speed") * _KNOT_MPS, _number(course, "course")
    lat_deg, lon_deg, digits = _place(lat, ns, lon, ew)
    return SentenceFields(
        talker, kind, time_ns, date, True, bool(text) and date is None, lat_deg, lon_deg, digits,
        speed_mps=speed_mps, track_deg=track, quality=_status(status, mode), unusual=_UNUSUAL.get(mode),
    )  # fmt: skip


def _gga(talker: str, kind: str, data: list[str]) -> SentenceFields:
    time, lat, ns, lon, ew, quality, satellites, hdop, height = _filled(data, 9)
    time_ns = _time_ns(time)
    alt_m, spread = _number(height, "height"), _number(hdop, "HDOP")
    count = _number(satellites, "satellites")
    lat_deg, lon_deg, digits = _place(lat, ns, lon, ew)
    return SentenceFields(
        talker, kind, time_ns, None, False, False, lat_deg, lon_deg, digits, alt_m,
        hdop=spread, satellites=count, quality=_GGA_QUALITIES.get(quality), unusual=_UNUSUAL.get(quality),
    )  # fmt: skip


def _gll(talker: str, kind: str, data: list[str]) -> SentenceFields:
    lat, ns, lon, ew, time, status, mode = _filled(data, 7)
    time_ns = _time_ns(time)
    lat_deg, lon_deg, digits = _place(lat, ns, lon, ew)
    return SentenceFields(
        talker, kind, time_ns, None, False, False, lat_deg, lon_deg, digits,
        quality=_status(status, mode), unusual=_UNUSUAL.get(mode),
    )  # fmt: skip


def _gns(talker: str, kind: str, data: list[str]) -> SentenceFields:
    """One mode letter a satellite system: a system without a fix doesn't spoil the others'."""
    time, lat, ns, lon, ew, modes, satellites, hdop, height = _filled(data, 9)
    known = [_MODES[letter] for letter in modes if letter in _MODES]
    fixed = [quality for quality in known if quality is not Quality.NONE]
    time_ns = _time_ns(time)
    alt_m, spread = _number(height, "height"), _number(hdop, "HDOP")
    count = _number(satellites, "satellites")
    lat_deg, lon_deg, digits = _place(lat, ns, lon, ew)
    return SentenceFields(
        talker, kind, time_ns, None, False, False, lat_deg, lon_deg, digits, alt_m, hdop=spread, satellites=count,
        quality=min(fixed) if fixed else Quality.NONE if known else None,
        unusual=next((_UNUSUAL[letter] for letter in modes if letter in _UNUSUAL), None),
    )  # fmt: skip


def _vtg(talker: str, kind: str, data: list[str]) -> SentenceFields:
    """Course and speed; the old form has four bare numbers, the newer one a letter after each."""
    bare = len(data) == 4
    track = _number(_field(data, 0), "course")
    knots = _number(_field(data, 2 if bare else 4), "speed")
    kmh = _number(_field(data, 3 if bare else 6), "speed")
    speed = kmh * _KMH_MPS if math.isnan(knots) else knots * _KNOT_MPS
    return SentenceFields(talker, kind, speed_mps=speed, track_deg=track)


def _gsa(talker: str, kind: str, data: list[str]) -> SentenceFields:
    dimension = {"2": 2, "3": 3}.get(_field(data, 1))
    return SentenceFields(talker, kind, hdop=_number(_field(data, 15), "HDOP"), dimension=dimension)


def _gsv(talker: str, kind: str, data: list[str]) -> SentenceFields:
    """Four satellites at the most: number, elevation, azimuth, C/N0 (blank while not tracked)."""
    found = [(data[at], data[at + 3]) for at in range(3, len(data) - 3, 4)]
    return SentenceFields(
        talker,
        kind,
        cn0=tuple((talker + sat, float(text)) for sat, text in found if text.isdecimal() and text != "00"),
    )


def _zda(talker: str, kind: str, data: list[str]) -> SentenceFields:
    date = _date(_field(data, 1), _field(data, 2), _field(data, 3)) if len(_field(data, 3)) == 4 else None
    given = any(_field(data, at) for at in (1, 2, 3))
    return SentenceFields(talker, kind, _time_ns(_field(data, 0)), date=date, bad_date=given and date is None)


def _gst(talker: str, kind: str, data: list[str]) -> SentenceFields:
    """Spread of the POSITION: the common table has no column for it, so only the time is read."""
    return SentenceFields(talker, kind, _time_ns(_field(data, 0)))


_READERS = {"RMC": _rmc, "GGA": _gga, "GLL": _gll, "GNS": _gns, "VTG": _vtg, "GSA": _gsa, "GSV": _gsv,
            "ZDA": _zda, "GST": _gst}  # fmt: skip
