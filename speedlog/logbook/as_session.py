"""Kept passes as the session that the report's page shows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from types import MappingProxyType

from speedlog.errors import SpeedlogError
from speedlog.logbook import results, rows
from speedlog.logbook.results import Inputs, KeptMemory
from speedlog.logbook.rows import PassRow, SessionRow
from speedlog.logbook.store import Logbook
from speedlog.results import Review
from speedlog.session.day import Change, ReviewedPass, Session, SessionPass, SessionReview, Weather
from speedlog.session.load import SETUP, read_measured, read_setup, read_weather, same_value
from speedlog.session.table import Table

_KEPT = Path("logbook")  # where a mistake in a kept text is said to stand


def kept_session(
    book: Logbook, session_id: int, *, begin: Callable[[int, int], None] | None = None
) -> SessionReview:
    """A session of the logbook, its passes reviewed now with traces for the charts.

    Args:
        begin: told before each review: which of how many.
    """
    session = rows.session_row(book, session_id)
    mine = [row for row in rows.passes(book) if row.session_id == session_id]
    memory, found = KeptMemory(), []
    for place, row in enumerate(sorted(mine, key=lambda item: item.number), start=1):
        if begin is not None:
            begin(place, len(mine))
        inputs = results.inputs_of(book, row.id)
        try:
            review: Review | SpeedlogError = results.review_of(inputs, memory=memory)
        except SpeedlogError as error:
            review = error
        found.append((row, inputs, review))
    return as_session(session, found)


def as_session(
    session: SessionRow, passes: Sequence[tuple[PassRow, Inputs, Review | SpeedlogError]]
) -> SessionReview:
    """Passes of one session with their reviews, or with why there is none.

    Raises:
        SpeedlogError: a kept text is none that a session may hold.
    """
    entries: list[SessionPass] = []
    reviewed = []
    for row, inputs, review in passes:
        entry = _entry(row, inputs, entries[-1] if entries else None)
        entries.append(entry)
        if isinstance(review, SpeedlogError):
            reviewed.append(ReviewedPass(entry, None, error=str(review)))
        else:
            reviewed.append(ReviewedPass(entry, review, review.passes))
    course = next((inputs.course for _, inputs, _ in passes if inputs.course is not None), None)
    day = Session(
        name=session.name,
        date=None if session.date is None else dt.date.fromisoformat(session.date),
        course=results.course_from(course),
        course_path=None,
        car=session.car,
        passes=tuple(entries),
        weather=read_weather(Table(dict(session.weather), _KEPT), Weather(), None),
        path=_KEPT,
    )
    return SessionReview(day, tuple(reviewed))


def _entry(row: PassRow, inputs: Inputs, before: SessionPass | None) -> SessionPass:
    run = read_setup(Table(dict(row.setup), _KEPT))
    last = {} if before is None else before.setup
    changed = [key for key in run if before is not None and not same_value(last.get(key), run[key])]
    return SessionPass(
        number=row.number,
        logs=tuple(Path(log.name) for log in inputs.logs),
        trap=row.trap_text,
        weather=read_weather(Table(dict(row.weather), _KEPT), Weather(), None),
        setup=MappingProxyType({key: run[key] for key in SETUP if key in run}),
        stated=row.stated,
        changes=tuple(Change(key, last.get(key), run[key]) for key in changed),
        note=row.note,
        measured=MappingProxyType(read_measured(Table(dict(row.measured), _KEPT))),
    )
