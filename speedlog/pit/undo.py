"""What was changed of a pass or a day, in words, and the newest of it, which one tap takes back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from speedlog.errors import SpeedlogError
from speedlog.logbook.amend import AmendmentRow
from speedlog.logbook.store import Logbook
from speedlog.logbook.take_back import Scope, changes, differences
from speedlog.pit.keeper import Keeper
from speedlog.pit.words import DAY_FIELDS, FIELDS, WEATHER, Told, change

_SILENT = {"trap_entered_at", "stated"}  # go along with others
_LOG_FIELDS = {"start_utc", "end_utc"}


@dataclass(frozen=True)
class ToldChange:
    """What was changed in one go.

    Attributes:
        key: by which it is taken back.
        said: what was changed, in words.
        when: "2026-08-22 10:31", UTC.
        can_go_back: whether it still holds, and was typed.
    """

    key: int
    said: str
    reason: str
    when: str
    can_go_back: bool


def told_changes(book: Logbook, scope: Scope, most: int | None = None) -> list[ToldChange]:
    """The newest first."""
    return [
        ToldChange(
            item.key, said(item.rows, courses_of(book)), item.reason, item.at[:16].replace("T", " "),
            item.can_go_back,
        )
        for item in changes(book, scope, most)
    ]  # fmt: skip


def wanted_change(book: Logbook, scope: Scope, fields: Mapping[str, str]) -> int:
    """Which change a form names; without a name the newest.

    Raises:
        SpeedlogError: none was made.
    """
    key = fields.get("change", "")
    if key.isdecimal() and key.isascii() and len(key) < 12:
        return int(key)
    newest = changes(book, scope, 1)
    if not newest:
        raise SpeedlogError("there is nothing that can be undone here")
    return newest[0].key


def taken_back(keeper: Keeper, scope: Scope, key: int) -> Told:
    """Take a change back, and say how it is now.

    Raises:
        SpeedlogError: as `take_back`.
    """
    done = keeper.take_back(scope, key)
    with keeper.book() as book:
        return Told(f"Undone: {said(done, courses_of(book))}.")


def courses_of(book: Logbook) -> dict[str, str]:
    """Names of the kept courses, by how a correction writes them."""
    return {str(row["id"]): str(row["name"]) for row in book.rows("SELECT id, name FROM course")}


def said(changed: Sequence[AmendmentRow], courses: Mapping[str, str]) -> str:
    """ "trap figure 178.5 mph → 187.5 mph; note"."""
    parts = [text for item in changed for text in _said(item, courses)]
    figures = {item.field for item in changed}
    if "trap_entered_at" in figures and "trap_text" not in figures:
        told = next(item for item in changed if item.field == "trap_entered_at")
        parts.append("no figure was read out" if told.new else "the figure is asked for again")
    return "; ".join(dict.fromkeys(parts)) or "what was stated of the set-up"


def _said(item: AmendmentRow, courses: Mapping[str, str]) -> list[str]:
    what, name = item.what, item.field
    if name in _SILENT or name.endswith(".entered_at"):
        return []
    if what == "pass_recording":
        return ["a log that is not of this pass" if item.new else "a log joined again"]
    if name == "setup":
        return [change(key, old, new) for key, old, new in differences(item.old, item.new)]
    if name == "weather":
        whose = "the day's " if what == "session" else ""
        return [
            whose + _pair(WEATHER.get(key, key).lower() if key != "qnh" else "QNH", old, new)
            for key, old, new in differences(item.old, item.new)
        ]
    if name == "set_aside_at":
        return ["set aside" if item.new else "taken back into the season"]
    if name == "note":
        return ["note"]
    if name in _LOG_FIELDS:
        return ["time of the drive"]
    if name == "course_id":
        return [_pair("course", *(courses.get(text or "", "") for text in (item.old, item.new)))]
    names = DAY_FIELDS if what == "session" else FIELDS
    return [_pair(names.get(name, name), item.old, item.new)]


def _pair(name: str, old: str | None, new: str | None) -> str:
    return f"{name} {old or 'none'} → {new or 'none'}"
