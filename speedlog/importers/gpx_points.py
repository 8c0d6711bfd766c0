"""Track points of a GPX document, read as a stream; hostile and cut-off documents included.

GPX 1.1 schema (namespace http://www.topografix.com/GPX/1/1, 2004) and GPX 1.0 (2002); times are
xsd:dateTime, RFC 3339. `defusedxml` refuses every document type declaration before anything is
expanded or fetched. Elements are known by their local names: prefixes that nobody declared, and
`speed` where the schema has none, are common in the wild.

Why not `gpxpy` (it is the oracle of the tests): one point without a longitude, one unreadable <sat> or
one undeclared prefix makes it refuse the whole file; it passes over a speed in GPX 1.1 without a word
and cuts times to microseconds; a document that breaks off gives nothing. Here a bad point costs a
point, and is counted with its line.
"""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from xml.sax import SAXException, SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.xmlreader import AttributesImpl, InputSource

from defusedxml.common import DefusedXmlException
from defusedxml.sax import make_parser

from speedlog.importers import ascii_bytes

_WANTED = {
    "time": "time", "ele": "ele", "speed": "speed", "course": "course", "cog": "course",
    "fix": "fix", "sat": "sat", "hdop": "hdop",
}  # fmt: skip
_STAMP = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d+))?\s*(Z|[+-]\d\d:?\d\d)?",
    re.ASCII | re.IGNORECASE,
)
EPOCH_ORDINAL = dt.date(1970, 1, 1).toordinal()
LEAST_YEAR, MOST_YEAR = 1678, 2261  # whole years that 64 bits of nanoseconds hold


class ForbiddenError(ValueError):
    """The document declares a document type or entities, which no log needs and an attacker does."""


@dataclass(slots=True)
class Point:
    """A track point as text.

    Attributes:
        line: of its start tag, counted from 1.
        own: values of its own children, by element name; `extra`: those deeper or of other vocabularies.
    """

    line: int
    lat: str | None
    lon: str | None
    own: dict[str, str] = field(default_factory=dict)
    extra: dict[str, str] = field(default_factory=dict)

    def text(self, name: str) -> str | None:
        """The text of an element, its own child's first."""
        return self.own.get(name) or self.extra.get(name)


@dataclass
class Document:
    """What a GPX document is, besides its points.

    Attributes:
        version: as the root element states it.
        segments: how many track segments there are.
        cut_line: where the document breaks off or stops being XML; None if it is whole.
        nested: a track point stands inside another.
    """

    version: str = ""
    segments: int = 0
    cut_line: int | None = None
    nested: bool = False


Take = Callable[[Point, int], None]  # (a point, the number of its segment from 0)


def read_document(data: bytes, take: Take) -> Document:
    """Go through a GPX document; where it breaks off, up to there.

    Args:
        data: the document.
        take: is given its points, in file order.

    Raises:
        ForbiddenError: it declares a document type.
    """
    text = ascii_bytes(data)
    whole = text.lstrip(b"\x00\xff\xef\xbb\xbf \t\r\n")  # blank lines, a mark, erased bytes before the XML
    handler = _Handler(data.count(b"\n", 0, len(text) - len(whole)), take)
    document = InputSource()
    document.setByteStream(io.BytesIO(whole))
    if text is not data or text.startswith(b"\xef\xbb\xbf"):
        document.setEncoding("utf-8")  # whatever the declaration says
    parser = make_parser()
    parser.forbid_dtd = True
    parser.setContentHandler(handler)
    try:
        parser.parse(
            io.BytesIO(data.lstrip(b"\x00\xff \t\r\n") if not data.startswith(b"\xff\xfe") else data)
        )
    except DefusedXmlException:
        raise ForbiddenError from None
    except SAXParseException as problem:
        handler.document.cut_line = (problem.getLineNumber() or 0) + handler.lines_before
    except (SAXException, ValueError, LookupError):  # LookupError: an encoding that nobody knows
        handler.document.cut_line = 1
    return handler.document


class _Handler(ContentHandler):
    """Hands on the points with their few wanted elements; everything else is passed over."""

    def __init__(self, lines_before: int, take: Take) -> None:
        super().__init__()
        self.lines_before = lines_before
        self._take = take
        self.document = Document()
        self._point: Point | None = None
        self._depth = 0  # below the point
        self._direct = False
        self._name: str | None = None
        self._text: list[str] = []

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802 (xml.sax)
        local = name.rpartition(":")[2].lower()
        if self._point is not None:
            self._depth += 1
            self._name, self._text = _WANTED.get(local), []
            self._direct = self._depth == 1
            self.document.nested |= local == "trkpt"
        elif local == "trkpt":
            self._start_point(attrs)
        elif local == "trkseg":
            self.document.segments += 1
        elif local == "gpx":
            self.document.version = attrs.get("version", "") or ""

    def _start_point(self, attrs: AttributesImpl) -> None:
        self.document.segments = max(self.document.segments, 1)
        line = self._locator.getLineNumber() or 0  # type: ignore[attr-defined]
        self._point, self._depth = Point(line + self.lines_before, attrs.get("lat"), attrs.get("lon")), 0

    def characters(self, content: str) -> None:
        if self._name is not None:
            self._text.append(content)

    def endElement(self, name: str) -> None:  # noqa: N802 (xml.sax)
        point = self._point
        if point is None:
            return
        if self._depth == 0:
            self._point = None
            self._take(point, self.document.segments - 1)
            return
        if self._name is not None:
            (point.own if self._direct else point.extra).setdefault(self._name, "".join(self._text).strip())
        self._depth -= 1
        self._name = None


def stamp_ns(text: str) -> tuple[int, bool] | None:
    """An RFC 3339 time as nanoseconds since 1970-01-01 UTC, and whether it states its zone.

    None where it is no time. A leap second (":60") has no stamp of its own and is none.
    """
    found = _STAMP.fullmatch(text.strip())
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part) for part in found.groups()[:6])
    try:
        days = dt.date(year, month, day).toordinal() - EPOCH_ORDINAL
    except ValueError:
        return None
    if hour > 23 or minute > 59 or second > 59 or not LEAST_YEAR <= year <= MOST_YEAR:
        return None
    zone = found.group(8)
    offset_s = 0
    if zone and zone.upper() != "Z":
        ahead = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
        offset_s = -ahead if zone[0] == "-" else ahead
    seconds = days * 86_400 + hour * 3600 + minute * 60 + second - offset_s
    fraction = int((found.group(7) or "")[:9].ljust(9, "0"))
    return seconds * 1_000_000_000 + fraction, bool(zone)
