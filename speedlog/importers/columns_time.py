"""Headers of times and dates: "UTC Time", "Date", "timestamp_ms", "Elapsed (s)", "Time (UTC+2)"."""

from __future__ import annotations

import re

from speedlog.units import Unit, find_unit

# the sign, hours and minutes of a zone in a header: "UTC+2", "GMT +01:00"
ZONE = re.compile(r"(?:UTC|GMT)\s*([+-])\s*(\d{1,2})(?::?(\d\d))?(?!\d)", re.IGNORECASE)

_HEADS = frozenset(
    [
        "time",
        "timestamp",
        "ts",
        "t",
        "date",
        "datetime",
        "utc",
        "gmt",
        "epoch",
        "elapsed",
        "uptime",
        "clock",
        "millis",
        "realtime",
    ]
)
_UNIT_HEADS = frozenset(
    [
        "seconds",
        "sec",
        "secs",
        "ms",
        "msec",
        "millis",
        "milliseconds",
        "micros",
        "nanos",
        "µs",
        "us",
        "microseconds",
        "ns",
        "nanoseconds",
    ]
)
_TRAITS = {
    "utc": "utc gmt zulu z",
    "local": "local lokal",
    "epoch": "epoch unix posix",
    "elapsed": "elapsed uptime since start boot run running relative session recording record sample lap0",
    "clock": "clock day hhmmss",
}
_TRAIT = {word: trait for trait, words in _TRAITS.items() for word in words.split()}
_OTHERS = frozenset(
    [
        "gps",
        "in",
        "of",
        "stamp",
        "iso",
        "iso8601",
        "8601",
        "system",
        "sys",
        "log",
        "logged",
        "logger",
        "data",
        "device",
        "real",
        "on",
        "the",
        "hh",
        "mm",
        "ss",
        "hhmmss",
        "ddmmyy",
        "ddmmyyyy",
        "yyyymmdd",
        "yyyy",
        "dd",
        "yy",
        "mmm",
        "sss",
        "h",
        "m",
        "s",
        "min",
        "nanos",
        "micros",
        "hms",
    ]
)
_DATE_ONLY = frozenset(
    [
        "date",
        "gps",
        "utc",
        "gmt",
        "local",
        "ddmmyy",
        "ddmmyyyy",
        "yyyymmdd",
        "yyyy",
        "mm",
        "dd",
        "yy",
        "log",
        "iso",
        "the",
        "of",
        "start",
    ]
)


def time_meaning(words: tuple[str, ...], units: list[str]) -> tuple[str, Unit | None, frozenset[str]] | None:
    """("time" or "date", unit, traits) of a header's words, or None when it is no time.

    Args:
        words: the words, in one spelling, those in brackets too.
        units: the units stated in brackets.
    """
    if not words or any(
        not (word in _HEADS or word in _TRAIT or word in _OTHERS or word.isdigit() or find_unit(word, "time"))
        for word in words
    ):
        return None
    if not any(word in _HEADS or word in _UNIT_HEADS for word in words):
        return None
    if "date" in words and all(word in _DATE_ONLY for word in words):
        return "date", None, frozenset(_TRAIT[word] for word in words if word in _TRAIT)
    unit = next((found for text in units if (found := find_unit(text, "time"))), None)
    if unit is None and not units and not {"hh", "hhmmss", "hms"} & set(words):
        named = [word for word in words if word in _UNIT_HEADS] + [word for word in words[1:] if word == "s"]
        unit = find_unit(named[0], "time") if named else None
    if unit is None and units:
        return None
    return "time", unit, frozenset(_TRAIT[word] for word in words if word in _TRAIT)
