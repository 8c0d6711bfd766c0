"""Two laptops' logbooks under any sequence of adding, amending, merging and (refused) deleting.

A model in plain dicts and sets is held against the real files: no pass twice, no byte and no value ever lost, and
merging brings both to the same facts. Logs are invented, small and straight, so that a step takes milliseconds;
reviews are stubbed, for what is looked at here are the facts (a real review takes half a second a pass).
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from functools import cache
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from speedlog.course.geometry import Line, place
from speedlog.errors import SpeedlogError
from speedlog.logbook import content, results, rows, verify
from speedlog.logbook.add import FileOptions, add_files
from speedlog.logbook.amend import Corrections, amend
from speedlog.logbook.merge import Merged, merge
from speedlog.logbook.store import Logbook

DRIVES, LOGGERS = 2, 2
LINE = Line(53.1, -1.2, 112.0)
COURSE = """
name = "Field of the machine"
[line]
start = [53.1, -1.2]
heading_deg = 112.0
[trap]
entry_m = 160.0
exit_m = 190.0
"""
FACTS = ("content", "recording", "course", "session", "pass", "pass_recording", "measured", "amendment")
BOOKS = st.sampled_from(("left", "right"))
TRAPS = st.sampled_from(("130 mph", "131.5 mph", "60 m/s"))
NOTES = st.sampled_from(("Straight.", "A gust.", "Again?"))
ADDED = st.tuples(
    st.integers(0, DRIVES - 1), st.integers(0, LOGGERS - 1), st.none() | TRAPS, st.just("") | NOTES
)


@cache
def log(drive: int, logger: int) -> bytes:
    """Ten minutes apart: 12 m/s² to 60 m/s, three seconds of it, and down again; 5 Hz, one logger 0.1 s later."""
    time = np.arange(0.0, 15.0, 0.2) + 0.1 * logger
    speed = np.clip(np.minimum(12.0 * (time - 1), 12.0 * (14 - time)), 0.0, 60.0)
    along = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))])
    lines = ["UTC,Latitude (deg),Longitude (deg),Speed (m/s)"]
    for t, v, s in zip(time, speed, along, strict=True):
        lat, lon = place(LINE, float(s))
        lines.append(f"2026-07-12T10:{10 * drive:02d}:{t:06.3f}Z,{lat:.8f},{lon:.8f},{v:.3f}")
    return ("\n".join(lines) + "\n").encode()


def unreviewed(inputs: results.Inputs, **_: object) -> results.Made:
    return results.Made(rows.ResultRow("t", "p", {}, inputs.sha256, error="not reviewed here"))


class TwoLaptops(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="speedlog-machine-"))
        self.stub = mock.patch.object(results, "made_of", unreviewed)
        self.stub.start()
        self.books: dict[str, Logbook] = {}
        # the model: by book, drive -> its logs; and (drive, field) -> every value that was ever taken, the last held
        self.logs: dict[str, dict[int, set[int]]] = {"left": {}, "right": {}}
        self.values: dict[str, dict[tuple[int, str], set[str]]] = {"left": {}, "right": {}}
        self.held: dict[str, dict[tuple[int, str], str]] = {"left": {}, "right": {}}
        self.left: dict[str, dict[tuple[int, str], set[str]]] = {
            "left": {},
            "right": {},
        }  # values left behind
        self.counts: dict[str, dict[str, int]] = {"left": {}, "right": {}}

    @initialize(
        given=st.fixed_dictionaries(
            {"left": st.lists(ADDED, max_size=3), "right": st.lists(ADDED, max_size=3)}
        )
    )
    def begin(self, given: dict[str, list[tuple[int, int, str | None, str]]]) -> None:
        (self.folder / "course.toml").write_text(COURSE, encoding="utf-8")
        for drive in range(DRIVES):
            for logger in range(LOGGERS):
                (self.folder / f"d{drive}_{logger}.csv").write_bytes(log(drive, logger))
        for name in ("left", "right"):
            self.books[name] = Logbook.open(self.folder / f"{name}.db", create=True)
            for item in given[name]:
                self._add(name, *item)

    @rule(which=BOOKS, item=ADDED)
    def add(self, which: str, item: tuple[int, int, str | None, str]) -> None:
        self._add(which, *item)

    def _add(self, which: str, drive: int, logger: int, trap: str | None, note: str) -> None:
        options = FileOptions(course=self.folder / "course.toml", trap=trap, note=note, car="Machine")
        done = add_files(self.books[which], [self.folder / f"d{drive}_{logger}.csv"], options)
        assert len(done.passes) == 1 and done.passes[0].new == (drive not in self.logs[which])
        self.logs[which].setdefault(drive, set()).add(logger)
        refused = 0
        for name, value in (("trap", trap), ("note", note)):
            held = self.held[which].get((drive, name), "")
            if value and not held:
                self._take(which, drive, name, value)
            elif value and value != held:
                refused += 1
        assert len(done.passes[0].contradictions) == refused

    @rule(which=BOOKS, drive=st.integers(0, DRIVES - 1), trap=st.just("") | TRAPS)
    def amend_trap(self, which: str, drive: int, trap: str) -> None:
        self._amend(which, drive, "trap", trap, Corrections(trap=trap))

    @rule(which=BOOKS, drive=st.integers(0, DRIVES - 1), note=st.just("") | NOTES)
    def amend_note(self, which: str, drive: int, note: str) -> None:
        self._amend(which, drive, "note", note, Corrections(note=note))

    @rule(into=BOOKS)
    def merge_one_way(self, into: str) -> None:
        other = "right" if into == "left" else "left"
        held = dict(self.held[into])
        done = merge(self.books[into], self.books[other].path)
        self._merged(into, other, held, done)
        before = list(self.books[into].connection.iterdump())
        merge(self.books[into], self.books[other].path)
        assert list(self.books[into].connection.iterdump()) == before, "merging twice changed something"

    @rule(first=BOOKS)
    def merge_both_ways(self, first: str) -> None:
        second = "right" if first == "left" else "left"
        for into, other in ((first, second), (second, first)):
            held = dict(self.held[into])
            self._merged(into, other, held, merge(self.books[into], self.books[other].path))
        assert self.logs["left"] == self.logs["right"]
        assert self._found("left") == self._found("right"), "merged both ways, and not the same facts"

    @rule(which=BOOKS, table=st.sampled_from(FACTS))
    def delete_nothing(self, which: str, table: str) -> None:
        book = self.books[which]
        if not book.rows(f"SELECT 1 FROM {table}"):
            return
        with pytest.raises(sqlite3.IntegrityError, match="facts are kept for good"), book.writing("a try"):
            book.run(f"DELETE FROM {table}")
        with pytest.raises(sqlite3.IntegrityError, match="a change needs a reason"):
            book.connection.execute("UPDATE pass SET note = note || 'x'") if self.logs[
                which
            ] else _no_reason()

    @invariant()
    def nothing_is_lost_or_doubled(self) -> None:
        for which, book in self.books.items():
            assert set(self._passes(which)) == set(self.logs[which])
            assert len(rows.passes(book, set_aside=True)) == len(self.logs[which]), "a pass twice"
            for drive, row in self._passes(which).items():
                kept = {data for _, data, _ in rows.originals(book, row.id)}
                assert kept == {log(drive, logger) for logger in self.logs[which][drive]}
                assert (row.trap_text or "") == self.held[which].get((drive, "trap"), "")
                assert row.note == self.held[which].get((drive, "note"), "")
            found = self._found(which)
            for key, values in self.values[which].items():
                assert values <= found.get(key, set()), f"a value of {key} was lost"
            counts = {table: len(book.rows(f"SELECT 1 FROM {table}")) for table in FACTS}
            assert all(counts[table] >= count for table, count in self.counts[which].items())
            self.counts[which] = counts
            assert book.rows("SELECT 1 FROM reason") == [] and verify.file_troubles(book) == []
            assert verify.damaged_files(book) == []
            assert all(content.get(book, item.content_id) for item in rows.recordings(book))

    def teardown(self) -> None:
        for book in self.books.values():
            book.close()
        self.stub.stop()
        shutil.rmtree(self.folder)

    def _amend(self, which: str, drive: int, name: str, value: str, wanted: Corrections) -> None:
        if drive not in self.logs[which]:
            return
        row = self._passes(which)[drive]
        if value == self.held[which].get((drive, name), ""):
            with pytest.raises(SpeedlogError, match="nothing to change"):
                amend(self.books[which], row.id, wanted, "no reason at all")
            return
        amend(self.books[which], row.id, wanted, "misheard")
        self._take(which, drive, name, value)

    def _take(self, which: str, drive: int, name: str, value: str) -> None:
        before = self.held[which].get((drive, name), "")
        if before:
            self.left[which].setdefault((drive, name), set()).add(before)
        self.held[which][drive, name] = value
        if value:
            self.values[which].setdefault((drive, name), set()).add(value)

    def _merged(self, into: str, other: str, held: dict[tuple[int, str], str], done: Merged) -> None:
        """After a merge: logs and values of both; of two values, the one that was not left behind."""
        for drive, loggers in self.logs[other].items():
            self.logs[into].setdefault(drive, set()).update(loggers)
        for key, values in self.values[other].items():
            self.values[into].setdefault(key, set()).update(values)
        told = {(item.field, item.kept, item.other) for item in done.conflicts}
        for drive, row in self._passes(into).items():
            for name, field, value in (
                ("trap", "trap_text", row.trap_text or ""),
                ("note", "note", row.note),
            ):
                key = (drive, name)
                mine, theirs = held.get(key, ""), self.held[other].get(key, "")
                assert value in (mine, theirs)
                if theirs and key not in held:
                    assert value == theirs, "never said here, and not taken"
                if mine and theirs and mine != theirs:
                    left_here = theirs in self.left[into].get(key, set())
                    left_there = mine in self.left[other].get(key, set())
                    if left_there and not left_here:
                        assert value == theirs, "what was put right there is not taken"
                    elif left_here and not left_there:
                        assert value == mine, "what was put right here is undone"
                    elif not left_here:
                        assert value == mine and (field, mine, theirs) in told, "a conflict that is not told"
                self.left[into].setdefault(key, set()).update(self.left[other].get(key, set()))
                if mine and value != mine:
                    self.left[into][key].add(mine)
                self.held[into][key] = value

    def _passes(self, which: str) -> dict[int, rows.PassRow]:
        found = rows.passes(self.books[which], set_aside=True)
        return {int((row.start_utc or "")[14:16]) // 10: row for row in found}

    def _found(self, which: str) -> dict[tuple[int, str], set[str]]:
        """Every value of every pass that can still be read in a logbook, held or left behind."""
        found: dict[tuple[int, str], set[str]] = {}
        for drive, row in self._passes(which).items():
            for name, field, value in (("trap", "trap_text", row.trap_text), ("note", "note", row.note)):
                told = self.books[which].rows(
                    "SELECT old, new FROM amendment WHERE whose = ? AND field = ?", (row.uid, field)
                )
                values = {value, *(item["old"] for item in told), *(item["new"] for item in told)}
                found[drive, name] = {text for text in values if text}
        return found


def _no_reason() -> None:
    raise sqlite3.IntegrityError("a change needs a reason")


TwoLaptops.TestCase.settings = settings(max_examples=15, stateful_step_count=14, deadline=None)
test_two_laptops = TwoLaptops.TestCase
