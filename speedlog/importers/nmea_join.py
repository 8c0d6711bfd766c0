"""From columns of sentences to epochs, all at once: what `nmea_merge` does a sentence at a time.

Sentences of one time that stand together (a run) make one epoch, if no talker says a thing twice in the
run and its time is none of the last few. Where a logger writes whole seconds many times over, a run ends where
what began it is said again. Everywhere else, and around every sentence that only the
careful reader understood, a zone is handed to `nmea_merge`. It begins with three simple runs and ends
after three that made their own epochs: no sentence reaches farther, so nothing outside can change it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import Flags, Places
from speedlog.importers.nmea_columns import ZDA, Runs, run_columns
from speedlog.importers.nmea_fast import Sentences, Timed
from speedlog.importers.nmea_finish import EpochColumns
from speedlog.importers.nmea_merge import RECENT, Epochs
from speedlog.importers.nmea_sentence import SentenceFields, read_checked

_BODY = re.compile(rb"[^*\r\n]*")


def join_sentences(data: bytes, sentences: Sentences) -> tuple[EpochColumns, int]:
    """The epochs of a log; and how many sentences gave a position without a time."""
    runs = _find_runs(sentences)
    zones = _Zones(data, sentences, runs)
    count, at = len(runs.simple), 0
    pieces: list[EpochColumns] = []
    untimed = 0
    while at < count or not pieces:
        first = zones.next_start(at)
        if first > at:
            pieces.append(run_columns(sentences, runs, at, min(first, count)))
        if first < count or not count:
            epochs, at = zones.read(first)
            pieces.append(epochs.columns())
            untimed += epochs.untimed_places
        else:
            at = count
    return (pieces[0] if len(pieces) == 1 else _joined(pieces)), untimed


def _find_runs(sentences: Sentences) -> Runs:
    timed = sentences.timed
    fresh, moment = _beginnings(timed)
    start = np.flatnonzero(fresh)
    gsa = sentences.tables.get("GSA")
    told = [(offset, fields.dimension) for offset, _, fields in sentences.careful if fields.dimension]
    offset = np.array([item[0] for item in told], dtype=np.int64)
    dimension = np.array([item[1] for item in told], dtype=np.int8)
    if gsa is not None:
        rows = np.flatnonzero(gsa.columns["dimension"] > 0)
        offset = np.concatenate([offset, gsa.offset[rows]])
        dimension = np.concatenate([dimension, gsa.columns["dimension"][rows]])
    order = np.argsort(offset, kind="stable")
    if not len(start):
        none = np.zeros(0, dtype=np.bool_)
        return Runs(np.zeros(1, dtype=np.intp), start, none, none, none, offset[order], dimension[order])
    of = np.cumsum(fresh) - 1
    dates = timed.kind == ZDA
    simple = _said_once(timed, start) & _new_times(timed.time_ns[start], moment[start])
    near = np.searchsorted(timed.offset, [item[0] for item in sentences.careful if item[2].kind != "GST"])
    for neighbours in (near - 1, near):
        simple[of[np.clip(neighbours, 0, len(of) - 1)]] = False
    has_row = np.logical_or.reduceat(~dates, start)
    edges = np.append(start, len(of))
    return Runs(edges, of, simple, has_row, dates[start], offset[order], dimension[order])


def _beginnings(timed: Timed) -> tuple[Flags, Places]:
    """(N,) which sentences begin a run; the number of each one's stretch of one time.

    In a stretch without a date, the sentence that began it begins a new epoch each time it comes again: all
    epochs of that time have seen it, and all others join the newest.
    """
    fresh = np.ones(len(timed.time_ns), dtype=np.bool_)
    fresh[1:] = timed.time_ns[1:] != timed.time_ns[:-1]
    moment = np.cumsum(fresh) - 1
    start = np.flatnonzero(fresh)
    if len(start) == len(fresh):
        return fresh, moment
    undated = ~np.logical_or.reduceat(timed.kind == ZDA, start)
    return fresh | (undated[moment] & (timed.tag == timed.tag[start][moment])), moment


def _said_once(timed: Timed, start: Places) -> Flags:
    """(R,) no talker says the same kind of sentence twice in a run, and at the most one gives the date."""
    bits = np.int64(1) << timed.tag.astype(np.int64)
    seen = np.bitwise_count(np.bitwise_or.reduceat(bits, start))
    dates = np.add.reduceat((timed.kind == ZDA).astype(np.int64), start)
    once: Flags = (seen == np.diff(np.append(start, len(bits)))) & (dates <= 1)
    return once


def _new_times(time_ns: NDArray[np.int64], moment: Places) -> Flags:
    """(R,) a run's time is none of those before it that could still take a sentence, its own stretch left out."""
    fresh = np.ones(len(time_ns), dtype=np.bool_)
    for back in range(2, RECENT + 1):
        fresh[back:] &= (time_ns[back:] != time_ns[:-back]) | (moment[back:] == moment[:-back])
    return fresh


@dataclass(eq=False)
class _Zones:
    """The stretches that are merged a sentence at a time."""

    data: bytes
    sentences: Sentences
    runs: Runs
    _good: Flags = field(init=False)
    _odd: Places = field(init=False)
    _starts: Places = field(init=False)
    _careful: dict[int, tuple[int, SentenceFields]] = field(init=False)

    def __post_init__(self) -> None:
        runs = self.runs
        self._good = runs.simple & runs.has_row & ~runs.date_first  # where a zone may begin or have ended
        self._odd = np.flatnonzero(~runs.simple)
        last_good = np.maximum.accumulate(np.where(self._good, np.arange(len(self._good)), 0))
        self._starts = last_good[np.maximum(self._odd - RECENT, 0)] if len(self._odd) else self._odd
        self._careful = {offset: (line, fields) for offset, line, fields in self.sentences.careful}

    def next_start(self, run: int) -> int:
        """The first run of the next zone that begins at `run` or later; the number of runs if there is none."""
        nth = int(np.searchsorted(self._odd, run))
        return int(self._starts[nth]) if nth < len(self._odd) else len(self.runs.simple)

    def read(self, first: int) -> tuple[Epochs, int]:
        """Merge from run `first` on until nothing is open any more; gives the run after it."""
        epochs, runs, own = Epochs(), self.runs, 0
        if first:  # the first zone holds all from the file's beginning
            epochs.start_with(int(runs.dimension_before(np.array([self._offset(first)]))[0]) or None)
        for run in range(first, len(runs.simple)):
            before = epochs.count
            began = self._add(epochs, run)
            made = began and epochs.count - before == 1 + int(runs.date_first[run])
            own = own + 1 if made and runs.simple[run] and runs.has_row[run] else 0
            after = run + 1
            if (
                own >= RECENT
                and after < len(runs.simple)
                and self._good[after]
                and self.next_start(after) >= after
            ):
                return epochs, after
        if not len(runs.simple):
            self._add(epochs, 0)
        return epochs, len(runs.simple)

    def _offset(self, run: int) -> int:
        """Where the sentences of a run begin in the file."""
        at = int(self.runs.start[run])
        return (
            int(self.sentences.timed.offset[at]) if at < len(self.sentences.timed.offset) else len(self.data)
        )

    @cached_property
    def _offsets(self) -> NDArray[np.int64]:
        """Of all sentences, in file order."""
        tables = [table.offset for table in self.sentences.tables.values()]
        return np.sort(np.concatenate([*tables, np.array(list(self._careful), dtype=np.int64)]))

    @cached_property
    def _edges(self) -> Places:
        """(R + 1,) index into `_offsets` of each run's first sentence; the first run begins with the file."""
        first = self.sentences.timed.offset[self.runs.start[1:-1]]
        inner = np.searchsorted(self._offsets, first)
        return np.concatenate([[0], inner, [len(self._offsets)]])

    def _add(self, epochs: Epochs, run: int) -> bool:
        """Add the sentences of a run, in file order; whether its first with a time made an epoch."""
        began = False
        timed = slice(int(self.runs.start[run]), int(self.runs.start[min(run + 1, len(self.runs.start) - 1)]))
        first = int(self.sentences.timed.offset[timed.start]) if timed.stop > timed.start else -1
        line = dict(
            zip(
                self.sentences.timed.offset[timed].tolist(),
                self.sentences.timed.line[timed].tolist(),
                strict=True,
            )
        )
        for offset in self._offsets[slice(*self._edges[run : run + 2].tolist())].tolist():
            if offset in self._careful:
                number, fields = self._careful[offset]
                epochs.add(fields, number)
                continue
            again = read_checked(_BODY.match(self.data, offset)[0].decode("ascii"))  # type: ignore[index]
            if again is not None:
                count = epochs.count
                epochs.add(again, line.get(offset, 0))
                began |= offset == first and epochs.count > count
        return began


def _joined(pieces: list[EpochColumns]) -> EpochColumns:
    """Pieces in file order put together."""
    whole = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ("time_ns", "line", "is_row", "day", "two_digit_year", "fix")
    }
    numbers = {name: np.concatenate([piece.numbers[name] for piece in pieces]) for name in pieces[0].numbers}
    return EpochColumns(**whole, numbers=numbers)
