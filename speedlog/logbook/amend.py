"""Corrections of what is kept: old and new value, moment and reason stay; what hangs on it is reviewed again."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from sqlite3 import Row

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import given, keeping, results, rows, setups
from speedlog.logbook.store import Logbook, now_text
from speedlog.session.day import Weather
from speedlog.session.load import read_weather
from speedlog.session.table import Table
from speedlog.settings import Settings


@dataclass(frozen=True)
class Corrections:
    """What is to be put right of a pass; None or empty: stays. An empty text takes the value out.

    `session_name`, `date`, `car`, `course` are the whole session's.
    """

    trap: str | None = None
    note: str | None = None
    number: int | None = None
    wind: str | None = None
    weather: Mapping[str, str] = field(default_factory=dict)
    setup: Mapping[str, str] = field(default_factory=dict)
    measured: Mapping[str, str] = field(default_factory=dict)
    session_name: str | None = None
    date: str | None = None
    car: str | None = None
    course: Path | None = None
    set_aside: bool | None = None
    part: str | None = None


@dataclass(frozen=True)
class AmendmentRow:
    """One correction, as kept."""

    what: str
    field: str
    old: str | None
    new: str | None
    at: str
    reason: str


def amend(
    book: Logbook, pass_id: int, wanted: Corrections, reason: str, *,
    settings: Settings | None = None, begin: Callable[[int, int], None] | None = None,
) -> list[AmendmentRow]:  # fmt: skip
    """Put a pass right, and review again what hangs on it. Returns what was changed.

    Raises:
        SpeedlogError: a value is none, nothing would change, or there is no reason (nothing is changed then).
    """
    why = plain(reason, 600)
    if not why:
        raise SpeedlogError("a correction needs a reason", todo='Say it: --reason "misheard".')
    row = rows.pass_row(book, pass_id)
    before = book.row("SELECT coalesce(max(id), 0) AS id FROM amendment")
    assert before is not None
    with book.writing(why):
        _facts(book, row, wanted)
        _setup(book, row, wanted.setup)
        _weather(book, row, wanted)
        _measured(book, row, wanted.measured)
        _session(book, row, wanted)
        _joined(book, row, wanted.part)
    found = book.rows("SELECT * FROM amendment WHERE id > ? ORDER BY id", (before["id"],))
    if not found:
        raise SpeedlogError(f"pass {pass_id}: nothing to change, it is kept so already")
    results.bring_up_to_date(book, row.session_id, [pass_id], settings=settings, begin=begin)
    return [_amendment(item) for item in found]


def amendments(book: Logbook, pass_id: int) -> list[AmendmentRow]:
    """Every correction of a pass and of its session, the oldest first."""
    found = book.rows(
        "SELECT * FROM amendment WHERE whose IN (SELECT uid FROM pass WHERE id = ?1 UNION ALL SELECT session.uid "
        "FROM session JOIN pass ON pass.session_id = session.id WHERE pass.id = ?1) ORDER BY id",
        (pass_id,),
    )
    return [_amendment(item) for item in found]


def _amendment(item: Row) -> AmendmentRow:
    return AmendmentRow(*(item[name] for name in AmendmentRow.__dataclass_fields__))


def _facts(book: Logbook, row: rows.PassRow, wanted: Corrections) -> None:
    if wanted.trap is not None:
        text = wanted.trap.strip()
        given.check_said(text or None, None)
        if text != (row.trap_text or ""):
            _put(book, row, "trap_text", text or None)
            _put(book, row, "trap_entered_at", now_text() if text else None)
    if wanted.note is not None:
        _put(book, row, "note", plain(wanted.note, 2000))
    if wanted.number is not None:
        taken = book.row(
            "SELECT id FROM pass WHERE session_id = ? AND number = ? AND id <> ?",
            (row.session_id, wanted.number, row.id),
        )
        if wanted.number < 1 or taken is not None:
            why = "is no number of a pass" if taken is None else f"is that of pass {taken['id']} already"
            raise SpeedlogError(f"number {wanted.number} {why} in this session", todo="Choose another one.")
        _put(book, row, "number", wanted.number)
    if wanted.set_aside is not None:
        kept = book.row("SELECT set_aside_at FROM pass WHERE id = ?", (row.id,))
        assert kept is not None
        if wanted.set_aside is not (kept["set_aside_at"] is not None):
            _put(book, row, "set_aside_at", now_text() if wanted.set_aside else None)


def _setup(book: Logbook, row: rows.PassRow, changes: Mapping[str, str]) -> None:
    setup, stated = dict(row.setup), set(row.stated)
    taken_out = [key for key, text in changes.items() if not text]
    unknown = [key for key in taken_out if key not in setup]
    if unknown:
        raise SpeedlogError(f"the set-up of pass {row.id} says nothing of {plain(unknown[0])}")
    for key in taken_out:
        del setup[key]
    said = setups.setup_changes([f"{key}={text}" for key, text in changes.items() if text])
    setup |= said
    stated = (stated | set(said)) - set(taken_out)
    if setup != row.setup:
        _put(book, row, "setup", json.dumps(setups.in_order(setup), ensure_ascii=False))
    if stated != row.stated:
        _put(book, row, "stated", json.dumps(sorted(stated)))


def _weather(book: Logbook, row: rows.PassRow, wanted: Corrections) -> None:
    said = dict(wanted.weather) | ({} if wanted.wind is None else {"wind": wanted.wind})
    if not said:
        return
    kept = book.row("SELECT weather FROM pass WHERE id = ?", (row.id,))
    assert kept is not None
    own: dict[str, str] = json.loads(kept["weather"])
    session = rows.session_row(book, row.session_id).weather
    for key, text in said.items():
        if text:
            own[key] = text
        elif key not in own:
            raise SpeedlogError(f"pass {row.id} has no {plain(key)} of its own")
        else:
            del own[key]
    whole = rows.whole_weather(session, own)
    read_weather(Table(whole, Path("--weather")), Weather(), None)  # refuses what is no weather
    _put(book, row, "weather", json.dumps(own, ensure_ascii=False))


def _measured(book: Logbook, row: rows.PassRow, said: Mapping[str, str]) -> None:
    for key, text in setups.measured_by_hand([f"{key}={text}" for key, text in said.items()]).items():
        if key not in row.measured:
            book.run("INSERT INTO measured VALUES (?, ?, ?, ?)", (row.id, key, text, now_text()))
            _note(book, row, key, text)
        elif row.measured[key] != text:
            book.run(
                "UPDATE measured SET text = ?, entered_at = ? WHERE pass_id = ? AND key = ?",
                (text, now_text(), row.id, key),
            )


def _note(book: Logbook, row: rows.PassRow, key: str, text: str) -> None:
    """A value that was not there before is a correction too."""
    book.run(
        "INSERT INTO amendment (what, whose, field, old, new, at, reason) "
        "SELECT 'measured', ?, ?, NULL, ?, at, text FROM reason", (row.uid, key, text),
    )  # fmt: skip


def _session(book: Logbook, row: rows.PassRow, wanted: Corrections) -> None:
    changes: dict[str, str | int | None] = {}
    if wanted.session_name is not None:
        changes["name"] = given.check_text(wanted.session_name, "a session's name")
    if wanted.date is not None:
        changes["date"] = given.check_date(wanted.date)
    if wanted.car is not None:
        changes["car"] = plain(wanted.car, 200)
    if wanted.course is not None:
        Course.load(wanted.course)
        changes["course_id"] = keeping.keep_course(book, wanted.course.read_bytes())
    if not changes:
        return
    kept = rows.session_row(book, row.session_id)
    name, date = changes.get("name", kept.name), changes.get("date", kept.date)
    other = book.row("SELECT 1 FROM session WHERE name = ? AND date IS ? AND id <> ?", (name, date, kept.id))
    if other is not None:
        raise SpeedlogError(
            f'there is another session "{plain(name)}" of {date}', todo="Choose another name."
        )
    marks = ", ".join(f"{column} = ?" for column in changes)
    book.run(f"UPDATE session SET {marks} WHERE id = ?", (*changes.values(), row.session_id))


def _joined(book: Logbook, row: rows.PassRow, part: str | None) -> None:
    """A log that was joined by mistake: kept, and no longer read for this pass."""
    if part is None:
        return
    mine = [item for item in rows.recordings(book, row.id) if item.name == part]
    if len(mine) != 1:
        names = ", ".join(plain(item.name, 60) for item in rows.recordings(book, row.id)) or "none"
        raise SpeedlogError(f'pass {row.id} has no log "{plain(part)}"', todo=f"Its logs: {names}.")
    book.run(
        "UPDATE pass_recording SET parted_at = ? WHERE pass_id = ? AND recording_id = ?",
        (now_text(), row.id, mine[0].id),
    )


def _put(book: Logbook, row: rows.PassRow, name: str, value: str | int | None) -> None:
    book.run(f"UPDATE pass SET {name} = ? WHERE id = ?", (value, row.id))
