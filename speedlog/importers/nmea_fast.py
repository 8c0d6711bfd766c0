"""A whole NMEA log to columns: plain sentences all at once, every other line by the careful reader.

The text is worked through in stretches that fit into a processor's cache, cut at line ends. A line is
either plain and wholly understood (`nmea_lines`, `nmea_fields`), or `nmea_scan` and `nmea_sentence`
look at it: they alone decide what a doubtful line means.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import PAD, Flags, Places
from speedlog.importers.nmea_fields import READERS, Column, Rows
from speedlog.importers.nmea_lines import Lines, Tags, read_lines
from speedlog.importers.nmea_scan import Found, find_sentences
from speedlog.importers.nmea_sentence import SentenceFields

_FEED = ord("\n")
STRETCH_BYTES = 1 << 20  # with its columns this stays in a usual second-level cache
TIMED = ("RMC", "GGA", "GLL", "GNS", "ZDA")  # kinds whose time makes or finds an epoch
UNTIMED = ("VTG", "GSA", "GSV")
KINDS = [name.encode("ascii") for name in READERS]
_NO_KIND = -1

ReadFound = Callable[
    [Found, int], SentenceFields | None
]  # (sentence, its line number): None where it tells nothing


@dataclass(eq=False)
class Table:
    """The plain sentences of one kind, a row each in file order.

    Attributes:
        offset: (N,) of its "$" in the file; `tag`: (N,) the number of its tag.
        columns: what `nmea_fields` read.
    """

    offset: NDArray[np.int64]
    tag: NDArray[np.int8]
    columns: dict[str, Column]


@dataclass(eq=False)
class Timed:
    """All plain sentences with a time, (N,) each in file order; `kind` by `TIMED`."""

    offset: NDArray[np.int64]
    line: NDArray[np.int64]
    tag: NDArray[np.int8]
    time_ns: NDArray[np.int64]
    kind: NDArray[np.int8]


@dataclass(eq=False)
class Sentences:
    """All sentences of a log.

    Attributes:
        tags: their tags, "$GNRMC,", by number; `tables`: by kind.
        careful: what the careful reader found, with offset and line number, in file order.
    """

    tags: Tags
    tables: dict[str, Table]
    timed: Timed
    careful: list[tuple[int, int, SentenceFields]]


@dataclass(eq=False)
class _Parts:
    """The sentences of the stretches so far."""

    read_found: ReadFound
    tags: Tags = field(default_factory=Tags)
    tables: dict[str, list[Table]] = field(default_factory=dict)
    timed: list[Timed] = field(default_factory=list)
    careful: list[tuple[int, int, SentenceFields]] = field(default_factory=list)

    def take(self, found: Found, line: int) -> None:
        """Let the careful reader look at a sentence."""
        fields = self.read_found(found, line)
        if fields is not None:
            self.careful.append((found.offset, line, fields))


def read_sentences(data: bytes, read_found: ReadFound) -> Sentences:
    """Read all sentences of a log.

    Args:
        data: the log, as bytes of ASCII.
        read_found: the careful reader; it is given the doubtful sentences in file order.
    """
    parts, number = _Parts(read_found), 1
    view = memoryview(data)
    for start, stop in _stretches(data):
        if stop - start > 4 * STRETCH_BYTES or data[stop - 1] != _FEED:
            number = _read_lineless(data, start, stop, number, parts)
        else:
            number = _read_stretch(data, view[start:stop], start, number, parts)
    return _joined(parts)


def _stretches(data: bytes) -> Iterator[tuple[int, int]]:
    """Where each stretch begins and ends: after a line feed, but for the last."""
    start = 0
    while start < len(data):
        stop = data.rfind(b"\n", start, start + STRETCH_BYTES) + 1
        stop = stop or data.find(b"\n", start + STRETCH_BYTES) + 1 or len(data)
        yield start, stop
        start = stop


def _read_lineless(data: bytes, start: int, stop: int, number: int, parts: _Parts) -> int:
    """Read a stretch without lines to speak of; gives the number of the line after it."""
    counted = start
    for found in find_sentences(data, start, stop):
        number += _line_ends(data, counted, found.offset)
        counted = found.offset
        parts.take(found, number)
    return number + _line_ends(data, counted, stop)


def _line_ends(data: bytes, start: int, stop: int) -> int:
    """Line ends (LF, CR LF, CR) whose last byte lies from `start` to before `stop`."""
    return data.count(b"\n", start, stop) + data.count(b"\r", start, stop) - data.count(b"\r\n", start, stop)


def _read_stretch(data: bytes, text: memoryview, base: int, number: int, parts: _Parts) -> int:
    """Read the lines of a stretch: plain ones by their kind, then what is left, in file order."""
    lines, after = read_lines(text, parts.tags, number)
    base -= PAD  # as the places in it count
    names = [*parts.tags.names, b""]  # the last for "no plain line"
    kinds = np.array([KINDS.index(name[3:6]) if name[3:6] in KINDS else -1 for name in names], dtype=np.int8)[
        lines.tag
    ]
    kind = np.full(len(lines.tag), _NO_KIND, dtype=np.int8)
    time_ns = np.zeros(len(lines.tag), dtype=np.int64)
    left = [lines.careful]
    for name, reader in READERS.items():
        rows = np.flatnonzero(kinds == KINDS.index(name.encode("ascii")))
        if not len(rows):
            continue
        sound, columns = _read_rows(lines, rows, reader)
        if not sound.all():
            left.append(rows[~sound])
            rows = rows[sound]
            columns = {key: column[sound] for key, column in columns.items()}
        if name in TIMED:
            kind[rows] = TIMED.index(name)
            time_ns[rows] = columns.pop("time_ns")
        if name in TIMED + UNTIMED and len(rows):
            table = Table(lines.start[rows] + base, lines.tag[rows], columns)
            parts.tables.setdefault(name, []).append(table)
    rows = np.flatnonzero(kind != _NO_KIND)
    parts.timed.append(
        Timed(lines.start[rows] + base, lines.number[rows], lines.tag[rows], time_ns[rows], kind[rows])
    )
    for row in np.sort(np.concatenate(left)):
        start = base + int(lines.start[row])
        for found in find_sentences(data, start, base + int(lines.after[row])):
            parts.take(found, int(lines.number[row]) + data.count(b"\r", start, found.offset))
    return after


def _read_rows(
    lines: Lines, rows: Places, reader: Callable[[Rows], dict[str, Column]]
) -> tuple[Flags, dict[str, Column]]:
    """The columns of one kind of plain sentences, and which rows were wholly understood."""
    first = lines.first_comma[rows]
    counts = lines.first_comma[rows + 1] - first
    if counts.min() == counts.max():
        part = Rows(lines.text, first, lines.stop[rows] - 3, lines.commas, int(counts[0]))
        columns = reader(part)
        return part.sound, columns
    pieces = []
    for count in np.unique(counts):
        at = np.flatnonzero(counts == count)
        part = Rows(lines.text, first[at], lines.stop[rows[at]] - 3, lines.commas, int(count))
        pieces.append((at, part, reader(part)))
    order = np.argsort(np.concatenate([at for at, _, _ in pieces]))
    sound = np.concatenate([part.sound for _, part, _ in pieces])[order]
    names = pieces[0][2]
    return sound, {name: np.concatenate([found[name] for _, _, found in pieces])[order] for name in names}


def _joined(parts: _Parts) -> Sentences:
    """All stretches put together."""
    tables = {}
    for name in list(parts.tables):
        pieces = parts.tables.pop(name)  # let go, so that memory isn't needed twice
        columns = {
            key: np.concatenate([piece.columns.pop(key) for piece in pieces])
            for key in list(pieces[0].columns)
        }
        offset, tag = (np.concatenate([getattr(piece, key) for piece in pieces]) for key in ("offset", "tag"))
        tables[name] = Table(offset, tag, columns)
    wide, small = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int8)
    none = Timed(wide, wide, small, wide, small)
    timed = [*parts.timed, none]
    names = ("offset", "line", "tag", "time_ns", "kind")
    joined = Timed(**{name: np.concatenate([getattr(piece, name) for piece in timed]) for name in names})
    return Sentences(parts.tags, tables, joined, parts.careful)
