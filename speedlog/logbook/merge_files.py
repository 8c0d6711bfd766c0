"""Merging bytes, logs and courses: the same bytes are the same thing wherever they were kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from sqlite3 import Row
from types import MappingProxyType
from typing import TYPE_CHECKING

from speedlog.errors import plain
from speedlog.logbook import content, merge_values
from speedlog.logbook.store import Logbook

if TYPE_CHECKING:
    from speedlog.logbook.merge import Merging


def contents(merging: Merging) -> None:
    """Every byte of the other logbook, unpacked once to be checked against its hash, and copied as it is packed."""
    book, other = merging.book, merging.other
    # those that others begin with come first, so that the reference can be put at once
    order = "SELECT * FROM content ORDER BY begins IS NOT NULL, size DESC"
    for row in other.rows(order):
        known = content.find(book, row["sha256"])
        if known is None:
            data = content.get(other, int(row["id"]))
            known = _copy(merging, row, data)
            for part in content.beginnings(book, data):
                book.run(
                    "UPDATE content SET packing = NULL, packed = NULL, begins = ? WHERE id = ? AND begins IS NULL",
                    (known, part),
                )
        merging.same("content", row, known)


def courses(merging: Merging) -> None:
    for row in merging.other.rows("SELECT * FROM course ORDER BY id"):
        content_id = merging.here("content", row["content_id"])
        known = merging.book.row("SELECT id, uid FROM course WHERE content_id = ?", (content_id,))
        if known is None:
            values = {"uid": row["uid"], "name": row["name"], "content_id": content_id}
            merging.same("course", row, merging.insert("course", values))
        else:
            merging.same("course", row, int(known["id"]), known["uid"])


def recordings(merging: Merging) -> None:
    """Logs by their bytes; then which holds which, across both."""
    book = merging.book
    every = merging.other.rows("SELECT * FROM recording ORDER BY id")
    new = []
    for row in every:
        content_id = merging.here("content", row["content_id"])
        known = book.row("SELECT * FROM recording WHERE content_id = ?", (content_id,))
        if known is None:
            names = ("uid", "name", "format", "clock", "start_time", "end_time", "added_at")
            values = {name: row[name] for name in names}
            values |= {
                "content_id": content_id,
                "columns_id": merging.here("content", row["columns_id"]),
            }
            made = merging.insert("recording", values)
            new.append(made)
            merging.same("recording", row, made)
            merging.done.files += 1
        else:
            merging.same("recording", row, int(known["id"]), known["uid"])
            _same_log(merging, known, row)
    for row in every:
        _superseded(
            book, merging.here("recording", row["id"]), merging.here("recording", row["superseded_by"])
        )
    for made in new:
        _lineage(book, made)


def _copy(merging: Merging, row: Row, data: bytes) -> int:
    begins = merging.here("content", row["begins"])
    packing, packed = row["packing"], row["packed"]
    if row["begins"] is not None and begins is None:  # of a chain in another order: kept for itself
        packing, packed = content.pack(data)
    values = {
        "sha256": row["sha256"],
        "size": row["size"],
        "packing": packing,
        "packed": packed,
        "begins": begins,
        "head": row["head"],
    }
    return merging.insert("content", values)


def _same_log(merging: Merging, known: Row, row: Row) -> None:
    """What else is kept of a log: its name, and the mapping of its columns by their hash."""
    names = ("name",)
    mine, other = merge_values.flat(known, names), merge_values.flat(row, names)
    mine["columns_id"] = mapping_text(merging.book, known["columns_id"])
    other["columns_id"] = mapping_text(merging.other, row["columns_id"])
    taken = merging.decide("recording", known, row, mine, other, f"log {plain(known['name'], 60)}")
    if "name" in taken:
        merging.book.run("UPDATE recording SET name = ? WHERE id = ?", (taken["name"], known["id"]))
    if "columns_id" in taken:
        columns_id = merging.here("content", row["columns_id"])
        merging.book.run("UPDATE recording SET columns_id = ? WHERE id = ?", (columns_id, known["id"]))


def mapping_text(book: Logbook, content_id: int | None) -> str | None:
    """A mapping of columns, by what it is on any computer."""
    row = book.row("SELECT sha256 FROM content WHERE id = ?", (content_id,))
    return None if row is None else f"map {row['sha256'][:16]}"


def course_text(book: Logbook, course_id: int | None) -> str | None:
    """A course, by what it is on any computer."""
    row = book.row(
        "SELECT name, sha256 FROM course JOIN content ON content.id = content_id WHERE course.id = ?",
        (course_id,),
    )
    return None if row is None else f"{row['name']} ({row['sha256'][:16]})"


# fields whose value is the number of a row -> what that row is on any computer
NAMED: Mapping[str, Callable[[Logbook, int | None], str | None]] = MappingProxyType(
    {"columns_id": mapping_text, "course_id": course_text}
)


def _superseded(book: Logbook, recording_id: int | None, by: int | None) -> None:
    if recording_id is not None and by is not None and recording_id != by:
        book.run(
            "UPDATE recording SET superseded_by = ? WHERE id = ? AND superseded_by IS NULL",
            (by, recording_id),
        )


def _lineage(book: Logbook, recording_id: int) -> None:
    """A log that came over and one that was here may hold each other."""
    row = book.row(
        "SELECT recording.*, content.size FROM recording JOIN content ON content.id = content_id "
        "WHERE recording.id = ?", (recording_id,),
    )  # fmt: skip
    assert row is not None
    data = content.get(book, int(row["content_id"]))
    for part in content.beginnings(book, data):
        shorter = book.row("SELECT id FROM recording WHERE content_id = ?", (part,))
        _superseded(book, None if shorter is None else int(shorter["id"]), recording_id)
    longer = content.going_on(book, data)
    whose = None if longer is None else book.row("SELECT id FROM recording WHERE content_id = ?", (longer,))
    _superseded(book, recording_id, None if whose is None else int(whose["id"]))
