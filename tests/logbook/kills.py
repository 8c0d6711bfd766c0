"""One SIGKILL of a process that adds or refreshes, and what is wrong after it: for the tests and the benchmark."""

from __future__ import annotations

import os
import signal
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.add import add_session
from speedlog.logbook.refresh import refresh
from speedlog.logbook.store import Logbook
from speedlog.session import load_session
from tests.logbook.processes import Child, kill_at_statement, sound

State = list[tuple[Any, ...]]


@dataclass(frozen=True)
class Outcome:
    """Whether the process was killed before it was done, and what was wrong afterwards, a line each."""

    killed: bool
    wrong: tuple[str, ...]


def state(book: Logbook) -> State:
    """What matters of a logbook: every pass with its facts, its logs and its result, and none of its moments."""
    found: State = []
    for row in rows.passes(book):
        logs = tuple(sorted(item.sha256 for item in rows.recordings(book, row.id)))
        result = row.result and (
            row.result.verdict,
            row.result.error,
            row.result.estimate_mps,
            row.result.peak_mps,
        )
        found.append(
            (row.session, row.date, row.number, row.start_utc, row.trap_text, tuple(row.setup.items()),
             tuple(sorted(row.weather.items())), row.note, tuple(sorted(row.measured.items())), logs, result)
        )  # fmt: skip
    return found


def kill_add(
    folder: Path, path: Path, wanted: State, *, at_statement: int | None = None, after_s: float | None = None
) -> Outcome:
    """Adds a session in a process that is killed, looks at the file, adds it again; what is wrong, a line each.

    Args:
        wanted: the state that an `add` without a kill reaches.
    """
    killed = _kill(Child(_add, folder, path, at_statement), after_s)
    wrong = _whole_or_nothing(path, wanted) if path.exists() and path.stat().st_size else []
    with Logbook.open(path, create=True) as book:
        add_session(book, load_session(folder / "session.toml"))
        if state(book) != wanted:
            wrong.append("add after the kill ends elsewhere than add without it")
    return Outcome(killed, tuple(wrong + sound(path)))


def kill_refresh(
    path: Path, wanted: State, *, at_statement: int | None = None, after_s: float | None = None
) -> Outcome:
    """The same with a refresh of all passes; their results are the same before and after."""
    with Logbook.open(path) as book, book.writing("a test"):
        book.run("UPDATE result SET program = '0.0.1'")
    killed = _kill(Child(_refresh, path, at_statement), after_s)
    wrong = sound(path)
    with Logbook.open(path) as book:
        if state(book) != wanted:
            wrong.append("a killed refresh changed a result")
        left = len(book.rows("SELECT 1 FROM result WHERE program = '0.0.1'"))
    with Logbook.open(path) as book, _in_this_process():
        done = refresh(book)
        if done.made != left:
            wrong.append(f"{left} passes were left to refresh, and {done.made} were done")
        if state(book) != wanted or done.changed:
            wrong.append("refresh after the kill ends elsewhere")
    return Outcome(killed, tuple(wrong + sound(path)))


def _kill(child: Child, after_s: float | None) -> bool:
    """Whether it was killed before it was done."""
    if after_s is not None:
        child.process.join(after_s)
        if child.process.pid is not None and child.process.is_alive():
            os.kill(child.process.pid, signal.SIGKILL)
    return child.end()[0] == -signal.SIGKILL


def _whole_or_nothing(path: Path, wanted: State) -> list[str]:
    """Facts of all passes, or of none; of results any number, each whole."""
    try:
        wrong = sound(path)
        with Logbook.open(path) as book:
            found = state(book)
    except SpeedlogError as error:
        return [f"it can't be opened after the kill: {error}"]
    if found and [item[:-1] for item in found] != [item[:-1] for item in wanted]:
        wrong.append("a part of the facts was kept")
    for one, other in zip(found, wanted, strict=False):
        if one[-1] not in (None, other[-1]):
            wrong.append("a result is not that of its pass")
    return wrong


def _add(folder: Path, path: Path, at_statement: int | None) -> str:
    if at_statement is not None:
        _count_from_opening(at_statement)
    with Logbook.open(path, create=True) as book:
        add_session(book, load_session(folder / "session.toml"))
    return "lived"


def _refresh(path: Path, at_statement: int | None) -> str:
    if at_statement is not None:
        _count_from_opening(at_statement)
    with Logbook.open(path) as book, _in_this_process():
        refresh(book)
    return "lived"


def _count_from_opening(number: int) -> None:
    """In this process, which ends by it: the statements of every logbook opened are counted."""
    from speedlog.logbook import store

    opened = store._opened

    def counted(*values: Any) -> Any:
        connection = opened(*values)
        kill_at_statement(Logbook(Path(), connection), number)
        return connection

    store._opened = counted


@contextmanager
def _in_this_process() -> Any:
    """The tasks of a refresh run where they are sent: a killed parent leaves no worker behind."""
    from speedlog.logbook import refresh as module

    before = module._processes

    @contextmanager
    def here(workers: int | None, tasks: int) -> Any:
        def send(task: Any, *values: Any) -> Any:
            future: Future[Any] = Future()
            future.set_result(task(*values))
            return future

        yield send, 1, lambda futures: (futures, set())

    module._processes = here
    try:
        yield
    finally:
        module._processes = before
