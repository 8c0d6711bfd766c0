"""A whole NMEA log to columns: plain sentences all at once, every other line by the careful reader.

The text is worked through in stretches that fit into a processor's cache, cut at line ends. A line is
either plain and wholly understood (`nmea_lines`, `nmea_fields`), or `nmea_scan` and `nmea_sentence`
look at it: they alone decide what a doubtful line means. Where many are doubtful (a log without line feeds, or
with the writer's own words before each sentence), `nmea_scan` cuts the sentences out, each on a line of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import PAD, Flags, Places
from speedlog.importers.nmea_fields import READERS, Column, Rows
from speedlog.importers.nmea_lines import Lines, Tags, read_lines
from speedlog.importers.nmea_scan import Found, find_sentences, find_spans
from speedlog.importers.nmea_sentence import SentenceFields, checksum

_FEED, _BACK, _STAR = ord("\n"), ord("\r"), ord("*")
_BATCH = 8192  # sentences cut out at a time
_MANY_CAREFUL = 0.2  # of the lines: cutting all out costs a fifth of reading one carefully
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
        unchecked: how many without a checksum were taken without it.
    """

    tags: Tags
    tables: dict[str, Table]
    timed: Timed
    careful: list[tuple[int, int, SentenceFields]]
    unchecked: int


@dataclass(eq=False)
class _Parts:
    """The sentences of the stretches so far; whether those without a checksum may be taken."""

    read_found: ReadFound
    checked: bool
    unchecked: int = 0
    tags: Tags = field(default_factory=Tags)
    tables: dict[str, list[Table]] = field(default_factory=dict)
    timed: list[Timed] = field(default_factory=list)
    careful: list[tuple[int, int, SentenceFields]] = field(default_factory=list)

    def take(self, found: Found, line: int) -> None:
        """Let the careful reader look at a sentence."""
        fields = self.read_found(found, line)
        if fields is not None:
            self.careful.append((found.offset, line, fields))


def read_sentences(data: bytes, read_found: ReadFound, checked: bool) -> Sentences:
    """Read all sentences of a log.

    Args:
        data: the log, as bytes of ASCII.
        read_found: the careful reader; it is given the doubtful sentences in file order.
        checked: the log writes checksums; one without it is doubtful.
    """
    parts, number = _Parts(read_found, checked), 1
    view = memoryview(data)
    for start, stop in _stretches(data):
        if stop - start > 4 * STRETCH_BYTES or data[stop - 1] != _FEED:
            number = _read_loose(data, start, stop, number, parts)
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


def _read_loose(data: bytes, start: int, stop: int, number: int, parts: _Parts) -> int:
    """Read sentences wherever they stand; gives the number of the line after the stretch."""
    counted, found = start, find_spans(data, start, stop)
    while batch := list(islice(found, _BATCH)):
        offset = np.array([first for first, _ in batch], dtype=np.int64)
        after = batch[-1][1]
        ends = _ends(data, counted, after)
        numbers = (number + np.searchsorted(ends, offset)).astype(np.intp)
        counted, number = after, number + len(ends)
        bare = [] if parts.checked else _bare(data, batch)
        pieces = [data[first:last] for first, last in batch]
        for row in bare:
            pieces[row] += b"*%02X" % checksum(pieces[row][1:])
        lines, _ = read_lines(b"\n".join(pieces) + b"\n", parts.tags, 1)
        left = _take_plain(replace(lines, number=numbers), offset, parts)
        parts.unchecked += len(bare) - len(np.intersect1d(bare, left))
        for row in left:
            first, last = batch[row]
            for item in find_sentences(data, first, last + 1):  # whether a line ends there tells a cut one
                parts.take(item, int(numbers[row]))
    return number + _line_ends(data, counted, stop)


def _bare(data: bytes, batch: list[tuple[int, int]]) -> list[int]:
    """Which of these sentences have no checksum, and end with their line."""
    return [
        row
        for row, (_, last) in enumerate(batch)
        if data[last - 3] != _STAR and data[last : last + 1] in (b"\r", b"\n")
    ]


def _ends(data: bytes, start: int, stop: int) -> NDArray[np.int64]:
    """Where lines end (the last byte of LF, CR LF, CR), from `start` to before `stop`."""
    raw = np.frombuffer(data, dtype=np.uint8, count=stop - start, offset=start)
    feed, back = raw == _FEED, raw == _BACK
    back[:-1] &= ~feed[1:]
    return np.flatnonzero(feed | back).astype(np.int64) + start


def _line_ends(data: bytes, start: int, stop: int) -> int:
    """Line ends (LF, CR LF, CR) whose last byte lies from `start` to before `stop`."""
    return data.count(b"\n", start, stop) + data.count(b"\r", start, stop) - data.count(b"\r\n", start, stop)


def _read_stretch(data: bytes, text: memoryview, base: int, number: int, parts: _Parts) -> int:
    """Read the lines of a stretch: plain ones by their kind, then what is left, in file order."""
    lines, after = read_lines(text, parts.tags, number)
    if len(lines.careful) > _MANY_CAREFUL * len(lines.tag):
        return _read_loose(data, base, base + len(text), number, parts)
    base -= PAD  # as the places in it count
    for row in _take_plain(lines, lines.start + base, parts):
        start = base + int(lines.start[row])
        for found in find_sentences(data, start, base + int(lines.after[row])):
            parts.take(found, int(lines.number[row]) + data.count(b"\r", start, found.offset))
    return after


def _take_plain(lines: Lines, offset: NDArray[np.int64], parts: _Parts) -> Places:
    """Take the plain sentences of lines, by their kind; gives the lines that are left to the careful reader.

    Args:
        offset: (N,) of each line's "$" in the file.
    """
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
            table = Table(offset[rows], lines.tag[rows], columns)
            parts.tables.setdefault(name, []).append(table)
    rows = np.flatnonzero(kind != _NO_KIND)
    parts.timed.append(Timed(offset[rows], lines.number[rows], lines.tag[rows], time_ns[rows], kind[rows]))
    return np.sort(np.concatenate(left))


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
    return Sentences(parts.tags, tables, joined, parts.careful, parts.unchecked)
