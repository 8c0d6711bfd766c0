"""From an epoch of the common table back to the lines of its file: what stands there, and what it became.

Nothing here is part of reading: the lines around one epoch are read again, by the same rules, and each
value is told with the text it was made of and the way from one to the other.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import pandas as pd

from speedlog.importers import ReadOptions, Source
from speedlog.importers.epoch_times import DAY_NS
from speedlog.samples import COLUMN_NAMES, Recording
from speedlog.units import Unit

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_LONGEST_TEXT = 80  # characters
_SPREAD = (
    "the log's clock cuts its fractions off, so that several epochs state one time: "
    "they are spread evenly, and this one's time is its place among them"
)


@dataclass(frozen=True)
class Piece:
    """A text in the file: `where` names its place in the line, 'RMC field 7' or 'column 4 "Speed"'."""

    line: int
    where: str
    text: str


@dataclass(frozen=True)
class Became:
    """What a column of an epoch was made of.

    Attributes:
        column: of the common table, or "time".
        pieces: the texts, in the order in which `how` takes them.
        how: the way from them to the value; "" where it is the number as it stands.
    """

    column: str
    pieces: tuple[Piece, ...]
    how: str = ""


@dataclass(frozen=True)
class RawLine:
    """A line as it stands, control characters made visible; `note` says why it was not taken."""

    number: int
    text: str
    note: str = ""


@dataclass(frozen=True)
class EpochTrace:
    """Everything in a file that one epoch came from.

    Attributes:
        lines: in file order; those thrown away among them, too.
        became: "time" first, then the common table's order.
        notes: what else was done to this epoch.
        stamp_ns: the time that the first of them states, by the log's own clock; None if unknown.
    """

    lines: tuple[RawLine, ...]
    became: tuple[Became, ...]
    notes: tuple[str, ...] = ()
    stamp_ns: int | None = None


def trace_epoch(source: Source, recording: Recording, time: pd.Timestamp, options: ReadOptions) -> EpochTrace:
    """The lines behind the epoch at `time`, which must be one of the recording's.

    Args:
        source: the file that the recording was read from.
        options: as it was read.
    """
    from speedlog.importers.trace_delimited import trace_rows
    from speedlog.importers.trace_gpx import trace_points
    from speedlog.importers.trace_nmea import trace_sentences

    segment, row = _place(recording, time)
    lines = recording.lines[segment].of(row)
    sample = recording.segments[segment].iloc[row]
    if recording.format == "nmea":
        found = trace_sentences(source, recording, lines, sample)
    elif recording.format == "gpx":
        found = trace_points(source, recording, lines, sample)
    else:
        found = trace_rows(source, recording, lines, options)
    notes = list(found.notes)
    if len(lines) > 1:
        shown = ", ".join(str(line) for line in lines[:8])
        notes.append(f"lines {shown} give the same time and don't contradict each other: they are one epoch")
    if found.stamp_ns is not None and (found.stamp_ns - time.value) % DAY_NS:
        notes.append(_SPREAD)
    order = {name: at for at, name in enumerate(("time", *COLUMN_NAMES))}
    became = tuple(sorted(found.became, key=lambda item: order[item.column]))
    return EpochTrace(found.lines, became, tuple(notes), found.stamp_ns)


def _place(recording: Recording, time: pd.Timestamp) -> tuple[int, int]:
    """The segment and row of an epoch; where two segments claim a time, the later written, as in `samples`."""
    for number in reversed(range(len(recording.segments))):
        index = recording.segments[number].index
        at = int(index.searchsorted(time))
        if at < len(index) and index[at] == time:
            return number, at
    raise ValueError("no epoch of this recording")


def factor_words(unit: Unit | None) -> str:
    """How numbers of a unit become SI: "/ 3.6", "× 1852/3600", "(x - 32) / 1.8"; "" for SI itself."""
    if unit is None or (unit.factor == 1.0 and unit.offset == 0.0):
        return ""
    shift = f"(x {'-' if unit.offset < 0 else '+'} {abs(unit.offset):g})" if unit.offset else ""
    if unit.factor == 1.0:
        return shift.strip("()")
    return f"{shift} {_scale(unit.factor)}".strip()


def _scale(factor: float) -> str:
    if len(repr(factor)) <= 9:
        return f"× {factor!r}"
    inverse = float(f"{1 / factor:.12g}")
    if len(repr(inverse)) <= 6 and math.isclose(1 / inverse, factor, rel_tol=1e-15):
        return f"/ {inverse!r}"
    parts = factor * 3600
    if math.isclose(parts, round(parts), rel_tol=1e-12):
        return f"× {round(parts)}/3600"
    return f"× {factor!r}"


def visible(text: str) -> str:
    """A text with its control characters, and those that turn the line around, made visible."""
    return _CONTROL.sub(lambda found: _escape(ord(found.group())), text)


def shown_text(text: str | None) -> str:
    """A cell or an element of the file, fit for a line; a number is never so long that it is cut."""
    return visible(text or "")[:_LONGEST_TEXT]


def _escape(code: int) -> str:
    known = {9: "\\t", 10: "\\n", 13: "\\r"}
    return known.get(code) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def merged_pieces(traces: list[EpochTrace], known: list[frozenset[str]]) -> EpochTrace:
    """Traces of lines that became one epoch: each column from the first line that says it.

    Args:
        known: for each, the columns in which it holds a value.
    """
    became: dict[str, Became] = {}
    sayings = [
        (item, item.column in has) for trace, has in zip(traces, known, strict=True) for item in trace.became
    ]
    for item, _ in sorted(sayings, key=lambda saying: not saying[1]):  # stable: file order within
        became.setdefault(item.column, item)
    lines = {line.number: line for trace in traces for line in trace.lines}
    notes = dict.fromkeys(note for trace in traces for note in trace.notes)
    return EpochTrace(
        tuple(lines[number] for number in sorted(lines)),
        tuple(became.values()),
        tuple(notes),
        traces[0].stamp_ns if traces else None,
    )
