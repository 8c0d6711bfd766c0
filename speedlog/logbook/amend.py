"""Corrections of what is kept: old and new value, moment and reason stay; what hangs on it is reviewed again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
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

    `no_figure`: whether it was said that none was read out, which takes a figure out. `session_name`, `date`, `car`,
    `course`, `course_id` (of a kept one; 0: none) and `session_weather` are the whole session's.
    """

    trap: str | None = None
    no_figure: bool | None = None
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
    course_id: int | None = None
    session_weather: Mapping[str, str] = field(default_factory=dict)
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
    row = rows.pass_row(book, pass_id)
    with amending(book, reason, f"pass {pass_id}: nothing to change, it is kept so already") as found:
        _session(book, row.session_id, wanted)
        row = rows.pass_row(book, pass_id)
        _facts(book, row, wanted)
        _setup(book, row, wanted.setup)
        _weather(book, row, wanted)
        _measured(book, row, wanted.measured)
        _joined(book, row, wanted.part)
    results.bring_up_to_date(book, row.session_id, [pass_id], settings=settings, begin=begin)
    return found


def amend_session(
    book: Logbook, session_id: int, wanted: Corrections, reason: str, *,
    settings: Settings | None = None, begin: Callable[[int, int], None] | None = None,
) -> list[AmendmentRow]:  # fmt: skip
    """Put a session right, whether it has passes yet or not: what of `wanted` is the session's.

    Raises:
        SpeedlogError: as `amend`.
    """
    with amending(book, reason, "nothing to change, the session is kept so already") as found:
        _session(book, session_id, wanted)
    results.bring_up_to_date(book, session_id, settings=settings, begin=begin)
    return found


@contextmanager
def amending(book: Logbook, reason: str, nothing: str) -> Iterator[list[AmendmentRow]]:
    """A transaction of corrections; the list that it yields is filled at its end with what was changed.

    Raises:
        SpeedlogError: there is no reason, or nothing was changed: then the problem is `nothing`.
    """
    why = plain(reason, 600)
    if not why:
        raise SpeedlogError("a correction needs a reason", todo='Say it: --reason "misheard".')
    made: list[AmendmentRow] = []
    with book.writing(why):
        before = book.row("SELECT coalesce(max(id), 0) AS id FROM amendment")
        assert before is not None
        yield made
        made += map(
            _amendment, book.rows("SELECT * FROM amendment WHERE id > ? ORDER BY id", (before["id"],))
        )
        if not made:
            raise SpeedlogError(nothing)


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
    _trap(book, row, wanted)
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


def _trap(book: Logbook, row: rows.PassRow, wanted: Corrections) -> None:
    """Figure, no figure, or not said: the moment at which it was said stands for the second without the first."""
    text = "" if wanted.no_figure and wanted.trap is None else wanted.trap
    if text is None and wanted.no_figure is None:
        return
    text = (row.trap_text or "") if text is None else text.strip()
    given.check_said(text or None, None)
    if text and wanted.no_figure:
        raise SpeedlogError("a trap figure, and that none was read out", todo="Say one of them.")
    told = bool(text) or bool(wanted.no_figure)
    if text != (row.trap_text or ""):
        _put(book, row, "trap_text", text or None)
    elif told == (row.trap_text is not None or row.no_figure):
        return
    _put(book, row, "trap_entered_at", now_text() if told else None)


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
    _change_weather(own, said, f"pass {row.id} has no {{}} of its own")
    check_weather(rows.whole_weather(rows.session_row(book, row.session_id).weather, own))
    _put(book, row, "weather", json.dumps(own, ensure_ascii=False))


def _change_weather(own: dict[str, str], said: Mapping[str, str], missing: str) -> None:
    for key, text in said.items():
        if text:
            own[key] = text
        elif key not in own:
            raise SpeedlogError(missing.format(plain(key)))
        else:
            del own[key]


def check_weather(whole: Mapping[str, str]) -> None:
    """Refuses what is no weather, with a SpeedlogError."""
    read_weather(Table(dict(whole), Path("--weather")), Weather(), None)


def _measured(book: Logbook, row: rows.PassRow, said: Mapping[str, str]) -> None:
    taken_out = {key: "" for key, text in said.items() if not text}
    missing = [key for key in taken_out if key not in row.measured]
    if missing:
        raise SpeedlogError(f"pass {row.id} says nothing of {plain(missing[0])}")
    wanted = setups.measured_by_hand([f"{key}={text}" for key, text in said.items() if text]) | taken_out
    places = {item["key"] for item in book.rows("SELECT key FROM measured WHERE pass_id = ?", (row.id,))}
    for key, text in wanted.items():
        if row.measured.get(key) != text:
            keeping.put_measured(book, row.id, key, text, there=key in places)
            if key not in places:
                _note(book, row, key, text)


def _note(book: Logbook, row: rows.PassRow, key: str, text: str) -> None:
    """A value that was not there before is a correction too."""
    book.run(
        "INSERT INTO amendment (what, whose, field, old, new, at, reason) "
        "SELECT 'measured', ?, ?, NULL, ?, at, text FROM reason", (row.uid, key, text),
    )  # fmt: skip


def _session(book: Logbook, session_id: int, wanted: Corrections) -> None:
    kept = rows.session_row(book, session_id)
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
    if wanted.course_id is not None:
        changes["course_id"] = wanted.course_id or None
    if wanted.session_weather:
        weather = dict(kept.weather)
        _change_weather(weather, wanted.session_weather, "the session has no {}")
        check_weather(weather)
        changes["weather"] = json.dumps(weather, ensure_ascii=False)
    if not changes:
        return
    name, date = changes.get("name", kept.name), changes.get("date", kept.date)
    other = book.row("SELECT 1 FROM session WHERE name = ? AND date IS ? AND id <> ?", (name, date, kept.id))
    if other is not None:
        raise SpeedlogError(
            f'there is another session "{plain(name)}" of {date}', todo="Choose another name."
        )
    marks = ", ".join(f"{column} = ?" for column in changes)
    book.run(f"UPDATE session SET {marks} WHERE id = ?", (*changes.values(), session_id))


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
