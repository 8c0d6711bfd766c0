"""The same work for many items on every core; where that doesn't pay, one after another in this process.

Processes are started fresh ("spawn") on every system: what holds on Windows holds everywhere. So only a
program whose main module may be imported again uses them: the command line does, `import speedlog` alone doesn't.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import Any, TypeVar

from speedlog.errors import SpeedlogError

Common = TypeVar("Common")
Item = TypeVar("Item")
Made = TypeVar("Made")


class Cores:
    """Runs tasks; to be used in a `with` block where there may be several processes.

    Args:
        workers: processes at the most; as many as there are cores if None. 1: none besides this one.
        least: items from which on starting processes pays.
        begin: told how many items more there are to do. step: told how many are done more.
    """

    def __init__(
        self, workers: int | None = 1, *, least: int = 2,
        begin: Callable[[int], None] | None = None, step: Callable[[int], None] | None = None,
    ) -> None:  # fmt: skip
        self._count = workers or os.cpu_count() or 1
        self._least = least
        self._begin, self._step = begin, step
        self._pool: ProcessPoolExecutor | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Cores:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)  # waits for tasks under way: none takes long
        if self._folder is not None:
            self._folder.cleanup()

    def run(
        self, task: Callable[[Common, Item], Made], common: Common, items: Sequence[Item]
    ) -> Iterator[Made]:
        """What the task makes of each item, in order.

        Args:
            task: a function of a module, pure: the result is the same wherever it runs.
            common: what it needs for all items; sent to each process once.

        Raises:
            SpeedlogError: as the task raises it; or a process was ended from outside.
        """
        if self._begin is not None:
            self._begin(len(items))
        many = len(items) >= self._least and self._count > 1
        for made in self._spread(task, common, items) if many else (task(common, item) for item in items):
            if self._step is not None:
                self._step(1)
            yield made

    def _spread(
        self, task: Callable[[Common, Item], Made], common: Common, items: Sequence[Item]
    ) -> Iterator[Made]:
        if self._pool is None or self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="speedlog-")
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(self._count, mp_context=context, initializer=begin_worker)
        handle, name = tempfile.mkstemp(dir=self._folder.name)
        with os.fdopen(handle, "wb") as file:
            pickle.dump(common, file, protocol=pickle.HIGHEST_PROTOCOL)
        futures = [self._pool.submit(_with_common, task, name, item) for item in items]
        try:
            for future in futures:
                yield future.result()
        except BrokenProcessPool:
            raise SpeedlogError(
                "a worker process was ended from outside (out of memory?)",
                todo="Run it again with --workers 1, which needs less memory.",
            ) from None


_LOADED: dict[str, Any] = {}  # of this worker: the newest common part


def _with_common(task: Callable[[Any, Item], Made], name: str, item: Item) -> Made:
    if name not in _LOADED:
        _LOADED.clear()
        _LOADED[name] = pickle.loads(Path(name).read_bytes())
    return task(_LOADED[name], item)


def begin_worker() -> None:
    """A worker leaves Ctrl-C to the process that sends its tasks, and ends where that was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)
