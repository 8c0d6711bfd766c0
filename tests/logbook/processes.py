"""Work done in a process of its own, to be ended, starved of disk, or stripped of rights."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError
from speedlog.logbook.store import Logbook

FORKS = (
    os.name == "posix" and sys.platform != "darwin"
)  # where a fork of a process with libraries in it is sound


class Child:
    """A process that does `work`: a fork where there is one, as the libraries are imported already."""

    def __init__(
        self, work: Callable[..., str], *values: Any, before: Callable[[], None] | None = None
    ) -> None:
        context = multiprocessing.get_context("fork" if FORKS else "spawn")
        self._here, there = context.Pipe(duplex=False)
        self.process = context.Process(target=_run, args=(there, work, values, before))
        with warnings.catch_warnings():
            # newer Pythons warn of any fork beside threads; the child does its work and ends
            warnings.simplefilter("ignore", DeprecationWarning)
            self.process.start()
        there.close()

    def end(self) -> tuple[int, str]:
        """Exit code (-9 when killed) and what `work` gave, or the line of its SpeedlogError."""
        try:
            told: str = self._here.recv()
        except EOFError:
            told = ""
        self.process.join()
        self._here.close()
        return self.process.exitcode or 0, told


def in_child(
    work: Callable[..., str], *values: Any, before: Callable[[], None] | None = None
) -> tuple[int, str]:
    """The same, waited for."""
    return Child(work, *values, before=before).end()


def _run(
    there: Any, work: Callable[..., str], values: tuple[Any, ...], before: Callable[[], None] | None
) -> None:
    try:
        if before is not None:
            before()
        told = work(*values)
    except SpeedlogError as error:
        told = f"error: {error}"
    there.send(told)


def kill_at_statement(book: Logbook, number: int) -> None:
    """Ends this process without warning as the given statement begins (counted from now)."""
    left = number

    def count(statement: str) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    book.connection.set_trace_callback(count)


def sound(path: Path) -> list[str]:
    """What SQLite and the hashes find wrong in a logbook; nothing in a sound one."""
    from speedlog.logbook import content

    wrong: list[str] = []
    with Logbook.open(path) as book:
        wrong += [row[0] for row in book.rows("PRAGMA integrity_check") if row[0] != "ok"]
        wrong += [str(tuple(row)) for row in book.rows("PRAGMA foreign_key_check")]
        for row in book.rows("SELECT id FROM content"):
            content.get(book, row["id"])
        if book.rows("SELECT 1 FROM reason"):
            wrong.append("a reason was left behind")
    return wrong
