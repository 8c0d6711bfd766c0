"""All passes again: the same results from the same bytes, on processes and on a cluster; only what is stale."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import speedlog
from speedlog.errors import SpeedlogError
from speedlog.logbook import results, rows
from speedlog.logbook.refresh import FIGURES, refresh, results_of
from speedlog.logbook.store import Logbook


def reviews(book: Logbook) -> list[Any]:
    return [tuple(row) for row in book.rows(
        "SELECT pass_id, program, environment, inputs_sha256, error, review, estimate_mps, estimate_low_mps, peak_mps, "
        "verdict, coverage, entry_utc FROM result ORDER BY pass_id")]  # fmt: skip


def make_stale(book: Logbook, where: str = "1") -> None:
    with book.writing("a test"):
        book.run(f"UPDATE result SET program = '0.0.1' WHERE {where}")


def test_nothing_to_do(book: Logbook) -> None:
    done = refresh(book)
    assert (done.made, done.current, done.changed) == (0, 3, ())


def test_worker_processes_make_identical_results_and_changes_are_told(book: Logbook) -> None:
    """Bit for bit what `add` made in its own process; a figure and a verdict spoilt before come out as changed."""
    before = reviews(book)
    make_stale(book)
    with book.writing("a test"):
        book.run("UPDATE result SET estimate_mps = estimate_mps * 1.001, verdict = 'agree' WHERE pass_id = 2")
        book.run("UPDATE result SET peak_mps = peak_mps * (1 + 1e-9) WHERE pass_id = 1")
    steps: list[int] = []
    counts: list[int] = []
    done = refresh(book, workers=2, begin=counts.append, step=steps.append)
    assert reviews(book) == before
    assert (done.made, done.current) == (3, 0) and counts == [3] and sum(steps) == 3
    assert [item.pass_id for item in done.changed] == [2]
    was, now = done.changed[0].changes["estimate_mps"]
    assert was / now == pytest.approx(1.001)
    assert done.changed[0].changes["verdict"] == ("agree", "logger_missed_trap")


def test_a_cluster_of_two_processes_makes_the_same(book: Logbook) -> None:
    distributed = pytest.importorskip("dask.distributed")
    before = reviews(book)
    make_stale(book)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        done = refresh(book, scheduler=cluster.scheduler_address)
    assert (done.made, done.changed) == (3, ()) and reviews(book) == before


def test_no_scheduler_there_is_one_line(book: Logbook) -> None:
    pytest.importorskip("dask.distributed")
    make_stale(book)
    with pytest.raises(SpeedlogError, match="no Dask scheduler answers"):
        refresh(book, scheduler="nowhere at all")


def test_a_worker_of_another_version_refuses(book: Logbook) -> None:
    with pytest.raises(SpeedlogError, match="Install the same version"):
        results_of([results.inputs_of(book, 3)], "0.0.1")


def test_what_is_stopped_goes_on_where_it_was(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped after the first result: that one is of today's program, the others are still to do."""
    make_stale(book)

    def stop(count: int) -> None:
        raise KeyboardInterrupt

    in_this_process(monkeypatch)
    with pytest.raises(KeyboardInterrupt):
        refresh(book, step=stop)
    left = book.rows("SELECT pass_id FROM result WHERE program = '0.0.1'")
    assert len(left) == 2
    done = refresh(book)
    assert (done.made, done.current) == (2, 1)


def test_a_pass_amended_meanwhile_keeps_its_newer_result(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_stale(book, "pass_id = 3")
    in_this_process(monkeypatch)
    made = results_of

    def amended_meanwhile(inputs: Any, program: str) -> Any:
        found = made(inputs, program)
        with Logbook.open(book.path) as other, other.writing("a test"):
            other.run("UPDATE pass SET trap_text = '179.5 mph' WHERE id = 3")
        return found

    monkeypatch.setattr("speedlog.logbook.refresh.results_of", amended_meanwhile)
    refresh(book)
    row = book.row("SELECT program FROM result WHERE pass_id = 3")
    assert row is not None and row["program"] == "0.0.1", "a result of other inputs was stored"


def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tasks run at once where they are sent: no processes to wait for."""
    from concurrent.futures import Future
    from contextlib import contextmanager

    def send(task: Any, *values: Any) -> Any:
        future: Future[Any] = Future()
        future.set_result(task(*values))
        return future

    @contextmanager
    def here(workers: int | None, tasks: int) -> Any:
        yield send, 1, lambda futures: (futures, set())

    monkeypatch.setattr("speedlog.logbook.refresh._processes", here)


def test_passes_that_share_a_log_are_one_task(empty: Logbook, day_folder: Path, tmp_path: Path) -> None:
    from speedlog.logbook.add import FileOptions, add_files
    from speedlog.logbook.refresh import _tasks

    both = tmp_path / "both.nmea"
    both.write_bytes(
        (day_folder / "p01_front.nmea").read_bytes() + (day_folder / "p02_front.nmea").read_bytes()
    )
    add_files(empty, [both], FileOptions(course=day_folder / "course.toml"))
    add_files(empty, [day_folder / "p03_rear.csv"], FileOptions())
    assert sorted(map(sorted, _tasks(empty, [1, 2, 3]))) == [[1, 2], [3]]


def test_the_figures_told_are_columns_of_the_result() -> None:
    assert set(FIGURES) <= set(rows.ResultRow.__dataclass_fields__)
    assert speedlog.__version__ != "0.0.1"
