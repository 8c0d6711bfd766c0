"""Facts into their rows, inside one transaction: nothing is kept twice, nothing kept is overwritten.

What is given again is compared with what is kept: an empty place is filled (with a trace), an equal value is
left, another value is a contradiction that is told and left to `logbook amend`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from speedlog.errors import plain
from speedlog.logbook import content, rows, setups
from speedlog.logbook.given import GivenPass, ReadLog
from speedlog.logbook.joining import FoundDrive, kept_pass
from speedlog.logbook.results import course_from
from speedlog.logbook.store import Logbook, new_uid, now_text
from speedlog.samples import utc_text
from speedlog.session.table import parse_trap
from speedlog.settings import LogbookSettings


@dataclass
class KeptPass:
    """What became of a pass that was given."""

    pass_id: int
    new: bool
    filled: list[str] = field(default_factory=list)
    contradictions: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)


def keep_recording(book: Logbook, log: ReadLog) -> int:
    """Keep a log, with its bytes and its mapping; the id of the one that is kept already otherwise."""
    content_id = content.put(book, log.kept.data)
    columns_id = None if log.kept.columns is None else content.put(book, log.kept.columns)
    known = book.row("SELECT id, columns_id FROM recording WHERE content_id = ?", (content_id,))
    if known is not None:
        if columns_id is not None and known["columns_id"] != columns_id:
            book.run("UPDATE recording SET columns_id = ? WHERE id = ?", (columns_id, known["id"]))
        return int(known["id"])
    index = log.recording.samples.index
    start, end = (utc_text(index[0]), utc_text(index[-1])) if len(index) else (None, None)
    made = book.run(
        "INSERT INTO recording (uid, content_id, name, columns_id, format, clock, start_time, end_time, added_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (new_uid(), content_id, log.kept.name, columns_id, log.recording.format, str(log.recording.clock),
         start, end, now_text()),
    )  # fmt: skip
    _supersede(book, made, log.kept.data)
    return made


def held_by(book: Logbook, recording_id: int) -> list[int]:
    """The recording and all that it supersedes, the nearest first."""
    found = [recording_id]
    for place in found:
        found += [
            int(row["id"])
            for row in book.rows("SELECT id FROM recording WHERE superseded_by = ?", (place,))
            if row["id"] not in found
        ]
    return found


def keep_course(book: Logbook, data: bytes) -> int:
    """Keep a course.toml; the same bytes are one course."""
    content_id = content.put(book, data)
    known = book.row("SELECT id FROM course WHERE content_id = ?", (content_id,))
    if known is not None:
        return int(known["id"])
    course = course_from(data)
    assert course is not None
    return book.run(
        "INSERT INTO course (uid, name, content_id) VALUES (?, ?, ?)", (new_uid(), course.name, content_id)
    )


def make_session(
    book: Logbook, name: str, date: str | None, course_id: int | None, car: str, weather: Mapping[str, str]
) -> int:
    """A new session."""
    return book.run(
        "INSERT INTO session (uid, name, date, course_id, car, weather, added_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (new_uid(), name, date, course_id, car, _json(weather), now_text()),
    )


def keep_pass(
    book: Logbook, session_id: int, item: GivenPass, known: int | None, logs: Sequence[int]
) -> KeptPass:
    """Make a pass, or fill what is missing in a kept one, and join its logs to it."""
    if known is None:
        done = KeptPass(_make_pass(book, session_id, item), new=True)
        if item.number is not None and (kept := _value(book, done.pass_id, "number")) != item.number:
            done.contradictions.append(f"number {item.number} is taken in this session: kept as {kept}")
    else:
        done = KeptPass(known, new=False)
        _fill(book, item, done)
    done.unread += item.unread
    _measured(book, item.measured, done)
    _join(book, item.drive, logs, done)
    return done


def known_pass(
    book: Logbook, session_id: int | None, item: GivenPass, venue: str, logs: Sequence[int],
    settings: LogbookSettings,
) -> int | None:  # fmt: skip
    """The kept pass that this one is: by its drive's time; without one by its logs, else by its number."""
    lineage = [held for log in logs for held in held_by(book, log)]
    if item.drive is not None:
        found = kept_pass(book, item.drive, venue, lineage, settings)
        if found is not None:
            return found
    elif logs:
        marks = ", ".join("?" * len(lineage))
        row = book.row(
            "SELECT pass.id FROM pass JOIN pass_recording ON pass_id = pass.id WHERE pass.start_utc IS NULL "
            f"AND recording_id IN ({marks}) AND (? IS NULL OR number = ?) ORDER BY pass.id",
            (*lineage, item.number, item.number),
        )
        if row is not None:
            return int(row["id"])
    if item.number is None or session_id is None:
        return None
    row = book.row(
        "SELECT id, start_utc FROM pass WHERE session_id = ? AND number = ?", (session_id, item.number)
    )
    # the number alone tells a pass only as far as no two drives claim it
    if row is None or (row["start_utc"] is not None and item.drive is not None):
        return None
    return int(row["id"])


def _supersede(book: Logbook, made: int, data: bytes) -> None:
    """Links a new recording with those it begins with, and with a longer kept one that begins with it."""
    parts = content.beginnings(book, data)
    for part in parts:
        row = book.row(
            "SELECT id FROM recording WHERE content_id = ? AND superseded_by IS NULL AND id <> ?",
            (part, made),
        )
        if row is not None:
            book.run("UPDATE recording SET superseded_by = ? WHERE id = ?", (made, row["id"]))
    longer = content.going_on(book, data)
    row = None if longer is None else book.row("SELECT id FROM recording WHERE content_id = ?", (longer,))
    if row is not None:
        book.run("UPDATE recording SET superseded_by = ? WHERE id = ?", (row["id"], made))


def _make_pass(book: Logbook, session_id: int, item: GivenPass) -> int:
    taken = {
        row["number"] for row in book.rows("SELECT number FROM pass WHERE session_id = ?", (session_id,))
    }
    number = item.number if item.number and item.number not in taken else max(taken, default=0) + 1
    start, end = (None, None) if item.drive is None else (item.drive.start_utc, item.drive.end_utc)
    setup = dict(item.setup)
    if not item.whole:
        car = rows.session_row(book, session_id).car
        dated = start if item.drive is not None and item.drive.dated else None
        setup = setups.last_setup(book, car, dated) | setup
    return book.run(
        "INSERT INTO pass (uid, session_id, number, start_utc, end_utc, trap_text, trap_entered_at, weather, "
        "setup, stated, note, added_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (new_uid(), session_id, number, start, end, item.trap, now_text() if item.trap else None,
         _json(item.weather), _json(setups.in_order(setup)), _json(sorted(item.stated)), item.note, now_text()),
    )  # fmt: skip


def _fill(book: Logbook, item: GivenPass, done: KeptPass) -> None:
    row = rows.pass_row(book, done.pass_id)
    if item.trap is not None:
        set_trap(book, row, item.trap, done)
    if item.note and item.note != row.note:
        _put(book, done, "note", row.note or None, item.note)
    if item.number is not None and item.number != row.number:
        done.contradictions.append(f"number: kept {row.number}, now {item.number}")
    own = json.loads(_value(book, row.id, "weather"))
    for key, text in item.weather.items():
        kept = own.get(key)
        if kept is None:  # the session's own weather is no contradiction: the pass says what it was just then
            own[key] = text
            done.filled.append(f"{key} {text}")
        elif kept != text:
            done.contradictions.append(f'{key}: kept "{plain(kept)}", now "{plain(text)}"')
    if own != json.loads(_value(book, row.id, "weather")):
        book.run("UPDATE pass SET weather = ? WHERE id = ?", (_json(own), row.id))
    _fill_setup(book, row, item, done)


def _fill_setup(book: Logbook, row: rows.PassRow, item: GivenPass, done: KeptPass) -> None:
    """What was inherited gives way to what is typed; what was typed stands."""
    setup, stated = dict(row.setup), set(row.stated)
    for key, value in item.setup.items():
        kept = setup.get(key)
        if setups.same_setup(key, kept, value):
            stated |= {key} & item.stated
        elif kept is not None and (key in stated or key not in item.stated):
            done.contradictions.append(f'{key}: kept "{plain(kept)}", now "{plain(value)}"')
        else:
            setup[key] = value
            stated |= {key} & item.stated
            done.filled.append(f"{key} {value}")
    if setup != row.setup:
        book.run("UPDATE pass SET setup = ? WHERE id = ?", (_json(setups.in_order(setup)), row.id))
    if stated != row.stated:
        book.run("UPDATE pass SET stated = ? WHERE id = ?", (_json(sorted(stated)), row.id))


def set_trap(book: Logbook, row: rows.PassRow, text: str, done: KeptPass) -> None:
    """Put a trap figure where there is none; another one is a contradiction."""
    if row.trap_text is None:
        book.run(
            "UPDATE pass SET trap_text = ?, trap_entered_at = ? WHERE id = ?", (text, now_text(), row.id)
        )
        done.filled.append(f"trap {text}")
    elif not same_figure(row.trap_text, text):
        done.contradictions.append(f'trap: kept "{plain(row.trap_text)}", now "{plain(text)}"')


def same_figure(one: str, other: str) -> bool:
    """Whether two trap figures say the same to the last digit quoted."""
    first, second = parse_trap(one), parse_trap(other)
    return first.unit.kind == second.unit.kind and abs(first.value - second.value) < 1e-9


def _put(book: Logbook, done: KeptPass, name: str, kept: str | None, text: str) -> None:
    if kept is None:
        book.run(f"UPDATE pass SET {name} = ? WHERE id = ?", (text, done.pass_id))
        done.filled.append(f"{name} {text}")
    else:
        done.contradictions.append(f'{name}: kept "{plain(kept)}", now "{plain(text)}"')


def _measured(book: Logbook, given: Mapping[str, str], done: KeptPass) -> None:
    kept = {
        row["key"]: row["text"]
        for row in book.rows("SELECT key, text FROM measured WHERE pass_id = ?", (done.pass_id,))
    }
    for key, text in given.items():
        if not kept.get(key):
            put_measured(book, done.pass_id, key, text, there=key in kept)
            if not done.new:
                done.filled.append(f"{key} {text}")
        elif not setups.same_measured(key, kept[key], text):
            done.contradictions.append(f'{key}: kept "{plain(kept[key])}", now "{plain(text)}"')


def put_measured(book: Logbook, pass_id: int, key: str, text: str, *, there: bool) -> None:
    """A value measured by hand, in the place of the one that is `there`; a place is for good, "" leaves it empty."""
    if there:
        book.run(
            "UPDATE measured SET text = ?, entered_at = ? WHERE pass_id = ? AND key = ?",
            (text, now_text(), pass_id, key),
        )
    else:
        book.run("INSERT INTO measured VALUES (?, ?, ?, ?)", (pass_id, key, text, now_text()))


def _join(book: Logbook, drive: FoundDrive | None, logs: Sequence[int], done: KeptPass) -> None:
    """Joins logs to a pass, but for those that only repeat, longer, a log that already holds all of it."""
    mine = {item.id: item for item in rows.recordings(book, done.pass_id)}
    for log in logs:
        if log in mine:
            continue
        shorter = [mine[held] for held in held_by(book, log)[1:] if held in mine]
        if drive is not None and any(item.end_time and item.end_time > drive.end_utc for item in shorter):
            continue
        book.run(
            "INSERT OR IGNORE INTO pass_recording (pass_id, recording_id) VALUES (?, ?)", (done.pass_id, log)
        )
        if not done.new:
            name = book.row("SELECT name FROM recording WHERE id = ?", (log,))
            done.filled.append(f"log {plain(name['name'], 60)}" if name else "a log")
        _widen(book, done.pass_id, drive)


def _widen(book: Logbook, pass_id: int, drive: FoundDrive | None) -> None:
    """A log that saw more of the drive than those before: the pass is as long as all of them."""
    if drive is None:
        return
    row = book.row("SELECT start_utc, end_utc FROM pass WHERE id = ?", (pass_id,))
    assert row is not None
    start, end = drive.start_utc, drive.end_utc
    if row["start_utc"] is not None:
        kept_dated = rows.dated(row["start_utc"]) is not None
        if kept_dated and not drive.dated:
            return
        if kept_dated == drive.dated:
            start, end = min(row["start_utc"], start), max(row["end_utc"], end)
    if (start, end) != (row["start_utc"], row["end_utc"]):
        book.run("UPDATE pass SET start_utc = ?, end_utc = ? WHERE id = ?", (start, end, pass_id))


def _value(book: Logbook, pass_id: int, name: str) -> Any:
    row = book.row(f"SELECT {name} FROM pass WHERE id = ?", (pass_id,))
    assert row is not None
    return row[name]


def _json(value: Mapping[str, Any] | list[str]) -> str:
    return json.dumps(value if isinstance(value, list) else dict(value), ensure_ascii=False)
