"""What SQLite says when a disk, a lock or a file is in the way, in one line for the user."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from speedlog.errors import SpeedlogError

RESTORE = (
    "Copy it away as it is, then put the newest backup in its place (see: speedlog logbook backup --help)."
)
_LOCAL = "Keep the logbook on a disk of this computer, and copy it with: speedlog logbook backup."
# primary result codes: https://www.sqlite.org/rescode.html
_PROBLEMS: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: ("another program is writing in it", "Try again when that is done; nothing was changed."),
    sqlite3.SQLITE_LOCKED: ("another program is writing in it", "Try again when that is done; nothing was changed."),
    sqlite3.SQLITE_READONLY: ("it can't be written in", "Check the rights of the file and of its folder."),
    sqlite3.SQLITE_PERM: ("not allowed to open it", "Check the rights of the file and of its folder."),
    sqlite3.SQLITE_CANTOPEN: (
        "it can't be opened", f"Check its folder and their rights. {_LOCAL}",
    ),
    sqlite3.SQLITE_AUTH: ("not allowed to open it", "Check the rights of the file and of its folder."),
    sqlite3.SQLITE_FULL: ("the disk is full", "Make room and try again; what was kept before is unharmed."),
    sqlite3.SQLITE_IOERR: (
        "the disk did not take or give the bytes", "Is it full, or was it unplugged? What was kept before is unharmed.",
    ),
    sqlite3.SQLITE_CORRUPT: ("the file is damaged", RESTORE),
    sqlite3.SQLITE_NOTADB: ("not a logbook, or its first bytes are damaged", RESTORE),
    sqlite3.SQLITE_PROTOCOL: ("its locks don't work where it lies", _LOCAL),
    sqlite3.SQLITE_NOLFS: ("it is too big for this disk's format", _LOCAL),
    sqlite3.SQLITE_TOOBIG: ("a file is too big to be kept", "Cut the log, or keep it outside."),
    sqlite3.SQLITE_NOMEM: ("out of memory", "Close other programs and try again."),
}  # fmt: skip
_NO_SHARED_MEMORY = (  # SHMSIZE is none of them: a full disk says that
    sqlite3.SQLITE_IOERR_SHMOPEN, sqlite3.SQLITE_IOERR_SHMLOCK, sqlite3.SQLITE_IOERR_SHMMAP,
    sqlite3.SQLITE_IOERR_LOCK, sqlite3.SQLITE_IOERR_RDLOCK,
)  # fmt: skip


@contextmanager
def told_of_text(path: Path) -> Iterator[None]:
    """The same around single statements, where a damaged text can't even be decoded."""
    try:
        with told(path):
            yield
    except UnicodeDecodeError:
        raise damaged(path) from None


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turns errors of SQLite that are the world's into one line; mistakes of this program stay what they are.

    Raises:
        SpeedlogError: as said.
    """
    try:
        yield
    except sqlite3.Error as error:
        raise _line(error, path) or error from None


def damaged(path: Path) -> SpeedlogError:
    """A value that no version of this program has written."""
    return SpeedlogError(*_PROBLEMS[sqlite3.SQLITE_CORRUPT][:1], file=path, todo=RESTORE)


def not_a_local_disk(path: Path) -> SpeedlogError:
    """Where several programs can't share memory, as on a network folder, the safe way of writing is refused."""
    return SpeedlogError("its folder can't keep a logbook safely (a network share?)", file=path, todo=_LOCAL)


def _line(error: sqlite3.Error, path: Path) -> SpeedlogError | None:
    code = getattr(error, "sqlite_errorcode", None)
    if code in _NO_SHARED_MEMORY:
        return not_a_local_disk(path)
    known = _PROBLEMS.get((code or 0) & 0xFF)
    # some of the module's own errors carry no code
    if code is None and ("malformed" in str(error) or "decode to UTF-8" in str(error)):
        known = _PROBLEMS[sqlite3.SQLITE_CORRUPT]
    if known is None and code == sqlite3.SQLITE_ERROR:
        # a statement that this version has tried out fails: its tables are not what they were
        return SpeedlogError(f"its tables are damaged ({error})", file=path, todo=RESTORE)
    return None if known is None else SpeedlogError(known[0], file=path, todo=known[1])
