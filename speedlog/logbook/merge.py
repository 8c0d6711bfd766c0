"""Two laptops, one season: all that another logbook holds, brought into this one. Nothing kept is overwritten.

Rows are known by uid, else by what they are: files and courses by their bytes, sessions by name and date, passes
by the time of their drive. Where both have a value, the one that the other side had already corrected gives way;
where neither knew of the other it is a conflict: both are kept, this one's as the value, and it is told.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from sqlite3 import Row
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import merge_check, merge_files, merge_passes, merge_values, verify
from speedlog.logbook.merge_values import Before, Value
from speedlog.logbook.migrations import schema, statements
from speedlog.logbook.store import Logbook, now_text
from speedlog.logbook.trouble import told


@dataclass(frozen=True)
class Conflict:
    """Two values of one fact of which neither computer knew the other's; `kept` stands, `other` is noted."""

    what: str
    field: str
    kept: Value
    other: Value


@dataclass
class Merged:
    """What was brought over."""

    files: int = 0
    passes: list[int] = field(default_factory=list)  # new ones, their ids here
    changed: list[str] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        return {
            "schema_version": 1,
            "files": self.files,
            "passes": self.passes,
            "changed": self.changed,
            "conflicts": [vars(item) for item in self.conflicts],
            "notes": self.notes,
        }


def merge(book: Logbook, other_path: Path) -> Merged:
    """Bring all of another logbook into this one; that one is only read. Twice is the same as once.

    Raises:
        SpeedlogError: it is no logbook, this very one, damaged, or of an older version (nothing is changed then).
    """
    if other_path.exists() and book.path.exists() and other_path.samefile(book.path):
        raise SpeedlogError("is the logbook itself", file=other_path, todo="Name the other one.")
    with Logbook.open(other_path, read_only=True) as other, told(other_path):
        other.connection.execute("PRAGMA trusted_schema = OFF")  # a stranger's file runs nothing of its own
        check_other(other)
        merge_check.check_rows(other)
        with other.reading(), book.writing(f"merged from {plain(other_path.name, 80)}"):
            return Merging(book, other).run()


def check_other(other: Logbook) -> None:
    """Raises SpeedlogError where another's file is damaged, or not laid out as a logbook is."""
    there = {row["name"]: row["type"] for row in other.rows("SELECT name, type FROM sqlite_schema")}
    for statement in statements(schema()):
        words = statement[statement.find("CREATE") :].split()
        if words[1] != "TABLE":
            continue
        columns = {row["name"] for row in other.rows(f'PRAGMA table_info("{words[2]}")')}
        wanted = {row["name"] for row in _columns_here(words[2], statement)}
        if there.get(words[2]) != "table" or not wanted <= columns:
            raise SpeedlogError("not laid out as a logbook", file=other.path, todo="Choose another file.")
    wrong = verify.file_troubles(other)
    if wrong:
        raise SpeedlogError(
            f"the file is damaged ({wrong[0]})", file=other.path, todo="Take its newest backup."
        )


class Merging:
    """One merge under way: what is known of which row of the other logbook is which one here."""

    def __init__(self, book: Logbook, other: Logbook) -> None:
        self.book, self.other, self.done = book, other, Merged()
        self.ids: dict[str, dict[int, int]] = {}  # table -> id there -> id here
        self.uids: dict[str, str] = {}  # uid there -> uid here, of rows that are the same
        self.unnumbered: dict[
            int, bool
        ] = {}  # session there -> whether it is this one's numbers that nobody gave
        self._before = {True: _all_before(book), False: _all_before(other)}

    def run(self) -> Merged:
        amended = list(self.other.rows("SELECT * FROM amendment ORDER BY id"))
        merge_files.contents(self)
        merge_files.courses(self)
        merge_files.recordings(self)
        merge_passes.passes(self)
        merge_passes.wishes(self)
        self._amendments(amended)
        merge_passes.take_results(self)
        return self.done

    def before(self, here: bool, uid: str, what: str, name: str) -> Before:
        """What a fact was before, here or there."""
        return self._before[here].get(uid, {}).get((what, name), Before())

    def decide(self, what: str, row: Row, theirs: Row, mine: Mapping[str, Value], other: Mapping[str, Value],
               name: str) -> dict[str, Value]:  # fmt: skip
        """Values to be taken from the other side, of two rows that are one; conflicts are told and noted.

        Args:
            what: the table.
            name: of the row, for messages.
        """
        taken: dict[str, Value] = {}
        for key in [*mine, *(key for key in other if key not in mine)]:
            one, two = mine.get(key), other.get(key)
            verdict = merge_values.outcome(
                one, two, self.before(True, row["uid"], what, key),
                self.before(False, theirs["uid"], what, key),
            )  # fmt: skip
            if verdict == "take":
                taken[key] = two
                self.done.changed.append(f"{name}: {key} {_shown(one)} → {_shown(two)}")
            elif verdict == "conflict":
                self.conflict(what, row["uid"], name, key, one, two)
        return taken

    def conflict(self, what: str, uid: str, name: str, key: str, kept: Value, other: Value) -> None:
        """Tell a conflict, and keep the value that does not stand, once."""
        self.done.conflicts.append(Conflict(name, key, kept, other))
        told = "\n".join((what, uid, key, repr(kept), repr(other)))
        self.book.run(
            "INSERT OR IGNORE INTO amendment (uid, what, whose, field, old, new, at, reason) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (hashlib.sha256(told.encode()).hexdigest()[:32], what, uid, key, _text(other), _text(kept), now_text(),
             f"{merge_values.CONFLICT} {plain(self.other.path.name, 80)} says otherwise"),
        )  # fmt: skip

    def same(self, table: str, theirs: Row, here: int, uid: str | None = None) -> None:
        """Remember that a row of the other logbook is one here."""
        self.ids.setdefault(table, {})[int(theirs["id"])] = here
        if uid is not None:
            self.uids[theirs["uid"]] = uid

    def here(self, table: str, there: int | None) -> int | None:
        return None if there is None else self.ids.get(table, {}).get(int(there))

    def insert(self, table: str, values: Mapping[str, Any]) -> int:
        marks = ", ".join("?" * len(values))
        return self.book.run(
            f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values())
        )

    def _amendments(self, amended: list[Row]) -> None:
        """The other side's corrections, as they were told there."""
        tables = {"columns_id": "content", "content_id": "content", "session_id": "session",
                  "course_id": "course", "superseded_by": "recording"}  # fmt: skip
        for item in amended:
            values = {name: item[name] for name in item.keys() if name != "id"}  # noqa: SIM118 (a Row's keys)
            values["whose"] = self.uids.get(item["whose"], item["whose"])
            if item["what"] == "pass_recording":
                values["field"] = self.uids.get(item["field"], item["field"])
            if item["field"] in tables:
                for name in ("old", "new"):
                    there = item[name]
                    if there is not None and there.isdecimal():
                        values[name] = _text(self.here(tables[item["field"]], int(there)))
            marks = ", ".join("?" * len(values))
            self.book.run(
                f"INSERT OR IGNORE INTO amendment ({', '.join(values)}) VALUES ({marks})",
                tuple(values.values()),
            )


def _all_before(book: Logbook) -> dict[str, dict[tuple[str, str], Before]]:
    by_row: dict[str, list[dict[str, Any]]] = {}
    for row in book.rows("SELECT * FROM amendment ORDER BY id"):
        item = dict(row)
        if item["field"] in merge_files.NAMED and item["old"] is not None:  # an id says nothing elsewhere
            item["old"] = merge_files.NAMED[item["field"]](book, int(item["old"]))
        by_row.setdefault(item["whose"], []).append(item)
    return {uid: merge_values.history(found) for uid, found in by_row.items()}


def _columns_here(name: str, statement: str) -> list[Row]:
    import sqlite3

    memory = sqlite3.connect(":memory:")
    memory.row_factory = sqlite3.Row
    try:
        memory.execute(statement)
        return memory.execute(f'PRAGMA table_info("{name}")').fetchall()
    finally:
        memory.close()


def _shown(value: Value) -> str:
    return "none" if value in (None, "") else plain(value, 60)


def _text(value: Value) -> str | None:
    return None if value is None else str(value)
