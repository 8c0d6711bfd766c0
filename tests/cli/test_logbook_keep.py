"""speedlog logbook verify, backup and merge: what they print and how they end."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from speedlog.cli import logbook_keep
from speedlog.demo import sample_folder
from speedlog.logbook import content
from speedlog.logbook import verify as checks
from speedlog.logbook.store import Logbook
from tests.logbook.kept import keep_rows, kept


@pytest.fixture
def run():
    app = typer.Typer()
    for name in ("verify", "backup", "merge"):
        app.command(name)(getattr(logbook_keep, name))

    def call(*words: object):
        return CliRunner().invoke(app, [str(word) for word in words])

    return call


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A logbook of two passes without logs."""
    file = tmp_path / "logbook.db"
    with Logbook.open(file, create=True) as book:
        keep_rows(book, [kept(1, trap=80.0, trap_text="80 m/s"), kept(2, trap_text="82 m/s")])
        with book.writing("a real course"):
            course = content.put(book, (sample_folder() / "course.toml").read_bytes())
            book.run("UPDATE course SET content_id = ?", (course,))
    return file


def test_verify_says_what_it_found_and_ends_with_1_where_something_is_wrong(
    run, path: Path, tmp_path: Path
) -> None:
    done = run("verify", "--logbook", path, "--no-review")
    assert done.exit_code == 0, done.output
    assert done.stdout == "2 files hashed, 0 of 2 passes reviewed again: no trouble found.\n"
    done = run("verify", "--logbook", path, "--json", tmp_path / "found.json")
    found = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    # these rows were made of no facts: their results are stale, and no damage
    assert done.exit_code == 0 and [item["kind"] for item in found["troubles"]] == ["stale", "stale"]
    assert "2 to be reviewed anew: speedlog logbook refresh" in done.stdout
    with Logbook.open(path) as book, book.writing("a test"):
        book.run("UPDATE content SET packed = zeroblob(3)")
    done = run("verify", "--logbook", path, "--no-review")
    assert done.exit_code == logbook_keep.FOUND and "are damaged" in done.stdout


def test_backup_says_what_is_in_the_copy(run, path: Path, tmp_path: Path) -> None:
    done = run("backup", tmp_path / "copy.db", "--logbook", path)
    assert done.exit_code == 0 and done.stdout.startswith("Copied and read back: 2 passes, 0 logs, 0.")
    assert checks.file_troubles(Logbook.open(tmp_path / "copy.db", read_only=True)) == []


def test_merge_lists_what_changed_and_what_conflicts(run, path: Path, tmp_path: Path) -> None:
    other = Path(shutil.copy(path, tmp_path / "other.db"))
    for file, first, second in ((path, "81 m/s", "82 m/s"), (other, "79 m/s", "83 m/s")):
        with Logbook.open(file) as book, book.writing("misheard"):
            book.run("UPDATE pass SET trap_text = ? WHERE id = 1", (first,))
            book.run("UPDATE pass SET trap_text = ? WHERE id = 2", (second,))
    done = run("merge", other, "--logbook", path, "--no-review", "--json", "-")
    found = json.loads(done.stdout)
    assert found["changed"] == ["pass 2: trap_text 82 m/s → 83 m/s"]
    assert found["conflicts"] == [
        {"what": "pass 1", "field": "trap_text", "kept": "81 m/s", "other": "79 m/s"}
    ]
    done = run("merge", other, "--logbook", path, "--no-review")
    assert 'pass 1, trap_text: here "81 m/s", there "79 m/s"' in done.stdout
    assert "0 new passes, 0 new logs; 1 conflicts." in done.stdout
