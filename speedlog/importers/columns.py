"""What a header means: trade words to columns of the common table, and the unit that the header states.

A header is taken only when ALL its words are understood ("Max speed", "Target rpm" and "Wheel
speed" are no ground speed), so an unknown word can never turn into a wrong column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

from speedlog.importers.columns_time import ZONE, time_meaning
from speedlog.importers.columns_words import ALIASES, FILLERS, IMPLIED_UNIT, PHRASES, VOCABULARY
from speedlog.units import UNITS, Kind, Unit, find_unit

_LONGEST_HEADER = 100  # characters; no logger writes a longer one, and a hostile one costs time
_BRACKETS = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_CHUNKS = re.compile(r"[\s_:;,|]+")
_HUMPS = re.compile(r"(?<=[a-zß-ÿ0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_WORDS = re.compile(r"[^\W_]+|[%°]")
# a header that says "Amps" has said its unit
_IMPLIED = re.compile(r"(?<![a-z])(?:amps?|amperes?|volts?)(?![a-z])", re.IGNORECASE)
_SAME = str.maketrans(
    {"′": "'", "μ": "µ", "º": "°", "²": "2", "⁻": "-", "¹": "1", "·": " ", "⋅": " ", "\xa0": " "}
)


# the kind of unit that each column of the common table (and "time", "date") takes
KINDS: dict[str, Kind | None] = {
    "time": "time", "date": None, "lat_deg": "angle", "lon_deg": "angle", "alt_m": "length",
    "speed_mps": "speed", "track_deg": "angle", "fix": None, "hdop": None, "satellites": None,
    "cn0_dbhz": None, "speed_sd_mps": "speed",
    "rpm": "rotation", "current_a": "current", "voltage_v": "voltage", "motor_temp_c": "temperature",
    "controller_temp_c": "temperature", "throttle": "share", "accel_mps2": "acceleration",
}  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """What one header says.

    Attributes:
        column: a column of the common table, or one of the helpers "time", "date", "temp",
            "lat_side", "lon_side", "x", "y", "wheel_speed".
        kind: the kind of unit that the column takes; None where it has none (hdop, fix).
        unit: the unit stated; None where none is.
        unknown_unit: what stands in the brackets where it is no unit we know.
        rank: which of several candidates is the better one; lower wins.
        traits: what else it says: "gps", "pack", "motor", "electrical", "wheel", "utc", "local",
            "epoch", "elapsed", "quality" …
        zone_minutes: the time zone stated ("UTC+2" -> 120).
        unit_from: what states the unit, where it is not the header.
    """

    column: str
    kind: Kind | None = None
    unit: Unit | None = None
    unknown_unit: str = ""
    rank: float = 0.0
    traits: frozenset[str] = frozenset()
    zone_minutes: int | None = None
    unit_from: str = "the header"

    def with_unit(self, text: str) -> Meaning:
        """The same with the unit of a row of units, where the header itself has none."""
        if self.kind is None or self.unit is not None or not text:
            return self
        unit = find_unit(bare_unit(text), self.kind)
        return replace(self, unit=unit, unit_from="the row of units") if unit else self


@lru_cache(maxsize=20_000)
def recognise(header: str) -> Meaning | None:
    """The meaning of a header, or None where it is not understood.

    Args:
        header: as written: "Speed (km/h)", "gps_speed_mph", "SPEED MPH", "Motor temp [F]".
    """
    text = header.translate(_SAME).strip().strip("\"'").strip()
    if not text or len(text) > _LONGEST_HEADER:
        return None
    notes = [note.strip() for note in _BRACKETS.findall(text)]
    words = header_words(_BRACKETS.sub(" ", text))
    found = _with_notes(words, notes, ZONE.search(text))
    if found is not None and found.unit is None and found.kind in ("current", "voltage"):
        implied = _IMPLIED.search(text)
        return replace(found, unit=find_unit(implied.group(), found.kind)) if implied else found
    return found


def bare_unit(text: str) -> str:
    """The unit in a cell of a row of units: "[km/h]" -> "km/h"."""
    return text.translate(_SAME).strip().strip("()[]{}<>").strip()


def is_unit(text: str) -> bool:
    """Whether a text is a unit of any kind."""
    return _any_unit(bare_unit(text).lower())


@lru_cache(maxsize=4_000)
def _any_unit(text: str) -> bool:
    return any(text == unit.symbol.lower() or text in unit.aliases for unit in UNITS)


def header_words(text: str) -> tuple[str, ...]:
    """The words of a header in one spelling: "gps_speedKmh" -> ("gps", "speed", "kmh")."""
    words: list[str] = []
    for chunk in _CHUNKS.split(text):
        if _any_unit(chunk.lower()) or chunk.lower() in ALIASES or chunk.lower() in VOCABULARY:
            words.append(ALIASES.get(chunk.lower(), chunk.lower()))
            continue
        for hump in _HUMPS.split(chunk):
            for word in _WORDS.findall(hump):
                words += _known_words(word.lower())
    return tuple(words)


def _known_words(word: str) -> list[str]:
    """A word in its one spelling; a run of known words without blanks ("motortemp") cut up."""
    if word in ALIASES or word in VOCABULARY or _any_unit(word):
        return [ALIASES.get(word, word)]
    parts = _cut_up(word)
    return [ALIASES.get(part, part) for part in parts] if parts else [word]


def _cut_up(word: str) -> list[str] | None:
    """The fewest known words (of two letters and more) that make up `word`, or None."""
    best: list[list[str] | None] = [[]] + [None] * len(word)
    for end in range(2, len(word) + 1):
        for start in range(max(0, end - 14), end - 1):
            before, part = best[start], word[start:end]
            if before is None or not (part in ALIASES or part in VOCABULARY or _any_unit(part)):
                continue
            now = best[end]
            if now is None or len(before) + 1 < len(now):
                best[end] = [*before, part]
    return best[len(word)]


def _with_notes(words: tuple[str, ...], notes: list[str], zone: re.Match[str] | None) -> Meaning | None:
    """Try what stands in brackets as the unit, then as further words ("Temp (ESC)"), then as neither."""
    others = tuple(word for note in notes if not is_unit(note) for word in header_words(note))
    units = [bare_unit(note) for note in notes if is_unit(note)]
    unknown = ""
    for tried in ((*words, *others), words) if others else (words,):
        found = _meaning(tried, units, zone)
        if found is not None:
            return replace(found, unknown_unit=unknown) if found.unit is None and found.kind else found
        unknown = next((note for note in notes if not is_unit(note)), "")
    return None


def _meaning(words: tuple[str, ...], units: list[str], zone: re.Match[str] | None) -> Meaning | None:
    timed = time_meaning(words, units)
    if timed is not None:
        column, unit, traits = timed
        minutes = None
        if zone:
            minutes = int(zone.group(1) + "1") * (60 * int(zone.group(2)) + int(zone.group(3) or 0))
        rank = 0.0 if "utc" in traits or zone else 1.0
        return Meaning(column, "time", unit, "", rank, traits, minutes)
    for text in units or [""]:
        found = _phrase(words, text)
        if found is not None:
            return found
    for length in (
        1,
        2,
        3,
    ):  # the unit as the last words: "speed_kmh", "Temp deg C", "Speed meters per second"
        if not units and len(words) >= length:
            found = _phrase(words[:-length], " ".join(words[-length:]))
            if found is not None:
                return found
    return None


def _phrase(words: tuple[str, ...], unit_text: str) -> Meaning | None:
    """The meaning of words and a unit together; None when either does not fit."""
    named = tuple(sorted(word for word in words if word not in FILLERS))
    gps = "gps" in words
    for entry in PHRASES.get(named, ()):
        unit = None
        if unit_text:
            if entry.kind is None:
                unit = None if unit_text in entry.plain_units else Unit("", "share", 1.0)
                if unit is not None:
                    continue
            else:
                unit = find_unit(unit_text, entry.kind)
                if unit is None:
                    continue
        elif entry.needs_unit:
            continue
        if unit is None and entry.kind:
            implied = [
                found for word in words if (found := find_unit(IMPLIED_UNIT.get(word, ""), entry.kind))
            ]
            unit = implied[0] if implied else None
        traits = entry.traits | ({"gps"} if gps else set())
        return Meaning(entry.column, entry.kind, unit, "", entry.rank - 0.5 * gps, frozenset(traits))
    return None
