"""A copy of the logbook by SQLite's online backup: whole and checked before it gets its name, never a worse one."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from dataclasses import dataclass
from pathlib import Path

from speedlog.errors import SpeedlogError
from speedlog.logbook import verify
from speedlog.logbook.store import Logbook, now_text
from speedlog.logbook.trouble import told

# what a copy must not hold more of than the logbook that would take its place
FACTS = (
    "content", "recording", "course", "session", "pass", "pass_recording", "measured", "target", "rule", "amendment",
)  # fmt: skip


@dataclass(frozen=True)
class Copied:
    """A finished copy: where, how many passes and files it holds, its size."""

    path: Path
    passes: int
    files: int
    size: int


def backup(book: Logbook, target: Path) -> Copied:
    """Copy the logbook while others may read and write it; the copy is one file that needs no other beside it.

    Args:
        target: the file to make, or a folder, in which the copy is named after the day and minute. An older copy
            of the same logbook is replaced, once the new one is whole.

    Raises:
        SpeedlogError: another file is there, or a copy that holds more than this logbook; the disk says no; or
            the copy, read back, is damaged.
    """
    if target.is_dir():
        stamp = now_text()[:16].replace("T", " ").replace(":", "")
        target = target / f"{book.path.stem} {stamp}{book.path.suffix or '.db'}"
    _check_target(book, target)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    except OSError as error:
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=target, todo="Check the folder."
        ) from None
    os.close(handle)
    part = Path(name)
    try:
        _copy(book, part)
        done = _checked(part, target)
        part.replace(target)
    except OSError as error:
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=target, todo="Check the disk."
        ) from None
    finally:
        for rest in ("", "-wal", "-shm", "-journal"):
            with contextlib.suppress(OSError):
                part.with_name(part.name + rest).unlink(missing_ok=True)
    return done


def _copy(book: Logbook, part: Path) -> None:
    with told(part):
        copy = sqlite3.connect(part, isolation_level=None)
        try:
            with told(book.path):
                book.connection.backup(copy)
            # one file alone, on a stick or a disk that can't be written, opens without a log beside it
            copy.execute("PRAGMA journal_mode = DELETE")
            copy.execute("PRAGMA synchronous = FULL")
        finally:
            copy.close()
    with part.open("rb+") as file:
        os.fsync(file.fileno())


def _checked(part: Path, target: Path) -> Copied:
    """The copy read back, byte for byte of every file in it."""
    with Logbook.open(part, read_only=True) as copy:
        wrong = verify.file_troubles(copy) or [item.text for item in verify.damaged_files(copy)]
        if wrong:
            raise SpeedlogError(
                f"the copy is damaged ({wrong[0]})", file=target, todo="Run: speedlog logbook verify"
            )
        counts = {name: _count(copy, name) for name in ("pass", "recording")}
    return Copied(target, counts["pass"], counts["recording"], part.stat().st_size)


def _check_target(book: Logbook, target: Path) -> None:
    if not target.exists():
        return
    if book.path.exists() and target.samefile(book.path):
        raise SpeedlogError("is the logbook itself", file=target, todo="Choose another name for the copy.")
    with Logbook.open(target, read_only=True) as there:
        mine, other = (item.row("SELECT uid FROM logbook") for item in (book, there))
        if mine is None or other is None or mine["uid"] != other["uid"]:
            raise SpeedlogError("is another logbook", file=target, todo="Choose another name for the copy.")
        if any(_count(there, name) > _count(book, name) for name in FACTS):
            raise SpeedlogError(
                "holds more than this logbook does", file=target,
                todo="Keep it, and choose another name; speedlog logbook merge brings both together.",
            )  # fmt: skip


def _count(book: Logbook, table: str) -> int:
    row = book.row(f'SELECT count(*) AS n FROM "{table}"')
    return 0 if row is None else int(row["n"])
