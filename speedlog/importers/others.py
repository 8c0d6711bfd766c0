"""Files of other kinds that are dropped by mistake: named, so that the refusal can say what to do instead."""

from __future__ import annotations

import re
from dataclasses import dataclass

from speedlog.errors import SpeedlogError

_SHEET = "Save the sheet as CSV."
_EXPORT = "Export it from the logger's own program as NMEA, GPX or CSV."
_TRACK = "Export the track as GPX."


@dataclass(frozen=True)
class Other:
    """A kind of file that is no log: how it begins, what it is, what to do."""

    mark: re.Pattern[bytes]
    what: str
    todo: str


def _other(mark: bytes, what: str, todo: str) -> Other:
    return Other(re.compile(rb"\A(?:\xef\xbb\xbf)?\s*(?:" + mark + rb")", re.IGNORECASE), what, todo)


OTHERS = (
    _other(
        rb"<!doctype html|<html[\s>]",
        "a web page",
        "Was it a download that needed a log-in? Get the file itself.",
    ),
    _other(rb"%PDF-", "a PDF document", _EXPORT),
    _other(
        rb"\x89PNG\r\n|\xff\xd8\xff|GIF8[79]a|II\*\0|MM\0\*",
        "a picture",
        "Choose the log, not its screenshot.",
    ),
    _other(rb"\xd0\xcf\x11\xe0", "an old office document", _SHEET),
    _other(
        rb"(?:<\?xml[^>]{0,200}>\s*)?<(?:\w{1,20}:)?kml[\s>]",
        "a map overlay (KML), which holds no speeds",
        _TRACK,
    ),
    _other(
        rb"(?:<\?xml[^>]{0,200}>\s*)?<(?!(?:\w{1,20}:)?gpx[\s>])\w", "XML of another kind than GPX", _TRACK
    ),
    _other(rb"[\[{]\s*[\"{\[}\]\d-]", "JSON, which has no form of its own for logs", "Export a table (CSV)."),
    _other(rb"\xb5\x62[\x01-\x2f]", "a receiver's binary messages", "Log NMEA text, or convert it to NMEA."),
    _other(rb"\x7fELF|MZ[\x00-\xff]{2}\x00\x00", "a program", "Choose the log."),
    _other(rb"SQLite format 3\0", "a database", "Is it a logbook? Then: speedlog history, or logbook merge."),
)


def refuse_other(head: bytes, file: str) -> None:
    """Say what a file is that begins like no log.

    Raises:
        SpeedlogError: it is of a known other kind.
    """
    for other in OTHERS:
        if other.mark.match(head):
            raise SpeedlogError(f"{other.what}, not a log", file=file, todo=other.todo)
