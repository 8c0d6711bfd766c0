"""The passes of a long day on all cores, with a progress bar on a terminal and nothing when piped."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from speedlog.cores import Cores

_ROUNDS = 2  # each pass is cut out and fused, then laid beside the wheel logs
_LEAST_SHOWN = 4  # passes; fewer are done before a bar is read


@contextmanager
def on_cores(workers: int | None) -> Iterator[Cores]:
    """Where the passes are worked on: this process alone, or several where that pays.

    Args:
        workers: processes at the most; as many as there are cores if None.
    """
    from speedlog.cores import Cores
    from speedlog.settings import Settings

    bar = _Bar()
    shown = sys.stderr.isatty()
    cores = Cores(
        workers,
        least=Settings().passes.cores_from,
        begin=bar.begin if shown else None,
        step=bar.step if shown else None,
    )
    try:
        with cores:
            yield cores
    finally:
        bar.close()


class _Bar:
    """A bar that begins with the first of many passes."""

    def __init__(self) -> None:
        self._bar: Any = None

    def begin(self, count: int) -> None:
        if self._bar is None and count >= _LEAST_SHOWN:
            self._bar = typer.progressbar(length=_ROUNDS * count, label="Passes", file=sys.stderr)
            self._bar.__enter__()

    def step(self, count: int) -> None:
        if self._bar is not None:
            self._bar.update(count)

    def close(self) -> None:
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
