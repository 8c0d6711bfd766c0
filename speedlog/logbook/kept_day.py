"""A kept session as if its session.toml had just been read and reviewed: for the report, and for evidence."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError
from speedlog.logbook import results, rows
from speedlog.logbook.kept_logs import KeptMemory
from speedlog.logbook.store import Logbook
from speedlog.session.day import Change, ReviewedPass, Session, SessionPass, SessionReview, Weather
from speedlog.session.load import read_measured, read_setup, read_weather, same_value
from speedlog.session.table import Table
from speedlog.settings import Settings


def kept_session(book: Logbook, session_id: int) -> Session:
    """The session as its session.toml would say it; passes that were set aside are left out."""
    row = rows.session_row(book, session_id)
    mine = sorted(
        (item for item in rows.passes(book) if item.session_id == session_id), key=lambda item: item.number
    )
    course = None if not mine else results.course_from(rows.course_of(book, mine[0].id))
    logs = [[log.name for log in rows.reviewed_recordings(book, item.id)] for item in mine]
    return as_session(row, mine, logs, course, book.path)


def as_session(
    row: rows.SessionRow, passes: Sequence[rows.PassRow], logs: Sequence[Sequence[str]], course: Course | None,
    path: Path,
) -> Session:  # fmt: skip
    """Passes of one session, with the names of their logs, as its session.toml would say them.

    Args:
        path: where they are kept, for messages.

    Raises:
        SpeedlogError: a kept text is none that a session may hold.
    """
    entries: list[SessionPass] = []
    for item, names in zip(passes, logs, strict=True):
        entries.append(_pass(item, names, entries, path))
    return Session(
        name=row.name,
        date=None if row.date is None else dt.date.fromisoformat(row.date),
        course=course,
        course_path=None,
        car=row.car,
        passes=tuple(entries),
        weather=_weather(row.weather, path),
        path=path,
    )


def review_kept_session(
    book: Logbook, session_id: int, *, unit: str | None = None, settings: Settings | None = None,
    begin: Callable[[SessionPass], None] | None = None,
) -> SessionReview:  # fmt: skip
    """The session reviewed now, from kept bytes; a pass that fails keeps its one line and stops nothing.

    Args:
        unit: of the speeds in sentences, as for `speedlog.session.review_session`.
        begin: told before each pass, for a progress display.
    """
    session = kept_session(book, session_id)
    ids = {
        row["number"]: int(row["id"])
        for row in book.rows("SELECT id, number FROM pass WHERE session_id = ?", (session_id,))
    }
    memory = KeptMemory()
    found = []
    for item in session.passes:
        if begin is not None:
            begin(item)
        inputs = results.inputs_of(book, ids[item.number])
        try:
            review = results.review_of(
                replace(inputs, unit=unit or inputs.unit), car=False, memory=memory, settings=settings
            )
            found.append(ReviewedPass(item, review, review.passes))
        except SpeedlogError as error:
            found.append(ReviewedPass(item, None, error=str(error)))
    return SessionReview(session, tuple(found))


def _pass(item: rows.PassRow, logs: Sequence[str], earlier: Sequence[SessionPass], path: Path) -> SessionPass:
    where = Table({}, path, f"pass {item.id}, ")
    setup = read_setup(replace(where, content=item.setup))
    before = dict(earlier[-1].setup) if earlier else {}
    changed = [key for key, value in setup.items() if earlier and not same_value(before.get(key), value)]
    return SessionPass(
        number=item.number,
        logs=tuple(Path(name) for name in logs),
        trap=item.trap_text,
        weather=_weather(item.weather, path),
        setup=MappingProxyType(setup),
        stated=item.stated,
        changes=tuple(Change(key, before.get(key), setup[key]) for key in changed),
        note=item.note,
        measured=MappingProxyType(read_measured(replace(where, content=item.measured))),
    )


def _weather(told: Mapping[str, str], path: Path) -> Weather:
    return read_weather(Table(told, path), Weather(), None)
