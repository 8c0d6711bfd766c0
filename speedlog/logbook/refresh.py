"""All passes again with today's program: on every core, or on the workers of a Dask cluster; restartable.

A task is a handful of passes that share logs, with all the bytes they need: it runs the same wherever it runs.
Each result is committed by itself, so whoever is stopped goes on where that was.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from typing import Any

from speedlog.cores import begin_worker
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import results, rows
from speedlog.logbook.kept_logs import KeptMemory
from speedlog.logbook.results import Inputs, Made
from speedlog.logbook.store import Logbook
from speedlog.settings import LogbookSettings

FIGURES = ("official_mps", "estimate_mps", "estimate_low_mps", "estimate_high_mps", "peak_mps", "coverage")
_WORDS = ("verdict", "error", "outbound", "independent")


@dataclass(frozen=True)
class ChangedResult:
    """A pass whose result is another one now: name of the figure -> before and after."""

    pass_id: int
    changes: Mapping[str, tuple[Any, Any]]


@dataclass(frozen=True)
class Refreshed:
    """How many were made again, how many were of today's program already, and which came out otherwise."""

    made: int
    current: int
    changed: tuple[ChangedResult, ...]


def refresh(
    book: Logbook, *, workers: int | None = None, scheduler: str | None = None, every: bool = False,
    begin: Callable[[int], None] | None = None, step: Callable[[int], None] | None = None,
) -> Refreshed:  # fmt: skip
    """Review passes again.

    Args:
        workers: processes; as many as there are cores if None.
        scheduler: address of a Dask scheduler whose workers have this version of speedlog; instead of processes.
        every: also those whose result is of this program and these inputs already.
        begin: told how many passes there are to do. step: told how many are done more.

    Raises:
        SpeedlogError: the scheduler can't be reached, its workers have another version, or the file can't be written.
    """
    ids = [int(row["id"]) for row in book.rows("SELECT id FROM pass ORDER BY id")]
    wanted = [
        item
        for item in ids
        if every or not results.is_current(book, results.inputs_of(book, item, with_bytes=False))
    ]
    tasks = _tasks(book, wanted)
    if begin is not None:
        begin(len(wanted))
    changed: list[ChangedResult] = []
    for done in _made(book, tasks, workers, scheduler):
        for pass_id, made in done:
            before = rows.pass_row(book, pass_id).result
            if results.store_if_unchanged(book, pass_id, made):
                changed += _changes(pass_id, before, made.row)
            if step is not None:
                step(1)
    return Refreshed(
        len(wanted), len(ids) - len(wanted), tuple(sorted(changed, key=lambda item: item.pass_id))
    )


def results_of(inputs: Sequence[Inputs], program: str) -> list[tuple[int, Made]]:
    """The task: results of passes that share logs. Pure: all that it needs is given to it.

    Raises:
        SpeedlogError: this worker has another version of the program.
    """
    import speedlog

    if program != speedlog.__version__:
        raise SpeedlogError(
            f"a worker has speedlog {speedlog.__version__}, and this computer {program}",
            todo="Install the same version on all of them.",
        )
    memory = KeptMemory()
    return [(item.pass_id, results.made_of(item, memory=memory)) for item in inputs]


def _tasks(book: Logbook, wanted: Sequence[int]) -> list[list[int]]:
    """Passes that share logs together: what was read and fused for one serves the others."""
    whose: dict[int, int] = {}
    groups: dict[int, list[int]] = {}
    for pass_id in wanted:
        logs = [item.id for item in rows.reviewed_recordings(book, pass_id)]
        shared = sorted({whose[log] for log in logs if log in whose})
        home = shared[0] if shared else pass_id
        for other in shared[1:]:
            groups[home] += groups.pop(other)
            whose |= {log: home for log, owner in whose.items() if owner == other}
        groups.setdefault(home, []).append(pass_id)
        whose |= dict.fromkeys(logs, home)
    return list(groups.values())


def _made(
    book: Logbook, tasks: Sequence[Sequence[int]], workers: int | None, scheduler: str | None
) -> Iterator[list[tuple[int, Made]]]:
    """What the tasks made, as it comes. No more bytes are under way than keep the workers busy."""
    import speedlog

    if not tasks:
        return
    with (
        _processes(workers, len(tasks)) if scheduler is None else _cluster(scheduler) as (send, count, first)
    ):
        under_way: set[Any] = set()
        waiting = list(tasks[::-1])
        while waiting or under_way:
            while waiting and len(under_way) < 2 * count:
                inputs = [results.inputs_of(book, pass_id) for pass_id in waiting.pop()]
                under_way.add(send(results_of, inputs, speedlog.__version__))
            done, under_way = first(under_way)
            for item in done:
                try:
                    yield item.result()
                except BrokenProcessPool:
                    raise SpeedlogError(
                        "a worker process was ended from outside (out of memory?)",
                        todo="What is done is kept: run it again, with --workers 1 where memory is short.",
                    ) from None


# how a task is sent, how many run at a time, and how to wait for the first that is done
Pool = tuple[Callable[..., Any], int, Callable[[set[Any]], tuple[set[Any], set[Any]]]]


@contextmanager
def _processes(workers: int | None, tasks: int) -> Iterator[Pool]:
    """Fresh processes ("spawn") on every system: what holds on Windows holds everywhere."""
    count = max(1, min(workers or os.cpu_count() or 1, tasks))

    def first(futures: set[Future[Any]]) -> tuple[set[Any], set[Any]]:
        found = wait(futures, return_when=FIRST_COMPLETED)
        return found.done, found.not_done

    pool = ProcessPoolExecutor(
        count, mp_context=multiprocessing.get_context("spawn"), initializer=begin_worker
    )
    try:
        yield pool.submit, count, first
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _cluster(address: str) -> Iterator[Pool]:
    try:
        distributed: Any = import_module("dask.distributed")
    except ImportError:
        raise SpeedlogError(
            "--scheduler needs the Dask library", todo='Install it: python -m pip install "speedlog[cluster]"'
        ) from None

    def first(futures: set[Any]) -> tuple[set[Any], set[Any]]:
        found = distributed.wait(list(futures), return_when="FIRST_COMPLETED")
        return set(found.done), set(found.not_done)

    try:
        client = distributed.Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SpeedlogError(
            f'no Dask scheduler answers at "{plain(address)}" ({plain(error, 80)})',
            todo="Give its address as it prints it, like tcp://192.168.1.7:8786.",
        ) from None
    try:
        count = sum(client.nthreads().values())
        if not count:
            raise SpeedlogError(f'the scheduler at "{plain(address)}" has no workers', todo="Start some.")
        with client.as_current():
            yield partial(client.submit, pure=False), count, first
    finally:
        client.close()


def _changes(pass_id: int, before: rows.ResultRow | None, after: rows.ResultRow) -> list[ChangedResult]:
    if before is None:
        return [ChangedResult(pass_id, {"result": (None, after.verdict or after.error or "made")})]
    found: dict[str, tuple[Any, Any]] = {}
    share = LogbookSettings().moved_share
    for name in _WORDS:
        was, now = getattr(before, name), getattr(after, name)
        if was != (bool(now) if isinstance(was, bool) and now is not None else now):
            found[name] = (was, now)
    for name in FIGURES:
        was, now = getattr(before, name), getattr(after, name)
        if (was is None) != (now is None) or (
            was is not None and abs(was - now) > share * max(abs(was), abs(now))
        ):
            found[name] = (was, now)
    return [ChangedResult(pass_id, found)] if found else []
