"""A kept session is the session that was added: values, reviews and page."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from speedlog.logbook.kept_day import kept_session, review_kept_session
from speedlog.logbook.store import Logbook
from speedlog.report.page import session_page
from speedlog.session import load_session, review_session


def test_the_values_are_those_of_the_session_toml(book: Logbook, day_folder: Path) -> None:
    kept, wanted = kept_session(book, 1), load_session(day_folder / "session.toml")
    assert (kept.name, kept.date, kept.car, kept.course, kept.weather) == (
        wanted.name, wanted.date, wanted.car, wanted.course, wanted.weather,
    )  # fmt: skip
    for one, other in zip(kept.passes, wanted.passes, strict=True):
        assert [path.name for path in one.logs] == [path.name for path in other.logs]
        for name in ("number", "trap", "weather", "setup", "stated", "changes", "note", "measured"):
            assert getattr(one, name) == getattr(other, name), name


def test_the_page_is_that_of_the_session_toml(book: Logbook, day_folder: Path) -> None:
    """To the letter: the same reviews with the same traces, from kept bytes and from files."""
    made = dt.datetime(2026, 8, 22, 20, 0, tzinfo=dt.UTC)
    begun: list[int] = []
    kept = review_kept_session(book, 1, begin=lambda item: begun.append(item.number))
    wanted = review_session(load_session(day_folder / "session.toml"))
    assert session_page(kept, made=made) == session_page(wanted, made=made)
    assert begun == [1, 2, 3]


def test_a_unit_asked_for_is_that_of_the_sentences(book: Logbook) -> None:
    kept = review_kept_session(book, 1, unit="km/h")
    verdict = kept.reviews[0].drives[0].verdict
    assert verdict is not None and "km/h" in verdict.text
