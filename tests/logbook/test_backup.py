"""Copies: whole, checked, never in the place of something better."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.backup import backup
from speedlog.logbook.store import Logbook


def facts(path: Path) -> list[str]:
    """Everything in a file, as SQL text by sqlite3 itself."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return list(connection.iterdump())
    finally:
        connection.close()


def test_a_copy_holds_the_same_and_is_one_file(book: Logbook, tmp_path: Path) -> None:
    target = tmp_path / "stick" / "copy.db"
    target.parent.mkdir()
    done = backup(book, target)
    assert (done.passes, done.files, done.path) == (3, 5, target)
    assert [path.name for path in target.parent.iterdir()] == ["copy.db"]
    assert facts(target) == facts(book.path)
    with Logbook.open(target, read_only=True) as copy:
        assert rows.passes(copy) == rows.passes(book)
    assert [path.name for path in target.parent.iterdir()] == ["copy.db"]


def test_a_folder_takes_a_copy_named_after_the_minute(book: Logbook, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    done = backup(book, folder)
    assert (
        done.path.parent == folder and done.path.name.startswith("logbook 20") and done.path.suffix == ".db"
    )


def test_an_older_copy_is_replaced_and_a_fuller_one_is_not(book: Logbook, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    backup(book, target)
    shutil.copy(target, tmp_path / "fuller.db")
    with Logbook.open(tmp_path / "fuller.db") as other, other.writing("misheard"):
        other.run("UPDATE pass SET note = 'x' WHERE id = 1")
    with pytest.raises(SpeedlogError, match="holds more than this logbook does"):
        backup(book, tmp_path / "fuller.db")
    with book.writing("misheard"):
        book.run("UPDATE pass SET note = 'y' WHERE id = 1")
    backup(book, target)
    with Logbook.open(target, read_only=True) as copy:
        assert rows.pass_row(copy, 1).note == "y"


def test_nothing_else_is_written_over(book: Logbook, empty: Logbook, tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match="is the logbook itself"):
        backup(book, book.path)
    with pytest.raises(SpeedlogError, match="is another logbook"):
        backup(book, empty.path)
    text = tmp_path / "diary.txt"
    text.write_text("mine", encoding="utf-8")
    with pytest.raises(SpeedlogError, match="not a logbook"):
        backup(book, text)
    assert text.read_text(encoding="utf-8") == "mine"
    with pytest.raises(SpeedlogError, match="can't be written"):
        backup(book, tmp_path / "nowhere" / "copy.db")


def test_a_damaged_logbook_gives_no_copy(book: Logbook, tmp_path: Path) -> None:
    with book.writing("a test"):
        book.run(
            "UPDATE content SET packed = zeroblob(9) WHERE id = (SELECT content_id FROM recording LIMIT 1)"
        )
    target = tmp_path / "sub" / "copy.db"
    target.parent.mkdir()
    with pytest.raises(SpeedlogError, match="the copy is damaged"):
        backup(book, target)
    assert list(target.parent.iterdir()) == []
