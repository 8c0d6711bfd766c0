"""Killed in the middle of `add`: all of a transaction or nothing; the next `add` ends where one without a kill does."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.logbook.store import Logbook
from tests.logbook.kills import Outcome, kill_add, kill_refresh, state
from tests.logbook.processes import FORKS

pytestmark = pytest.mark.skipif(not FORKS, reason="needs SIGKILL")


@pytest.mark.parametrize("number", [0, 1, 3, 7, 20, 45, 60, 75, 90])
def test_killed_at_a_statement_of_add(kept_file: Path, day_folder: Path, tmp_path: Path, number: int) -> None:
    """Statement by statement: before, within and after the facts, and between the reviews."""
    with Logbook.open(kept_file) as book:
        wanted = state(book)
    assert kill_add(day_folder, tmp_path / "logbook.db", wanted, at_statement=number) == Outcome(True, ())


@pytest.mark.parametrize("after_s", [0.02, 0.3, 0.8])
def test_killed_at_a_moment_of_add(kept_file: Path, day_folder: Path, tmp_path: Path, after_s: float) -> None:
    with Logbook.open(kept_file) as book:
        wanted = state(book)
    assert kill_add(day_folder, tmp_path / "logbook.db", wanted, after_s=after_s).wrong == ()


@pytest.mark.parametrize("number", [4, 20, 40])
def test_killed_at_a_statement_of_refresh(kept_copy: Path, number: int) -> None:
    with Logbook.open(kept_copy) as book:
        wanted = state(book)
    assert kill_refresh(kept_copy, wanted, at_statement=number) == Outcome(True, ())
