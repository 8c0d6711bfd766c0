"""The regular points of a GPX document, all at once; the careful reader sees everything else.

A regular point has a shape that the careful reader has read once (`gpx_shape`), to the letter, and
values that are plainly written. Runs of regular points are taken out of the document: an empty point
that carries the run's number, and the run's line ends, stay for each. What is left goes through the
careful reader, which alone decides what a document is: its refusals, segments, lines and odd points.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.importers import ascii_bytes
from speedlog.importers.ascii_words import PAD, Flags, Places, Text
from speedlog.importers.gpx_shape import MOST_TAGS, Shape, shape_of
from speedlog.importers.gpx_values import Spans, Values, read_values

STRETCH_BYTES = 1 << 20  # with its columns this stays in a usual second-level cache
MARK = "\x7f"  # an empty point whose latitude begins with it stands for a run; no document may hold it
_MOST_SHAPES = 24  # of one document: a logger writes one, and one for each value that may be missing
_MOST_TRIES = 8  # points of unknown shape looked at in a stretch
_FILLED = 4096  # line ends in a tag
_LONGEST_HEAD = 1 << 16  # bytes before the first point
_START, _END = b"<trkpt ", b"</trkpt>"
_START_WORD = np.uint64(int.from_bytes(_START, "little"))
_START_BYTES = np.uint64(2 ** (8 * len(_START)) - 1)
_END_WORD = np.uint64(int.from_bytes(_END, "little"))
_OPEN, _CLOSE, _QUOTE, _AND = (ord(char) for char in '<>"&')
_BLANKS = np.frombuffer(b"\t\n\r", dtype=np.uint8)
_SPECIAL = re.compile(rb"<[!?A-Za-z_:]")
_CLOSED = ((b"<!--", b"-->"), (b"<![CDATA[", b"]]>"), (b"<?", b"?>"))
_ENCODING = re.compile(rb"""<\?xml[^>]*?\sencoding\s*=\s*["']([^"'>]*)["']""")
_ASCII_BASED = (b"utf-8", b"us-ascii", b"ascii", b"iso-8859-1", b"iso-8859-15", b"windows-1252")


@dataclass(eq=False)
class Run:
    """Regular points with nothing but blanks between them: bytes of the document, and how many."""

    start: int
    stop: int
    points: int


@dataclass(eq=False)
class Regular:
    """The regular points of a document, a piece a stretch, in file order."""

    runs: list[Run] = field(default_factory=list)
    values: list[Values] = field(default_factory=list)
    line: list[NDArray[np.int64]] = field(default_factory=list)
    shapes: list[Shape] = field(default_factory=list)
    gap: bytes = b"\n"  # what usually stands between two points

    def without(self, data: bytes) -> bytes:
        """The document with an empty point for each run, and as many lines as before."""
        pieces, at = [], 0
        for number, run in enumerate(self.runs):
            pieces += [data[at : run.start], b'<trkpt lat="%b%d"/>' % (MARK.encode(), number)]
            pieces += _lines(data.count(b"\n", run.start, run.stop))
            at = run.stop
        return b"".join([*pieces, data[at:]])


def _lines(count: int) -> list[bytes]:
    """So many line ends, within tags that mean nothing: as text the reader would hand them on one by one."""
    whole, rest = divmod(count, _FILLED)
    return [b"<_%b/>" % (b"\n" * _FILLED)] * whole + [b"<_%b/>" % (b"\n" * rest)] * (rest > 0)


def find_regular(data: bytes) -> Regular:
    """The regular points of a document; none where anything in it could make tags mean something else."""
    found = Regular()
    first = data.find(_START)
    if first < 0 or not _suits(data, first):
        return found
    number, view = 1 + data.count(b"\n", 0, first), memoryview(data)
    for start, stop in _stretches(data, first):
        if stop - start <= 4 * STRETCH_BYTES:
            _read_stretch(view[start:stop], start, number, found)
        number += data.count(b"\n", start, stop)
    return found


def _suits(data: bytes, first: int) -> bool:
    """Whether "<" begins a tag wherever it stands from the first point on, and letters are ASCII."""
    if first > _LONGEST_HEAD or ascii_bytes(data) is not data:
        return False
    head = data[:first].lstrip(b"\xff \t\r\n")
    encoding = _ENCODING.search(head)
    if not head.startswith((b"<", b"\xef\xbb\xbf<")) or not _begins_whole(head):
        return False
    if encoding and encoding[1].lower() not in _ASCII_BASED:
        return False
    if b"\0" in data or MARK.encode() in data:
        return False
    if b"&" in data and b"&#" in data:
        return False
    if _holds(data, b"<!", first) or _holds(data, b"<?", first):
        return False
    return b"\r" not in data or data.count(b"\r") == data.count(b"\r\n")


def _holds(data: bytes, mark: bytes, start: int = 0) -> bool:
    """Whether a mark stands there; its last character is looked for first, as the rarer one."""
    return data.find(mark[-1:], start) >= 0 and data.find(mark, start) >= 0


def _begins_whole(head: bytes) -> bool:
    """Whether a tag stands before the first point, and no comment or the like is still open there."""
    at, tags = 0, 0
    while special := _SPECIAL.search(head, at):
        at = special.end()
        if special[0] not in (b"<!", b"<?"):
            tags += 1
            continue
        for begin, end in _CLOSED:
            if head.startswith(begin, special.start()):
                stop = head.find(end, special.start() + len(begin))
                break
        else:
            return False  # a document type
        if stop < 0:
            return False
        at = stop + len(end)
    return tags > 0


def _stretches(data: bytes, first: int) -> Iterator[tuple[int, int]]:
    """Where each stretch begins and ends: after the end of a point."""
    start = first
    while True:
        at = data.rfind(_END, start, start + STRETCH_BYTES)
        at = at if at >= 0 else data.find(_END, start)
        if at < 0:
            return
        yield start, at + len(_END)
        start = at + len(_END)


@dataclass(eq=False)
class _Tags:
    """The tags of a stretch: where each begins and ends, and the first and last of each point."""

    text: Text
    open: Places
    close: Places
    first: Places
    last: Places
    quote: Places

    @property
    def count(self) -> Places:
        """(N,) tags of each point."""
        return np.asarray(self.last - self.first + 1)


def _tags(view: memoryview) -> _Tags | None:
    """The tags of a stretch; None where they don't follow one another plainly."""
    text = Text(view)
    raw = text.bytes
    opened, closed = np.flatnonzero(raw == _OPEN), np.flatnonzero(raw == _CLOSE)
    if len(opened) != len(closed) or np.any(closed < opened) or np.any(opened[1:] < closed[:-1]):
        return None
    words = text.beginning(opened)
    first, last = np.flatnonzero(words & _START_BYTES == _START_WORD), np.flatnonzero(words == _END_WORD)
    if len(first) != len(last) or np.any(last < first) or np.any(first[1:] < last[:-1]):
        return None
    quote = np.flatnonzero(raw == _QUOTE)
    return _Tags(text, opened, closed, first, last, np.append(quote, [len(raw)] * 4))


def _read_stretch(view: memoryview, base: int, line: int, found: Regular) -> None:
    """Take the regular points of a stretch."""
    tags = _tags(view)
    if tags is None or not len(tags.first):
        return
    raw = tags.text.bytes
    control = np.flatnonzero((raw - np.uint8(32)) > np.uint8(94))  # wraps around: below " " or above "~"
    feed = control[raw[control] == _BLANKS[1]]
    left = np.flatnonzero(_plain(tags, control) & (tags.count <= MOST_TAGS))
    pieces: list[tuple[Places, Values]] = []
    for shape in found.shapes:
        left = _take_shape(tags, shape, left, pieces)
    for _ in range(_MOST_TRIES):
        if not len(left) or len(found.shapes) >= _MOST_SHAPES:
            break
        one = left[0]
        start, stop = tags.open[tags.first[one]], tags.close[tags.last[one]] + 1
        shape_found = shape_of(raw[start:stop].tobytes())
        if shape_found is None:
            left = left[1:]
            continue
        found.shapes.append(shape_found)
        left = _take_shape(tags, shape_found, left, pieces)
    rows, values = _in_order(pieces)
    if not len(rows):
        return
    found.values.append(values)
    found.line.append(line + np.searchsorted(feed, tags.open[tags.first[rows]]))
    _add_runs(tags, rows, base - PAD, found)


def _plain(tags: _Tags, control: Places) -> Flags:
    """(N,) points of nothing but printable ASCII and blanks, without entities."""
    raw = tags.text.bytes
    plain = np.ones(len(tags.first), dtype=np.bool_)
    odd = control[~np.isin(raw[control], _BLANKS)]
    if np.count_nonzero(raw == _AND):
        odd = np.append(odd, np.flatnonzero(raw == _AND))
    point = np.searchsorted(tags.open[tags.first], odd, side="right") - 1
    plain[point[point >= 0]] = False
    return plain


def _take_shape(tags: _Tags, shape: Shape, left: Places, pieces: list[tuple[Places, Values]]) -> Places:
    """Read those of the points `left` that have this shape; gives the others."""
    same = tags.count[left] == len(shape.tags) + 1
    rows = left[same]
    if not len(rows):
        return left
    first = tags.first[rows]
    start, end = tags.open[first], tags.close[first]
    at = np.searchsorted(tags.quote, start)
    quotes = [tags.quote[at + k] for k in range(4)]
    fits = quotes[3] < end
    text = tags.text
    for begin, stop, literal in zip(
        (start, quotes[1], quotes[3]), (quotes[0], quotes[2], end), shape.start, strict=True
    ):
        fits &= _stands(text, begin, stop + 1, literal)
    for number, literal in enumerate(shape.tags, start=1):
        fits &= _stands(text, tags.open[first + number], tags.close[first + number] + 1, literal)
    if not fits.all():
        same[same] = fits
        rows, first, quotes = rows[fits], first[fits], [place[fits] for place in quotes]
    if len(rows):
        one, other = (quotes[0] + 1, quotes[1]), (quotes[2] + 1, quotes[3])
        spans = Spans(
            one if shape.lat_first else other, other if shape.lat_first else one,
            lambda slot: (tags.close[first + slot] + 1, tags.open[first + slot + 1]),
        )  # fmt: skip
        values = read_values(text, shape, spans)
        pieces.append(
            (rows, values) if values.sound.all() else (rows[values.sound], values.taken(values.sound))
        )
    return np.asarray(left[~same])


def _stands(text: Text, start: Places, stop: Places, literal: bytes) -> Flags:
    """(N,) whether these very bytes stand from `start` to before `stop`."""
    same: Flags = stop - start == len(literal)
    if not same.all():
        start = np.where(same, start, PAD)  # somewhere with text behind it
        if not same.any():
            return same
    for at in range(0, len(literal), 8):
        part = literal[at : at + 8]
        words = text.beginning(start + at)
        if len(part) < 8:
            words &= np.uint64(2 ** (8 * len(part)) - 1)
        same &= words == np.uint64(int.from_bytes(part, "little"))
    return same


def _in_order(pieces: list[tuple[Places, Values]]) -> tuple[Places, Values]:
    """The points of all shapes in file order."""
    pieces = [piece for piece in pieces if len(piece[0])]
    if len(pieces) == 1:
        return pieces[0]
    if not pieces:
        return np.empty(0, dtype=np.intp), Values.of(0)
    rows = np.concatenate([part for part, _ in pieces])
    order = np.argsort(rows)
    return rows[order], Values.joined([values for _, values in pieces]).taken(order)


def _add_runs(tags: _Tags, rows: Places, shift: int, found: Regular) -> None:
    """Cut the regular points into runs; the first may go on from the stretch before."""
    start, stop = tags.open[tags.first[rows]], tags.close[tags.last[rows]] + 1
    follows = _follows(tags, rows, found)
    last = found.runs[-1] if found.runs else None
    begins_here = last is None or last.stop != shift + PAD
    if begins_here:
        follows[0] = False
    edges = np.flatnonzero(~follows).tolist()
    ends = [*edges[1:], len(rows)][: len(edges)]
    if not begins_here and (not edges or edges[0] > 0):
        assert last is not None
        count = edges[0] if edges else len(rows)
        last.stop, last.points = int(stop[count - 1]) + shift, last.points + count
    for begin, end in zip(edges, ends, strict=True):
        found.runs.append(Run(int(start[begin]) + shift, int(stop[end - 1]) + shift, end - begin))


def _follows(tags: _Tags, rows: Places, found: Regular) -> Flags:
    """(N,) points with nothing but blanks between them and the regular point before."""
    before = np.append(-1, tags.last[:-1])[rows]
    follows: Flags = np.append(rows[0] == 0, np.diff(rows) == 1) & (tags.first[rows] == before + 1)
    start = np.where(before < 0, PAD, tags.close[before] + 1)
    stop = tags.open[tags.first[rows]]
    unusual = np.flatnonzero(follows & ~_stands(tags.text, start, stop, found.gap))
    for row in unusual:
        gap = tags.text.bytes[start[row] : stop[row]].tobytes()
        follows[row] = not gap.strip()
        if follows[row] and len(gap) <= 64:
            found.gap = gap
    return follows
