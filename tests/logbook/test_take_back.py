"""Corrections taken back, whatever was typed: the facts are as before, and both ways stay told."""

from __future__ import annotations

from typing import Any

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.amend import Corrections, amend, amend_session, amendments
from speedlog.logbook.store import Logbook
from speedlog.logbook.take_back import Scope, changes, pass_scope, take_back


def facts(book: Logbook) -> dict[str, list[tuple[Any, ...]]]:
    """All that is typed, but for an emptied place of what was measured, which stays a place."""
    tables = {name: book.rows(f"SELECT * FROM {name}") for name in ("session", "pass", "pass_recording")}
    found = {name: [tuple(row) for row in every] for name, every in tables.items()}
    found["measured"] = [tuple(row) for row in book.rows("SELECT * FROM measured WHERE text <> ''")]
    return found


EVERYTHING = [
    Corrections(trap="161.0 mph"),
    Corrections(trap=""),
    Corrections(no_figure=True),
    Corrections(note="Other words."),
    Corrections(number=9),
    Corrections(wind="5 m/s from 240", weather={"temperature": "25 °C"}),
    Corrections(wind=""),
    Corrections(setup={"current_limit": "130 A", "tyre": "", "mass": "4 kg"}),
    Corrections(measured={"motor_temp_after": "61 °C", "motor_temp_before": "19 °C"}),
    Corrections(measured={"motor_temp_after": ""}),
    Corrections(set_aside=True),
    Corrections(part="p01_rear.csv"),
    Corrections(session_name="Named anew", date="2026-08-23", car="Another"),
    Corrections(course_id=0),
    Corrections(session_weather={"temperature": "8 °C", "wind": ""}),
    Corrections(trap="150.0 mph", note="", session_name="Both", setup={"ramp": "soft"}),
]


@pytest.mark.parametrize("wanted", EVERYTHING, ids=lambda item: str(item)[12:80])
def test_everything_typed_is_taken_back_and_done_again(book: Logbook, wanted: Corrections) -> None:
    before = facts(book)
    amend(book, 1, wanted, "a try")
    of_day = any(item.what == "session" for item in amendments(book, 1)) and not wanted.trap
    scope = Scope(1) if of_day else pass_scope(book, 1)
    after = facts(book)
    assert after != before
    newest = changes(book, scope)[0]
    assert newest.can_go_back and newest.reason == "a try"
    take_back(book, scope, newest.key)
    assert facts(book) == before
    assert [item.reason for item in changes(book, scope)] == ["taken back", "a try"]
    assert not changes(book, scope)[1].can_go_back  # it holds no more
    take_back(book, scope, changes(book, scope)[0].key)
    assert facts(book) == after


def test_a_result_follows(book: Logbook) -> None:
    """The verdict of 120 mph is the one of test_amend.py; taken back it is that of the figure as read out."""
    amend(book, 1, Corrections(trap="120.0 mph"), "misheard")
    scope = pass_scope(book, 1)
    take_back(book, scope, changes(book, scope)[0].key)
    found = rows.pass_row(book, 1).result
    assert found is not None and found.verdict == "agree"
    assert found.official_mps == pytest.approx(160 * 0.44704)


def test_an_older_change_is_taken_back_by_itself_while_it_holds(book: Logbook) -> None:
    amend(book, 1, Corrections(setup={"tyre": "hard", "current_limit": "130 A"}), "one")
    amend(book, 1, Corrections(setup={"ramp": "soft"}), "two")
    amend(book, 1, Corrections(note="Slid."), "three")
    scope = pass_scope(book, 1)
    one = next(item for item in changes(book, scope) if item.reason == "one")
    take_back(book, scope, one.key)
    row = rows.pass_row(book, 1)
    assert (row.setup["tyre"], row.setup["current_limit"]) == ("medium, glued", "95 A")
    assert (row.setup["ramp"], row.note) == ("soft", "Slid.") and "ramp" in row.stated


def test_what_was_changed_again_since_is_not_taken_back(book: Logbook) -> None:
    amend(book, 1, Corrections(setup={"tyre": "hard"}, measured={"motor_temp_after": "61 °C"}), "one")
    amend(book, 1, Corrections(measured={"motor_temp_after": "62 °C"}), "two")
    scope = pass_scope(book, 1)
    one = next(item for item in changes(book, scope) if item.reason == "one")
    before = facts(book)
    assert not one.can_go_back
    with pytest.raises(SpeedlogError, match="changed again since"):
        take_back(book, scope, one.key)
    assert facts(book) == before and len(changes(book, scope)) == 2


def test_what_another_has_taken_since_is_refused(book: Logbook) -> None:
    amend(book, 1, Corrections(number=9), "moved")
    amend(book, 2, Corrections(number=1), "first of the day")
    scope = pass_scope(book, 1)
    with pytest.raises(SpeedlogError, match="number 1 is another pass's by now"):
        take_back(book, scope, changes(book, scope)[0].key)


def test_a_change_of_the_day_alone_is_none_of_its_passes(book: Logbook) -> None:
    """A tap on a pass's page must not drop the course of the whole day."""
    amend(book, 1, Corrections(note="Mine."), "a try")
    amend_session(book, 1, Corrections(course_id=0), "unknown")
    assert [item.reason for item in changes(book, pass_scope(book, 1))] == ["a try"]
    assert changes(book, pass_scope(book, 2)) == []


def test_a_change_of_another_pass_is_none_here(book: Logbook) -> None:
    amend(book, 2, Corrections(note="Mine."), "a try")
    key = changes(book, pass_scope(book, 2))[0].key
    with pytest.raises(SpeedlogError, match="no such change"):
        take_back(book, pass_scope(book, 1), key)


def test_what_a_log_brought_along_is_not_typed(book: Logbook) -> None:
    with book.writing("a longer log"):
        book.run("UPDATE pass SET end_utc = '2026-08-22T23:00:00Z' WHERE id = 1")
    assert not changes(book, pass_scope(book, 1))[0].can_go_back


def test_a_session_is_put_right_and_back_by_itself(book: Logbook) -> None:
    before = facts(book)
    amend_session(book, 1, Corrections(date="2026-08-21", session_weather={"qnh": "1001 hPa"}), "misread")
    assert rows.pass_row(book, 2).date == "2026-08-21" and rows.pass_row(book, 2).weather["qnh"] == "1001 hPa"
    assert amendments(book, 3)[-1].reason == "misread"
    take_back(book, Scope(1), changes(book, Scope(1))[0].key)
    assert facts(book) == before


@pytest.mark.parametrize(
    ("wanted", "problem"),
    [
        (Corrections(session_weather={"temperature": "warm"}), "temperature"),
        (Corrections(session_weather={"mood": "fine"}), "not a key"),
        (Corrections(session_weather={"humidity": ""}), "the session has no humidity"),
        (Corrections(session_weather={"elevation": ""}), "needs the elevation"),
        (Corrections(), "nothing to change"),
    ],
)
def test_a_mistake_changes_nothing_of_a_session(book: Logbook, wanted: Corrections, problem: str) -> None:
    before = facts(book)
    with pytest.raises(SpeedlogError) as error:
        amend_session(book, 1, wanted, "a try")
    assert problem in str(error.value) and facts(book) == before


def test_that_none_was_read_out_is_kept(book: Logbook) -> None:
    assert not rows.pass_row(book, 3).no_figure
    amend(book, 3, Corrections(no_figure=True), "none was read out")
    assert rows.pass_row(book, 3).no_figure
    with pytest.raises(SpeedlogError, match="nothing to change"):
        amend(book, 3, Corrections(no_figure=True), "again")
    amend(book, 3, Corrections(trap="172.0 mph"), "they found it")  # a figure goes before
    row = rows.pass_row(book, 3)
    assert (row.trap_text, row.no_figure) == ("172.0 mph", False)
    amend(book, 3, Corrections(trap=""), "another car's")  # to be asked for again
    assert not rows.pass_row(book, 3).no_figure
    with pytest.raises(SpeedlogError, match="Say one of them"):
        amend(book, 3, Corrections(trap="172.0 mph", no_figure=True), "a try")
    amend(book, 3, Corrections(no_figure=True), "none after all")
    amend(book, 3, Corrections(no_figure=False), "it comes later")
    assert not rows.pass_row(book, 3).no_figure


def test_nothing_is_taken_out_twice(book: Logbook) -> None:
    amend(book, 1, Corrections(measured={"motor_temp_after": ""}), "misread")
    assert dict(rows.pass_row(book, 1).measured) == {}
    with pytest.raises(SpeedlogError, match="says nothing of motor_temp_after"):
        amend(book, 1, Corrections(measured={"motor_temp_after": ""}), "again")
    amend(book, 1, Corrections(measured={"motor_temp_after": "39 °C"}), "read again")
    assert dict(rows.pass_row(book, 1).measured) == {"motor_temp_after": "39 °C"}
