"""What the logbook holds, as frozen values. Light: neither numpy nor pandas is imported for it."""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from sqlite3 import Row
from types import MappingProxyType
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content
from speedlog.logbook.store import Logbook
from speedlog.logbook.trouble import damaged

SetupText = str | int | float
_UNDATED = "1970-01-01"  # the assumed day of logs without a date: what lies on it has no UTC


@dataclass(frozen=True)
class ResultRow:
    """What the review made of a pass; speeds in m/s, intervals of 95 %. `error`: the one line, where none."""

    made_at: str
    program: str
    environment: Mapping[str, str]
    inputs_sha256: str
    error: str | None = None
    heading_deg: float | None = None
    outbound: bool | None = None
    entry_utc: str | None = None
    official_mps: float | None = None
    official_low_mps: float | None = None
    official_high_mps: float | None = None
    trap_length_m: float | None = None
    estimate_mps: float | None = None
    estimate_low_mps: float | None = None
    estimate_high_mps: float | None = None
    peak_mps: float | None = None
    peak_low_mps: float | None = None
    peak_high_mps: float | None = None
    trap_accel_mps2: float | None = None
    coverage: float | None = None
    verdict: str | None = None
    independent: bool | None = None


@dataclass(frozen=True)
class PassRow:
    """A pass. Times are None where no logger knew the date; `setup` and `weather` as written, whole."""

    id: int
    uid: str
    session_id: int
    session: str
    date: str | None
    venue: str
    car: str
    number: int
    start_utc: str | None
    end_utc: str | None
    trap_text: str | None
    setup: Mapping[str, SetupText]
    stated: frozenset[str]
    weather: Mapping[str, str]
    note: str
    measured: Mapping[str, str]
    result: ResultRow | None
    no_figure: bool = False  # it was said that none was read out


@dataclass(frozen=True)
class SessionRow:
    """A day at a venue."""

    id: int
    uid: str
    name: str
    date: str | None
    course_id: int | None
    venue: str
    car: str
    weather: Mapping[str, str]


@dataclass(frozen=True)
class RecordingRow:
    """A kept log file; times on its own clock."""

    id: int
    uid: str
    content_id: int
    sha256: str
    size: int
    name: str
    columns_id: int | None
    format: str
    clock: str
    start_time: str | None
    end_time: str | None
    superseded_by: int | None


_RESULT = tuple(item.name for item in fields(ResultRow))
_PASSES = f"""
    SELECT pass.*, session.name AS session_name, session.date AS session_date, session.car AS session_car,
        session.weather AS session_weather, course.name AS venue,
        {", ".join(f"result.{name} AS result_{name}" for name in _RESULT)}
    FROM pass JOIN session ON session.id = pass.session_id
    LEFT JOIN course ON course.id = session.course_id
    LEFT JOIN result ON result.pass_id = pass.id
"""
# by what is known of the time: the drive's start, else the session's date and the number in it
_ORDER = f"""
    ORDER BY coalesce(nullif(substr(pass.start_utc, 1, 10), '{_UNDATED}'), session.date, ''),
        session.name, pass.start_utc IS NULL, pass.start_utc, pass.number
"""


def passes(
    book: Logbook, *, car: str | None = None, venue: str | None = None, since: str | None = None,
    setup: Mapping[str, str] | None = None, set_aside: bool = False,
) -> list[PassRow]:  # fmt: skip
    """Passes in the order of time.

    Args:
        car, venue: only these (case doesn't matter).
        since: only sessions of this date (YYYY-MM-DD) and later.
        setup: only passes run with all of these, as written (case doesn't matter).
        set_aside: also those that were set aside.
    """
    where, values = ["1"], list[Any]()
    if not set_aside:
        where.append("pass.set_aside_at IS NULL")
    if since is not None:
        where.append(f"coalesce(session.date, nullif(substr(pass.start_utc, 1, 10), '{_UNDATED}'), '') >= ?")
        values.append(since)
    measured = _measured(book, "")
    found = book.rows(f"{_PASSES} WHERE {' AND '.join(where)} {_ORDER}", values)
    rows = [_pass(book, row, measured.get(row["id"], {})) for row in found]
    wanted_setup = {key: value.casefold() for key, value in (setup or {}).items()}
    return [
        row
        for row in rows
        if (car is None or row.car.casefold() == car.casefold())
        and (venue is None or row.venue.casefold() == venue.casefold())
        and all(str(row.setup.get(key, "")).casefold() == value for key, value in wanted_setup.items())
    ]


def pass_row(book: Logbook, pass_id: int) -> PassRow:
    """The pass of this id.

    Raises:
        SpeedlogError: there is none.
    """
    row = book.row(f"{_PASSES} WHERE pass.id = ?", (pass_id,))
    if row is None:
        raise SpeedlogError(f"no pass {pass_id} in the logbook", todo="Its passes: speedlog history")
    return _pass(book, row, _measured(book, "WHERE pass_id = ?", (pass_id,)).get(pass_id, {}))


def pass_named(book: Logbook, text: str) -> PassRow:
    """The pass a user names: "17" (first column of `history`), or "2026-07-12/3" (date and number in its session).

    Raises:
        SpeedlogError: no such pass, or several.
    """
    name = text.strip()
    if re.fullmatch(r"[0-9]{1,12}", name, re.ASCII):
        return pass_row(book, int(name))
    found = re.fullmatch(r"(\d{4}-\d{2}-\d{2})/([0-9]{1,9})", name, re.ASCII)
    if not found:
        raise SpeedlogError(
            f'"{plain(text)}" names no pass',
            todo="Give its number in speedlog history, or DATE/NUMBER like 2026-07-12/3.",
        )
    rows = book.rows(
        "SELECT pass.id FROM pass JOIN session ON session.id = pass.session_id WHERE session.date = ? "
        "AND pass.number = ? AND pass.set_aside_at IS NULL ORDER BY pass.id", (found[1], int(found[2])),
    )  # fmt: skip
    if len(rows) == 1:
        return pass_row(book, int(rows[0]["id"]))
    if not rows:
        raise SpeedlogError(f"no pass {name} in the logbook", todo="Its passes: speedlog history")
    listed = ", ".join(str(row["id"]) for row in rows)
    raise SpeedlogError(f"{len(rows)} passes are {name}", todo=f"Name it by its number: {listed}.")


def sessions(book: Logbook) -> list[SessionRow]:
    """All sessions, in the order of their dates."""
    return [_session(book, row) for row in book.rows(f"{_SESSIONS} ORDER BY session.date, session.id")]


def session_row(book: Logbook, session_id: int) -> SessionRow:
    """The session of this id (it must be there)."""
    row = book.row(f"{_SESSIONS} WHERE session.id = ?", (session_id,))
    assert row is not None
    return _session(book, row)


def session_named(book: Logbook, text: str) -> SessionRow:
    """The session a user names: by its name, its date, or both ("NAME, DATE" as it is listed).

    Raises:
        SpeedlogError: no such session, or several.
    """
    wanted = text.strip().casefold()
    every = sessions(book)
    found = [item for item in every if item.name.casefold() == wanted]
    found = found or [item for item in every if wanted in (item.date, f"{item.name}, {item.date}".casefold())]
    if len(found) == 1:
        return found[0]
    if not found:
        raise SpeedlogError(
            f'no session "{plain(text)}" in the logbook', todo="Its sessions: speedlog history"
        )
    listed = "; ".join(f'"{plain(item.name, 60)}, {item.date}"' for item in found[:6])
    raise SpeedlogError(f'{len(found)} sessions are "{plain(text)}"', todo=f"Name one of: {listed}.")


def recordings(book: Logbook, pass_id: int | None = None) -> list[RecordingRow]:
    """The kept logs, of a pass or all, in the order in which they were added."""
    which, values = "", tuple[int, ...]()
    if pass_id is not None:
        which = (
            "JOIN pass_recording ON pass_recording.recording_id = recording.id "
            "WHERE pass_recording.pass_id = ? AND pass_recording.parted_at IS NULL"
        )
        values = (pass_id,)
    rows = book.rows(
        "SELECT recording.*, content.sha256, content.size FROM recording "
        f"JOIN content ON content.id = recording.content_id {which} ORDER BY recording.id", values,
    )  # fmt: skip
    names = [item.name for item in fields(RecordingRow)]
    return [RecordingRow(**{name: row[name] for name in names}) for row in rows]


def reviewed_recordings(book: Logbook, pass_id: int) -> list[RecordingRow]:
    """The logs that a review of the pass reads: of those that hold each other, the longest alone."""
    mine = recordings(book, pass_id)
    after = {row["id"]: row["superseded_by"] for row in _superseded(book, mine)}
    ids = {item.id for item in mine}

    def held(place: int) -> bool:
        seen: set[int] = set()
        later = after.get(place)
        while later is not None and later not in seen:
            if later in ids:
                return True
            seen.add(later)
            later = after.get(later)
        return False

    return [item for item in mine if not held(item.id)]


def originals(book: Logbook, pass_id: int) -> list[tuple[str, bytes, bytes | None]]:
    """(name, bytes, bytes of its mapping of columns or None) of each log that a review of the pass reads."""
    return [
        (
            item.name,
            content.get(book, item.content_id),
            None if item.columns_id is None else content.get(book, item.columns_id),
        )
        for item in reviewed_recordings(book, pass_id)
    ]


def course_of(book: Logbook, pass_id: int) -> bytes | None:
    """The text of the course.toml of a pass, as added; None where it has no course."""
    row = book.row(
        "SELECT course.content_id FROM pass JOIN session ON session.id = pass.session_id "
        "JOIN course ON course.id = session.course_id WHERE pass.id = ?", (pass_id,),
    )  # fmt: skip
    return None if row is None else content.get(book, int(row["content_id"]))


def review_json(book: Logbook, pass_id: int) -> dict[str, Any] | None:
    """The review of a pass in the form of `review --json`; None where there is none."""
    row = book.row("SELECT review FROM result WHERE pass_id = ?", (pass_id,))
    if row is None or row["review"] is None:
        return None
    try:
        found: dict[str, Any] = json.loads(zlib.decompress(row["review"]))
    except (ValueError, zlib.error):
        raise damaged(book.path) from None
    return found


def whole_weather(session: Mapping[str, str], own: Mapping[str, str]) -> dict[str, str]:
    """The session's weather under the pass's own; pressure and QNH replace each other."""
    base = dict(session)
    if "pressure" in own or "qnh" in own:
        base.pop("pressure", None)
        base.pop("qnh", None)
    return base | dict(own)


_SESSIONS = (
    "SELECT session.*, coalesce(course.name, '') AS venue FROM session "
    "LEFT JOIN course ON course.id = session.course_id"
)


def _session(book: Logbook, row: Row) -> SessionRow:
    with _sound(book):
        return SessionRow(
            row["id"], row["uid"], row["name"], row["date"], row["course_id"], row["venue"], row["car"],
            MappingProxyType(json.loads(row["weather"])),
        )  # fmt: skip


@contextmanager
def _sound(book: Logbook) -> Iterator[None]:
    """Turns values that no version of this program has written into one line."""
    try:
        yield
    except (ValueError, TypeError, LookupError):
        raise damaged(book.path) from None


def _measured(book: Logbook, where: str, values: tuple[int, ...] = ()) -> dict[int, dict[str, str]]:
    found: dict[int, dict[str, str]] = {}
    for row in book.rows(f"SELECT pass_id, key, text FROM measured {where} ORDER BY pass_id, key", values):
        if row["text"]:  # an empty one was taken out again
            found.setdefault(row["pass_id"], {})[row["key"]] = row["text"]
    return found


def _pass(book: Logbook, row: Row, measured: Mapping[str, str]) -> PassRow:
    with _sound(book):
        return PassRow(
            id=row["id"],
            uid=row["uid"],
            session_id=row["session_id"],
            session=row["session_name"],
            date=row["session_date"],
            venue=row["venue"] or "",
            car=row["session_car"],
            number=row["number"],
            start_utc=dated(row["start_utc"]),
            end_utc=dated(row["end_utc"]),
            trap_text=row["trap_text"],
            setup=MappingProxyType(dict(json.loads(row["setup"]))),
            stated=frozenset(json.loads(row["stated"])),
            weather=MappingProxyType(
                whole_weather(json.loads(row["session_weather"]), json.loads(row["weather"]))
            ),
            note=row["note"],
            measured=MappingProxyType(dict(measured)),
            result=None if row["result_made_at"] is None else _result(row),
            no_figure=row["trap_text"] is None and row["trap_entered_at"] is not None,
        )


def _result(row: Row) -> ResultRow:
    values = {name: row[f"result_{name}"] for name in _RESULT}
    values["environment"] = MappingProxyType(json.loads(values["environment"]))
    values["entry_utc"] = dated(values["entry_utc"])
    for name in ("outbound", "independent"):
        values[name] = None if values[name] is None else bool(values[name])
    return ResultRow(**values)


def dated(moment: str | None) -> str | None:
    """A kept moment, or None where it lies on the assumed day of logs without a date."""
    return None if moment is None or moment.startswith(_UNDATED) else moment


def _superseded(book: Logbook, mine: list[RecordingRow]) -> list[Row]:
    if all(item.superseded_by is None for item in mine):
        return []
    return book.rows("SELECT id, superseded_by FROM recording WHERE superseded_by IS NOT NULL")
