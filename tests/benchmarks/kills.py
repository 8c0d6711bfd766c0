"""Many kills of `add`, `refresh` and a migration: at each statement in turn, and at random moments."""

from __future__ import annotations

import random
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from speedlog.demo import sample_folder
from speedlog.logbook.add import add_session
from speedlog.logbook.store import Logbook
from speedlog.session import load_session
from tests.logbook.conftest import NAMES, SESSION
from tests.logbook.kills import Outcome, State, kill_add, kill_refresh, state

Row = dict[str, Any]
_STEP = 5  # statements; a few kills are then spread over the whole of the work


def measure(kills: int, seed: int) -> list[Row]:
    """A row a kind of kill: how many there were, and what was wrong afterwards in any."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kept, wanted, seconds = _kept(folder)
        draw = random.Random(seed)
        rows = []
        for title, share, attempts in (
            ("add, at a statement", 0.35, _add_by_statement(folder, wanted)),
            ("add, at a moment", 0.25, _add_by_moment(folder, wanted, seconds, draw)),
            ("refresh, at a statement", 0.15, _refresh_by_statement(kept, wanted)),
            ("refresh, at a moment", 0.1, _refresh_by_moment(kept, wanted, seconds, draw)),
            ("migration, at a statement", 0.15, _migration(folder, kept)),
        ):
            rows.append(_row(title, max(1, round(share * kills)), attempts))
        return rows


def _row(title: str, wanted: int, attempts: Iterator[Outcome]) -> Row:
    killed, lived, wrong = 0, 0, []
    for outcome in attempts:
        killed, lived = killed + outcome.killed, lived + (not outcome.killed)
        wrong += outcome.wrong
        if killed >= wanted:
            break
    return {
        "killed": title,
        "times": killed,
        "done before": lived,
        "wrong": len(wrong),
        "what": "; ".join(wrong[:3]) or "-",
    }


def _kept(folder: Path) -> tuple[Path, State, float]:
    """The day's folder, and the logbook that an undisturbed `add` of it makes, with the seconds it took."""
    for name in NAMES:
        shutil.copy(sample_folder() / name, folder / name)
    (folder / "session.toml").write_text(SESSION, encoding="utf-8", newline="\n")
    path = folder / "kept.db"
    add_session_to(folder / "warm.db", folder)  # compiled and imported before the clock starts
    start = time.perf_counter()
    wanted = add_session_to(path, folder)
    return path, wanted, time.perf_counter() - start


def add_session_to(path: Path, folder: Path) -> State:
    with Logbook.open(path, create=True) as book:
        add_session(book, load_session(folder / "session.toml"))
        return state(book)


def _fresh(folder: Path) -> Path:
    """A path with no logbook yet."""
    return Path(tempfile.mkdtemp(dir=folder)) / "logbook.db"


def _add_by_statement(folder: Path, wanted: State) -> Iterator[Outcome]:
    yield from _each_statement(lambda number: kill_add(folder, _fresh(folder), wanted, at_statement=number))


def _add_by_moment(folder: Path, wanted: State, seconds: float, draw: random.Random) -> Iterator[Outcome]:
    while True:
        yield kill_add(folder, _fresh(folder), wanted, after_s=draw.uniform(0.0, seconds))


def _refresh_by_statement(kept: Path, wanted: State) -> Iterator[Outcome]:
    yield from _each_statement(lambda number: kill_refresh(kept, wanted, at_statement=number))


def _refresh_by_moment(kept: Path, wanted: State, seconds: float, draw: random.Random) -> Iterator[Outcome]:
    while True:
        yield kill_refresh(kept, wanted, after_s=draw.uniform(0.0, seconds))


def _each_statement(kill: Callable[[int], Outcome]) -> Iterator[Outcome]:
    """At every fifth statement until the work is done before, then at those after them, and so on."""
    number, round_begins = 0, 0
    while True:
        outcome = kill(number)
        yield outcome
        if outcome.killed:
            number += _STEP
        else:
            round_begins = (round_begins + 1) % _STEP
            number = round_begins


def _migration(folder: Path, kept: Path) -> Iterator[Outcome]:
    """An invented older form, brought up by a process that is killed."""
    from speedlog.logbook import migrations
    from tests.logbook.processes import in_child, sound
    from tests.logbook.test_migrations import form, make_old, open_and_die, step_0

    steps = migrations.STEPS
    migrations.STEPS = {0: step_0}
    old = folder / "old.db"
    shutil.copy(kept, old)
    make_old(old)

    def kill(number: int) -> Outcome:
        path = _fresh(folder)
        shutil.copy(old, path)
        killed = in_child(open_and_die, path, number)[0] != 0
        wrong = []
        try:
            form(path)
        except (AssertionError, sqlite3.Error) as error:
            wrong.append(f"neither form: {error}")
        Logbook.open(path).close()
        return Outcome(killed, (*wrong, *sound(path)))

    try:
        yield from _each_statement(kill)
    finally:
        migrations.STEPS = steps
