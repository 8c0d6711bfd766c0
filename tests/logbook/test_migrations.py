"""The ladder: an invented version 0 brought up in one transaction, after a backup; killed anywhere, nothing is lost."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import migrations, rows
from speedlog.logbook.store import Logbook
from tests.logbook.processes import FORKS, in_child, kill_at_statement, sound

BACKUP = "logbook.before-version-1.db"


def make_old(path: Path) -> None:
    """A logbook as an invented version 0 would have it: without the notes' column, and with the passes' cars."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("DROP TRIGGER pass_changed")
    connection.execute("ALTER TABLE pass DROP COLUMN note")
    connection.execute("ALTER TABLE pass ADD COLUMN car TEXT")
    connection.execute("UPDATE pass SET car = 'of the pass'")
    connection.execute("PRAGMA user_version = 0")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()


def step_0(connection: sqlite3.Connection) -> None:
    """To version 1: the cars go into the notes."""
    connection.execute("ALTER TABLE pass ADD COLUMN note TEXT NOT NULL DEFAULT ''")
    connection.execute("UPDATE pass SET note = car")
    connection.execute("ALTER TABLE pass DROP COLUMN car")
    for statement in migrations.statements(migrations.schema()):
        if statement.startswith("CREATE TRIGGER pass_changed"):
            connection.execute(statement)


@pytest.fixture
def old(kept_copy: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    make_old(kept_copy)
    monkeypatch.setattr(migrations, "STEPS", {0: step_0})
    return kept_copy


def test_an_older_logbook_is_brought_up_and_its_old_form_kept(old: Path) -> None:
    before = old.read_bytes()
    with Logbook.open(old) as book:
        assert [row.note for row in rows.passes(book)] == ["of the pass"] * 3
        assert book.rows("PRAGMA user_version")[0][0] == 1
        with book.writing("a test"):
            book.run("UPDATE pass SET note = 'x' WHERE id = 1")
        assert len(book.rows("SELECT * FROM amendment")) == 1
    assert sound(old) == []
    copy = old.with_name(BACKUP)
    with sqlite3.connect(copy) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == 0
        assert connection.execute("SELECT count(car) FROM pass").fetchone()[0] == 3
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()
    assert len(copy.read_bytes()) == len(before)


def test_opened_again_nothing_happens(old: Path) -> None:
    Logbook.open(old).close()
    copy = old.with_name(BACKUP)
    copy.unlink()
    Logbook.open(old).close()
    assert not copy.exists()


def test_a_step_that_fails_leaves_the_old_form(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(connection: sqlite3.Connection) -> None:
        step_0(connection)
        raise ZeroDivisionError

    monkeypatch.setattr(migrations, "STEPS", {0: fails})
    with pytest.raises(ZeroDivisionError):
        Logbook.open(old)
    assert form(old) == "old"


def test_a_step_that_loses_what_rows_belong_to_is_refused(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def loses(connection: sqlite3.Connection) -> None:
        step_0(connection)
        connection.execute("DROP TRIGGER session_kept")
        connection.execute("PRAGMA defer_foreign_keys = ON")
        connection.execute("DELETE FROM session")

    monkeypatch.setattr(migrations, "STEPS", {0: loses})
    with pytest.raises(SpeedlogError, match="lost what they belong to"):
        Logbook.open(old)
    assert form(old) == "old"


def test_a_version_that_nobody_knows(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(migrations, "STEPS", {})
    with pytest.raises(SpeedlogError, match="nobody can bring up"):
        Logbook.open(old)


def test_read_only_an_older_form_is_not_touched(old: Path) -> None:
    with pytest.raises(SpeedlogError, match="of an older version"):
        Logbook.open(old, read_only=True)
    assert form(old) == "old" and not old.with_name(BACKUP).exists()


def test_the_statements_of_the_schema_are_whole() -> None:
    """As many as sqlite3's own reading of the whole script makes objects."""
    connection = sqlite3.connect(":memory:")
    connection.executescript(migrations.schema())
    made = connection.execute("SELECT count(*) FROM sqlite_schema WHERE sql IS NOT NULL").fetchone()[0]
    assert len(migrations.statements(migrations.schema())) == made


def form(path: Path) -> str:
    """Which form a file has; an AssertionError if it is neither whole."""
    with sqlite3.connect(path) as connection:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        columns = {row[1] for row in connection.execute("PRAGMA table_info(pass)")}
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert connection.execute("SELECT count(*) FROM pass").fetchone()[0] == 3
    connection.close()
    assert (version, "car" in columns, "note" in columns) in ((0, True, False), (1, False, True))
    return "new" if version else "old"


def open_and_die(path: Path, number: int) -> str:
    """Brings a file up and is killed at a statement of it."""
    from speedlog.logbook import store

    bring_up = migrations.bring_up

    def counted(connection: sqlite3.Connection, *values: object, **named: object) -> object:
        kill_at_statement(Logbook(path, connection), number)
        return bring_up(connection, *values, **named)  # type: ignore[arg-type]

    store.migrations.bring_up = counted  # type: ignore[assignment]
    Logbook.open(path).close()
    return "lived"


@pytest.mark.skipif(not FORKS, reason="needs SIGKILL")
def test_killed_at_any_statement_it_is_the_old_form_or_the_new(old: Path, tmp_path: Path) -> None:
    data = old.read_bytes()
    seen = set()
    for number in range(40):
        path = tmp_path / f"{number}" / "logbook.db"
        path.parent.mkdir()
        path.write_bytes(data)
        code, told = in_child(open_and_die, path, number)
        seen.add(form(path))
        with Logbook.open(path) as book:  # the next start goes on
            assert [row.note for row in rows.passes(book)] == ["of the pass"] * 3
        assert sound(path) == [] and path.with_name(BACKUP).exists()
        if told == "lived":
            break
        assert code == -9
    assert told == "lived" and number > 8 and seen == {"old", "new"}
