"""From any older logbook to this version, a step at a time, in one transaction, after a backup beside it."""

from __future__ import annotations

import datetime as dt
import secrets
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib import resources
from pathlib import Path

import speedlog
from speedlog.errors import SpeedlogError
from speedlog.logbook.trouble import RESTORE

VERSION = 1
APPLICATION = 0x53504C47  # "SPLG" in the file's header: how a logbook is told from other SQLite files
Step = Callable[[sqlite3.Connection], None]

# number of the version that a step starts from -> the step; each runs inside the one transaction, and must use
# neither BEGIN, COMMIT nor executescript (which commits)
STEPS: Mapping[int, Step] = {}


def statements(text: str) -> list[str]:
    """The statements of an SQL text, one by one, triggers whole."""
    found: list[str] = []
    begun = ""
    for line in text.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            found.append(begun.strip())
            begun = ""
    return found


def schema() -> str:
    """The text of schema.sql."""
    return (resources.files("speedlog.logbook") / "schema.sql").read_text(encoding="utf-8")


def check_kind(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a file (0 of an empty one, as SQLite has it).

    Raises:
        SpeedlogError: another program's file, or a logbook of a newer version.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    kind = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if kind != APPLICATION and _tables(connection):
        raise SpeedlogError(
            "an SQLite file of another program, not a logbook", file=path, todo="Choose another file."
        )
    if version > VERSION:
        raise SpeedlogError(
            f"made by a newer speedlog (version {version} of the file; this one knows up to {VERSION})",
            file=path,
            todo="Update speedlog on this computer: python -m pip install --upgrade speedlog",
        )
    return version


def bring_up(
    connection: sqlite3.Connection,
    path: Path,
    *,
    read_only: bool = False,
    steps: Mapping[int, Step] | None = None,
    version: int = VERSION,
) -> Path | None:
    """Make the tables of an empty file, or climb the ladder; the backup's path where one was made.

    Raises:
        SpeedlogError: an older file that may not be written, or a step that is missing.
    """
    found = check_kind(connection, path)
    if found == version and _tables(connection):
        return None
    if read_only:
        raise SpeedlogError(
            "of an older version, and may not be written",
            file=path,
            todo="Open it once where it may be written.",
        )
    backup = _backup(connection, path, found) if _tables(connection) else None
    connection.execute("BEGIN IMMEDIATE")
    try:
        _climb(connection, path, STEPS if steps is None else steps, version)
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise
    return backup


def _climb(connection: sqlite3.Connection, path: Path, steps: Mapping[int, Step], version: int) -> None:
    if not _tables(connection):
        _begin(connection, version)
        return
    # read again inside the transaction: another program may have climbed meanwhile
    for number in range(check_kind(connection, path), version):
        if number not in steps:
            raise SpeedlogError(f"of version {number}, which nobody can bring up", file=path, todo=RESTORE)
        steps[number](connection)
    wrong = connection.execute("PRAGMA foreign_key_check").fetchall()
    if wrong:
        raise SpeedlogError(
            f"can't be brought to version {version}: {len(wrong)} rows have lost what they belong to",
            file=path, todo=RESTORE,
        )  # fmt: skip
    connection.execute(f"PRAGMA user_version = {version:d}")


def _begin(connection: sqlite3.Connection, version: int) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION:d}")
    for statement in statements(schema()):
        connection.execute(statement)
    made_at = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    connection.execute(
        "INSERT INTO logbook VALUES (1, ?, ?, ?)",
        (secrets.token_hex(16), made_at, f"speedlog {speedlog.__version__}"),
    )
    connection.execute(f"PRAGMA user_version = {version:d}")


def _tables(connection: sqlite3.Connection) -> bool:
    return connection.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone() is not None


def _backup(connection: sqlite3.Connection, path: Path, version: int) -> Path:
    """A copy beside the file, whole or not there; made anew each time: it holds all that an older one held."""
    copy = path.with_name(f"{path.stem}.before-version-{version + 1}{path.suffix}")
    part = copy.with_name(copy.name + ".part")
    part.unlink(missing_ok=True)
    try:
        target = sqlite3.connect(part)
        try:
            connection.backup(target)
        finally:
            target.close()
        part.replace(copy)
    except OSError as error:
        raise SpeedlogError(
            f"can't be copied before it is brought up ({error.strerror})", file=path, todo="Check the disk."
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return copy
