"""The logbook's file: opened, read and written in transactions; every trouble is told in one line.

Written ahead to a log (WAL) and flushed at every commit: whoever is killed at any moment, or loses power, finds
either all of a change or nothing of it. Facts change only inside `writing(reason)`; the schema's triggers note
the old value, the new one, the moment and the reason by themselves.
"""

from __future__ import annotations

import datetime as dt
import secrets
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import quote

from speedlog.errors import SpeedlogError
from speedlog.logbook import migrations
from speedlog.logbook.trouble import not_a_local_disk, told, told_of_text
from speedlog.settings import LogbookSettings

_LEAST_SQLITE = (3, 37)  # STRICT tables, https://www.sqlite.org/stricttables.html


def now_text() -> str:
    """This moment, ISO 8601 in UTC with Z."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_uid() -> str:
    """32 hex digits by which a row is known in any logbook."""
    return secrets.token_hex(16)


class Logbook:
    """An open logbook; `with Logbook.open(path) as book:` closes it."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection

    @classmethod
    def open(
        cls, path: Path, *, create: bool = False, read_only: bool = False, wait_s: float | None = None
    ) -> Logbook:
        """Open a logbook of this version, or bring an older one up to it (after a backup beside it).

        Args:
            create: make the file, and its folder, where there is none.
            read_only: nothing is written, not even a migration; works on a disk that can't be written.
            wait_s: for other programs that write; that of the settings if None.

        Raises:
            SpeedlogError: there is none, it is damaged, of a newer version, no logbook, or can't be used there.
        """
        if sqlite3.sqlite_version_info < _LEAST_SQLITE:
            raise SpeedlogError(
                f"this Python brings SQLite {sqlite3.sqlite_version}; a logbook needs 3.37 or newer",
                todo="Install Python from python.org, or a newer one.",
            )
        new = _check_there(path, create)
        connection = _connect(path, read_only, LogbookSettings().wait_s if wait_s is None else wait_s)
        try:
            with told_of_text(path):
                _set_up(connection, path, read_only)
                migrations.bring_up(connection, path, read_only=read_only)
        except BaseException:
            connection.close()
            if new and path.exists() and not path.stat().st_size:
                path.unlink()  # nothing came of it
            raise
        return cls(path, connection)

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query."""
        with told_of_text(self.path):
            return self.connection.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Row | None:
        """The first row of a query, or None."""
        with told_of_text(self.path):
            found: sqlite3.Row | None = self.connection.execute(sql, values).fetchone()
        return found

    def run(self, sql: str, values: Sequence[Any] = ()) -> int:
        """Run a statement inside `writing`; the id of the row it made, where it made one."""
        with told_of_text(self.path):
            return self.connection.execute(sql, values).lastrowid or 0

    @contextmanager
    def reading(self) -> Iterator[Logbook]:
        """One state of the file for all queries inside."""
        with told(self.path):
            self.connection.execute("BEGIN")
            try:
                yield self
            finally:
                self._roll_back()

    @contextmanager
    def writing(self, reason: str) -> Iterator[Logbook]:
        """A transaction: all of what is done inside, or nothing of it.

        Args:
            reason: kept with every fact that is changed inside.
        """
        with told(self.path):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                self.connection.execute(
                    "INSERT OR REPLACE INTO reason VALUES (1, ?, ?)", (reason, now_text())
                )
                yield self
                self.connection.execute("DELETE FROM reason")
                self.connection.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    def close(self) -> None:
        self.connection.close()

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):  # SQLite may have rolled back already
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _check_there(path: Path, create: bool) -> bool:
    """Whether the file is still to be made."""
    try:
        if path.is_dir():
            raise SpeedlogError("a folder, not a logbook", file=path, todo="Name the file in it.")
        if path.exists():
            return False
        if not create:
            raise SpeedlogError(
                "no logbook there yet",
                file=path,
                todo="Begin one with: speedlog add FILE… (see: speedlog add --help)",
            )
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SpeedlogError(
            f"can't be used ({error.strerror})", file=path, todo="Check the folder and its rights."
        ) from None
    return True


def _connect(path: Path, read_only: bool, wait_s: float) -> sqlite3.Connection:
    with told(path):
        if not read_only:
            return _opened(path, "rwc", wait_s)
        connection = _opened(path, "ro", wait_s)
        try:
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.OperationalError:
            # on a disk that can't be written the shared memory of the log can't be made: if no log is left
            # behind, the file itself is whole
            connection.close()
            log = path.with_name(path.name + "-wal")
            if log.exists() and log.stat().st_size:
                raise
            return _opened(path, "ro&immutable=1", wait_s)
        return connection


def _opened(path: Path, mode: str, wait_s: float) -> sqlite3.Connection:
    place = path.absolute().as_posix()
    # https://www.sqlite.org/uri.html: a drive letter stands after a slash, and a share's name after four
    place = "//" + place if place.startswith("//") else place if place.startswith("/") else "/" + place
    address = f"file:{quote(place)}?mode={mode}"
    connection = sqlite3.connect(address, uri=True, timeout=wait_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def _set_up(connection: sqlite3.Connection, path: Path, read_only: bool) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA recursive_triggers = ON")  # so that REPLACE can't delete past the triggers
    if read_only:
        connection.execute("PRAGMA query_only = ON")
        return
    migrations.check_kind(connection, path)  # before anything is written into a stranger's file
    if connection.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
        raise not_a_local_disk(path)
    connection.execute("PRAGMA synchronous = FULL")
