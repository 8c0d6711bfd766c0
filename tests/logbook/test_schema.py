"""Facts are kept for good: the triggers, tried on every table and every column."""

from __future__ import annotations

import sqlite3

import pytest

from speedlog.logbook.store import Logbook

FACTS = ("recording", "course", "session", "pass", "target", "rule")
NEVER = {"id", "uid", "added_at", "set_at"}


def columns(book: Logbook, table: str) -> list[sqlite3.Row]:
    return book.rows(f"PRAGMA table_info({table})")


def fill_targets(book: Logbook) -> None:
    for sql in (
        "INSERT INTO target (uid, ladder, speed_text, set_at) VALUES ('t', 'trap', '190 mph', 'now')",
        "INSERT INTO rule (uid, name, window_s, mean, set_at) VALUES ('r', 'ours', 3600, 'times', 'now')",
        "INSERT INTO course (uid, name, content_id) VALUES ('c', 'elsewhere', 1)",
        "INSERT INTO session (uid, name, added_at) VALUES ('s', 'another', 'now')",
    ):
        book.run(sql)


@pytest.mark.parametrize("table", [*FACTS, "measured", "pass_recording", "content", "logbook"])
def test_no_fact_can_be_deleted(book: Logbook, table: str) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="kept for good"), book.writing("a try"):
        fill_targets(book)
        book.run(f"DELETE FROM {table}")
    assert book.row("SELECT count(*) AS n FROM pass")["n"] == 3  # type: ignore[index]


def test_what_was_amended_stays(book: Logbook) -> None:
    with book.writing("a note"):
        book.run("UPDATE pass SET note = 'x' WHERE id = 1")
    for sql in ("DELETE FROM amendment", "UPDATE amendment SET old = 'other'"):
        with pytest.raises(sqlite3.IntegrityError), book.writing("a try"):
            book.run(sql)


@pytest.mark.parametrize("table", FACTS)
def test_a_change_of_any_field_leaves_old_new_moment_and_reason(book: Logbook, table: str) -> None:
    other = {"INTEGER": 2, "REAL": 7.5, "TEXT": "other"}
    special = {"weather": '{"a":"b"}', "setup": '{"a":"b"}', "stated": '["a"]', "clock": "elapsed", "ladder": "gnss",
               "mean": "speeds", "number": 77, "content_id": None, "columns_id": 1}  # fmt: skip
    with book.writing("to begin"):
        fill_targets(book)
    for column in columns(book, table):
        name = column["name"]
        if name in NEVER or (name == "content_id" and table == "recording"):
            with pytest.raises(sqlite3.IntegrityError, match="never change"), book.writing("a try"):
                book.run(f"UPDATE {table} SET {name} = 999")
            continue
        value = special.get(name, other[column["type"]])
        row = book.row(f"SELECT * FROM {table} ORDER BY id DESC LIMIT 1")
        assert row is not None
        if name == "content_id":
            value = book.row("SELECT min(id) + 2 AS id FROM content")["id"]  # type: ignore[index]
        before = book.row("SELECT count(*) AS n FROM amendment")["n"]  # type: ignore[index]
        with book.writing("because"):
            book.run(f"UPDATE {table} SET {name} = ? WHERE id = ?", (value, row["id"]))
        noted = book.rows("SELECT * FROM amendment WHERE id > ?", (before,))
        assert len(noted) == 1, f"{table}.{name}"
        found = dict(noted[0])
        assert (found["what"], found["whose"], found["field"]) == (table, row["uid"], name)
        assert found["reason"] == "because" and found["at"].endswith("Z")
        assert str(found["new"]) == str(value)
        assert found["old"] == (None if row[name] is None else str(row[name]))


def test_an_equal_value_is_no_change(book: Logbook) -> None:
    with book.writing("because"):
        book.run("UPDATE pass SET note = note, number = number")
    assert not book.rows("SELECT * FROM amendment")


def test_what_was_measured_is_amended_with_its_moment(book: Logbook) -> None:
    with book.writing("misread"):
        book.run("UPDATE measured SET text = '39 °C', entered_at = 'later'")
    found = {row["field"]: row for row in book.rows("SELECT * FROM amendment")}
    assert set(found) == {"motor_temp_after", "motor_temp_after.entered_at"}
    assert (found["motor_temp_after"]["old"], found["motor_temp_after"]["new"]) == ("38 °C", "39 °C")
    assert found["motor_temp_after"]["whose"] == book.row("SELECT uid FROM pass WHERE id = 1")["uid"]  # type: ignore[index]


def test_no_reason_no_change(book: Logbook) -> None:
    with book.writing("to begin"):
        fill_targets(book)
    for table in [*FACTS, "measured", "pass_recording"]:
        name = columns(book, table)[-1]["name"]
        with pytest.raises(sqlite3.IntegrityError, match="needs a reason"):
            book.connection.execute(f"UPDATE {table} SET {name} = {name}")
    assert not book.rows("SELECT * FROM reason"), "a reason outlives its transaction"


def test_replace_is_no_way_round(book: Logbook) -> None:
    """SQLite's REPLACE deletes; without recursive_triggers it would do so past the triggers."""
    with pytest.raises(sqlite3.IntegrityError, match="kept for good"), book.writing("a try"):
        book.run("INSERT OR REPLACE INTO measured VALUES (1, 'motor_temp_after', '1 °C', 'now')")


def test_kept_bytes_never_change(book: Logbook) -> None:
    for sql in ("sha256 = lower(hex(randomblob(32)))", "size = 1"):
        with pytest.raises(sqlite3.IntegrityError, match="never change"), book.writing("a try"):
            book.run(f"UPDATE content SET {sql} WHERE id = 1")
