"""A hard life: locks, full disks, no rights, damage, strangers' files. Nothing lost, one clear line."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import content, migrations, rows, store
from speedlog.logbook.add import FileOptions, add_files, add_session
from speedlog.logbook.store import Logbook
from speedlog.logbook.where import VARIABLE, logbook_path
from speedlog.session import load_session
from tests.logbook.processes import FORKS, Child, in_child, sound

needs_posix = pytest.mark.skipif(not FORKS, reason="needs processes made by fork, and POSIX rights")


def one_line(error: pytest.ExceptionInfo[SpeedlogError]) -> str:
    text = str(error.value)
    assert "\n" not in text and error.value.todo
    return text


def test_where_it_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "told.db"))
    assert logbook_path(tmp_path / "asked.db") == tmp_path / "asked.db"
    assert logbook_path() == tmp_path / "told.db"
    monkeypatch.delenv(VARIABLE)
    assert logbook_path().name == "logbook.db" and logbook_path().parent.name == "speedlog"


def test_none_there_yet(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError) as error:
        Logbook.open(tmp_path / "logbook.db")
    assert "no logbook there yet" in one_line(error) and not list(tmp_path.iterdir())
    with pytest.raises(SpeedlogError) as error:
        Logbook.open(tmp_path, create=True)
    assert "a folder" in one_line(error)


def test_an_old_sqlite_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store.sqlite3, "sqlite_version_info", (3, 36, 9))
    with pytest.raises(SpeedlogError) as error:
        Logbook.open(tmp_path / "logbook.db", create=True)
    assert "3.37 or newer" in one_line(error) and not list(tmp_path.iterdir())


def test_a_name_with_signs_that_mean_something_in_an_address(tmp_path: Path) -> None:
    path = tmp_path / "season #1 ?mode=ro&x=%41 ü.db"
    Logbook.open(path, create=True).close()
    assert path.exists() and sound(path) == []


def test_a_transaction_is_all_or_nothing(book: Logbook) -> None:
    with pytest.raises(ZeroDivisionError), book.writing("a try"):
        book.run("UPDATE pass SET note = 'half'")
        raise ZeroDivisionError
    assert not book.rows("SELECT 1 FROM pass WHERE note = 'half'") and not book.rows(
        "SELECT 1 FROM amendment"
    )


def test_reading_sees_one_state(book: Logbook) -> None:
    with book.reading():
        before = book.row("SELECT note FROM pass WHERE id = 1")
        with Logbook.open(book.path) as other, other.writing("meanwhile"):
            other.run("UPDATE pass SET note = 'new' WHERE id = 1")
        assert book.row("SELECT note FROM pass WHERE id = 1") == before
    after = book.row("SELECT note FROM pass WHERE id = 1")
    assert after is not None and after["note"] == "new"


def test_every_commit_reaches_the_disk(book: Logbook) -> None:
    """synchronous = FULL (2) in WAL mode: a commit outlives a loss of power (SQLite's documentation, pragma.html)."""
    assert book.rows("PRAGMA journal_mode")[0][0] == "wal" and book.rows("PRAGMA synchronous")[0][0] == 2
    assert book.rows("PRAGMA foreign_keys")[0][0] == 1


def test_another_program_that_writes_too_long_is_one_line(book: Logbook) -> None:
    with book.writing("long work"), Logbook.open(book.path, wait_s=0.1) as other:
        assert len(rows.passes(other)) == 3, "reading goes on meanwhile"
        with pytest.raises(SpeedlogError) as error, other.writing("in between"):
            pass
    assert "another program is writing" in one_line(error)


def add_one(path: Path, files: list[Path], course: Path) -> str:
    with Logbook.open(path, create=True) as book:
        return ", ".join(str(item.new) for item in add_files(book, files, FileOptions(course=course)).passes)


@needs_posix
def test_two_processes_that_add_at_once_both_get_in(day_folder: Path, tmp_path: Path) -> None:
    """Into a file that neither finds there; the same pass from both is one."""
    path, course = tmp_path / "logbook.db", day_folder / "course.toml"
    jobs = [["p01_front.nmea"], ["p01_rear.csv"], ["p01_front.nmea"], ["p03_rear.csv"]]
    children = [Child(add_one, path, [day_folder / name for name in names], course) for names in jobs]
    done = [child.end() for child in children]
    assert {code for code, _ in done} == {0} and not any("error" in told for _, told in done), done
    assert sound(path) == []
    with Logbook.open(path) as book:
        assert len(rows.passes(book)) == 2 and len(rows.recordings(book)) == 3
        assert len({row.session_id for row in rows.passes(book)}) == 1


def test_a_full_disk_is_one_line_and_nothing_is_lost(book: Logbook, day_folder: Path, tmp_path: Path) -> None:
    """SQLite's own limit of pages stands for the disk's."""
    pages = book.rows("PRAGMA page_count")[0][0]
    other = tmp_path / "more.nmea"
    other.write_bytes(
        (day_folder / "p01_front.nmea").read_bytes() + (day_folder / "p02_front.nmea").read_bytes()
    )
    before = book.rows("SELECT count(*) FROM recording")[0][0]
    book.rows(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(SpeedlogError) as error:
        add_files(book, [other], FileOptions())
    assert "disk is full" in one_line(error)
    assert book.rows("SELECT count(*) FROM recording")[0][0] == before
    book.rows("PRAGMA max_page_count = 100000")
    assert not any(item.new for item in add_files(book, [other], FileOptions()).passes)
    assert sound(book.path) == []


@needs_posix
def test_a_disk_that_takes_no_more_bytes(kept_copy: Path, day_folder: Path, tmp_path: Path) -> None:
    """The system itself refuses to write beyond a size (RLIMIT_FSIZE), in the log written ahead."""
    import resource

    other = tmp_path / "more.nmea"
    other.write_bytes(
        (day_folder / "p01_front.nmea").read_bytes() + (day_folder / "p02_front.nmea").read_bytes()
    )
    course = day_folder / "course.toml"
    for most in (4096, 20_000, 45_000):
        code, told = in_child(
            add_one,
            kept_copy,
            [other],
            course,
            before=lambda n=most: resource.setrlimit(resource.RLIMIT_FSIZE, (n, n)),
        )
        assert code == 0 and told.startswith("error: ") and "\n" not in told, told
        assert "unharmed" in told or "full" in told
        assert sound(kept_copy) == []
    assert in_child(add_one, kept_copy, [other], course) == (0, "False, False")


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that another user of this computer can reach (pytest's own is closed to them)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


def _nobody() -> None:
    if os.getuid() == 0:  # root may write anywhere
        os.setgid(65534)
        os.setuid(65534)


def read_and_write(path: Path) -> str:
    with Logbook.open(path, read_only=True) as book:
        told = f"{len(rows.passes(book))} passes; "
        told += f"{len(rows.originals(book, 1)[0][1])} bytes; "
    try:
        with Logbook.open(path) as book, book.writing("a try"):
            book.run("UPDATE pass SET note = 'x'")
    except SpeedlogError as error:
        return told + str(error)
    return told + "written"


@needs_posix
@pytest.mark.parametrize("rights", [(0o444, 0o555), (0o444, 0o755), (0o644, 0o555)], ids=str)
def test_without_rights_it_is_read_and_not_written(
    kept_file: Path, open_folder: Path, rights: tuple[int, int]
) -> None:
    path = Path(shutil.copy(kept_file, open_folder / "logbook.db"))
    before = path.read_bytes()
    path.chmod(rights[0])
    open_folder.chmod(rights[1])
    code, told = in_child(read_and_write, path, before=_nobody)
    assert code == 0 and told.startswith("3 passes; 95822 bytes; "), told
    assert "can't be" in told and "rights" in told and "\n" not in told
    assert path.read_bytes() == before


def test_of_a_newer_version(kept_copy: Path) -> None:
    with sqlite3.connect(kept_copy) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = kept_copy.read_bytes()
    for read_only in (False, True):
        with pytest.raises(SpeedlogError) as error:
            Logbook.open(kept_copy, read_only=read_only)
        assert "newer speedlog (version 99" in one_line(error) and "Update speedlog" in one_line(error)
    assert kept_copy.read_bytes() == before


def test_another_programs_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE mine (x)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(SpeedlogError) as error:
        Logbook.open(path, create=True)
    assert "another program" in one_line(error)
    assert path.read_bytes() == before and len(list(tmp_path.iterdir())) == 1


def test_a_text_file(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    path.write_text("These are my notes of the season.\n" * 100, encoding="utf-8")
    for read_only in (False, True):
        with pytest.raises(SpeedlogError) as error:
            Logbook.open(path, read_only=read_only)
        assert "not a logbook" in one_line(error)


@needs_posix
def test_where_programs_cannot_share_memory_it_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's "unix-dotfile" way of locking knows no shared memory, as a network folder: it answers no to WAL."""

    def on_a_share(path: Path, mode: str, wait_s: float) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"file:{path}?mode={mode}&vfs=unix-dotfile", uri=True, isolation_level=None
        )
        connection.row_factory = sqlite3.Row
        return connection

    monkeypatch.setattr(store, "_opened", on_a_share)
    with pytest.raises(SpeedlogError) as error:
        Logbook.open(tmp_path / "logbook.db", create=True)
    assert "network share" in one_line(error) and "logbook backup" in one_line(error)
    assert not list(tmp_path.iterdir()), "an empty file was left behind"


def use(path: Path) -> None:
    """All that a reader does."""
    with Logbook.open(path) as book:
        for row in rows.passes(book):
            rows.review_json(book, row.id)
            rows.originals(book, row.id)
            rows.course_of(book, row.id)
        rows.sessions(book)
        with book.writing("a try"):
            book.run("UPDATE pass SET note = note || '.'")


@pytest.mark.parametrize("seed", range(4))
def test_a_flipped_byte_or_a_cut_ends_in_one_line_or_in_nothing(
    kept_file: Path, tmp_path: Path, seed: int
) -> None:
    """Anywhere in the file: never anything but the one error. What the hashes cover never comes out changed."""
    random = Random(seed)
    data = kept_file.read_bytes()
    told = 0
    for n in range(40):
        path = tmp_path / f"{n}.db"
        spoilt = bytearray(data)
        if n % 4 == 3:
            del spoilt[random.randrange(1, len(data)) :]
        else:
            # the first pages hold the tables' roots: hit them as often as all the rest
            place = random.randrange(len(data) if n % 2 else 40_000)
            spoilt[place] ^= 1 << random.randrange(8)
        path.write_bytes(spoilt)
        try:
            use(path)
        except SpeedlogError as error:
            told += 1
            assert "\n" not in str(error)
    assert told >= 5, "most of the ten cuts must be noticed"


def test_damage_in_an_original_is_found_by_its_hash(book: Logbook) -> None:
    with book.writing("a test"):
        row = book.row("SELECT id, packed FROM content WHERE packing = 'lzma' ORDER BY size DESC LIMIT 1")
        assert row is not None
        place = len(row["packed"]) // 2
        packed = bytearray(row["packed"])
        packed[place] ^= 4
        book.run("UPDATE content SET packed = ? WHERE id = ?", (bytes(packed), row["id"]))
    with pytest.raises(SpeedlogError, match="are damaged"):
        content.get(book, row["id"])


def test_a_logbook_is_the_same_after_a_copy(kept_file: Path, tmp_path: Path, day_folder: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(kept_file, copy)
    with Logbook.open(copy) as book:
        done = add_session(book, load_session(day_folder / "session.toml"))
        assert not any(item.new or item.filled for item in done.passes)
        assert migrations.check_kind(book.connection, copy) == migrations.VERSION
