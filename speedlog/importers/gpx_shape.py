"""The shape of a track point: its tags to the letter, and which text between them is which value.

Loggers write the same tags for every point. What a shape means is never decided here: one point of each
shape goes through the careful reader (`gpx_points`), with each text replaced by its own number, and the
reader tells which of them it takes for what.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from speedlog.importers.gpx_points import Document, Point, read_document

_START = re.compile(
    rb'(<trkpt[ \t\r\n]+(lat|lon)[ \t\r\n]*=[ \t\r\n]*")[^"<>]*'
    rb'("[ \t\r\n]+(lat|lon)[ \t\r\n]*=[ \t\r\n]*")[^"<>]*("[ \t\r\n]*>)'
)
_TAG = re.compile(rb"<[^<>]*>")
_LONGEST_TAG = 256  # bytes; a longer one is left to the careful reader
MOST_TAGS = 64


@dataclass(frozen=True)
class Shape:
    """A shape that the careful reader has read.

    Attributes:
        start: what stands before, between and after the two values of the start tag.
        lat_first: whether the first of them is the latitude.
        tags: all further tags, the end tag too.
        own: which text each element's own value is, by its number (0: after the start tag); None: a blank one.
        extra: the same of deeper elements.
    """

    start: tuple[bytes, bytes, bytes]
    lat_first: bool
    tags: tuple[bytes, ...]
    own: Mapping[str, int | None]
    extra: Mapping[str, int | None]


def shape_of(point: bytes) -> Shape | None:
    """The shape of one point, from "<trkpt" to "</trkpt>" (ASCII); None where it is no simple one."""
    start = _START.match(point)
    if start is None or start[2] == start[4]:
        return None
    tags = _TAG.findall(point, start.end())
    if len(tags) >= MOST_TAGS or max(map(len, [*tags, start[0]])) > _LONGEST_TAG:
        return None
    found = _read_numbered(start[1] + b"0" + start[3] + b"0" + start[5], tags)
    if found is None:
        return None
    own, extra = ({name: int(text) if text else None for name, text in some.items()} for some in found)
    return Shape((start[1], start[3], start[5]), start[2] == b"lat", tuple(tags), own, extra)


def _read_numbered(start: bytes, tags: list[bytes]) -> tuple[dict[str, str], dict[str, str]] | None:
    """What the careful reader makes of a point whose texts are their own numbers; None: not one whole point."""
    points: list[Point] = []

    def take(point: Point, _segment: int) -> None:
        points.append(point)

    body = b"".join(b"%d%b" % (number, tag) for number, tag in enumerate(tags))
    document: Document = read_document(b"<gpx>" + start + body + b"</gpx>", take)
    if document.cut_line is not None or document.nested or document.segments != 1 or len(points) != 1:
        return None
    return points[0].own, points[0].extra
