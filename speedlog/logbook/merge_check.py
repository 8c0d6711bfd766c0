"""Another's logbook is a stranger's file: what in it could not have been written by `add` is refused before merging."""

from __future__ import annotations

import datetime as dt
import json
import zlib
from sqlite3 import Row
from tomllib import TOMLDecodeError

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content, results
from speedlog.logbook.store import Logbook

_BIGGEST_REVIEW = 20_000_000  # bytes of JSON; a pass of two loggers has a few thousand


def check_rows(other: Logbook) -> None:
    """Raises SpeedlogError for the first session, pass or course that is not as it can be."""
    for row in other.rows("SELECT * FROM session"):
        if not _words(row["weather"]) or not _date(row["date"]):
            raise _unfit(other, f'session "{plain(row["name"], 60)}"')
    for row in other.rows("SELECT * FROM pass"):
        if not all((_words(row["weather"]), _words(row["setup"]), _names(row["stated"]), _times(row))):
            raise _unfit(other, f"pass {row['id']}")
    for row in other.rows("SELECT * FROM course"):
        data = content.get(other, int(row["content_id"]))
        try:
            results.course_from(data)
        except (SpeedlogError, TOMLDecodeError, UnicodeDecodeError, RecursionError):
            raise _unfit(other, f'course "{plain(row["name"], 60)}"') from None


def sound_review(packed: bytes | None) -> bool:
    """Whether a packed review is one of a single pass; a result that only says why there is none is sound too."""
    if packed is None:
        return True
    try:
        unpacking = zlib.decompressobj()
        found = json.loads(unpacking.decompress(packed, _BIGGEST_REVIEW))
        return unpacking.eof and len(found["passes"]) == 1 and "verdict" in found["passes"][0]
    except (zlib.error, ValueError, TypeError, KeyError, RecursionError):
        return False


def _unfit(other: Logbook, what: str) -> SpeedlogError:
    return SpeedlogError(
        f"{what} is not as speedlog keeps it", file=other.path, todo="Was it changed by hand?"
    )


def _words(text: str) -> bool:
    """A JSON table of plain values."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return False
    return isinstance(found, dict) and all(
        isinstance(value, str | int | float) and not isinstance(value, bool) for value in found.values()
    )


def _names(text: str) -> bool:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return False
    return isinstance(found, list) and all(isinstance(item, str) for item in found)


def _date(text: str | None) -> bool:
    try:
        return text is None or dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _times(row: Row) -> bool:
    start, end = row["start_utc"], row["end_utc"]
    if start is None or end is None:
        return start is None and end is None
    try:
        moments = [dt.datetime.fromisoformat(text) for text in (start, end)]
    except ValueError:
        return False
    return all(moment.tzinfo is not None for moment in moments) and moments[0] <= moments[1]
