"""Taking corrections back: what was changed in one go is put as it was, which is a correction itself and stays told."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from sqlite3 import Row
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import results, rows
from speedlog.logbook.amend import AmendmentRow, amending, check_weather
from speedlog.logbook.store import Logbook
from speedlog.settings import Settings

# table -> its fields that a user types; what a log brought along is taken back by parting the log
_TYPED: Mapping[str, frozenset[str]] = {
    "pass": frozenset(
        ("number", "trap_text", "trap_entered_at", "weather", "setup", "stated", "note", "set_aside_at")
    ),
    "session": frozenset(("name", "date", "course_id", "car", "weather")),
}
_MAPS, _NUMBERS = ("weather", "setup"), ("number", "course_id")
_SINCE = ".entered_at"  # behind the key of what was measured: the moment, beside the value


@dataclass(frozen=True)
class Scope:
    """Whose changes are told and taken back: a session's; or a pass's, with what was changed of its session in the
    same go.
    """

    session_id: int
    pass_id: int | None = None

    @property
    def whose(self) -> str:
        """SQL of the uids."""
        of_session = f"SELECT uid FROM session WHERE id = {self.session_id:d}"
        if self.pass_id is None:
            return of_session
        return f"SELECT uid FROM pass WHERE id = {self.pass_id:d} UNION ALL {of_session}"


@dataclass(frozen=True)
class Change:
    """What was changed in one go.

    Attributes:
        key: by which it is named: the id of its last amendment.
        can_go_back: all of it was typed, and nothing of it was changed again since.
    """

    key: int
    rows: tuple[AmendmentRow, ...]
    at: str
    reason: str
    can_go_back: bool


def pass_scope(book: Logbook, pass_id: int) -> Scope:
    """Raises SpeedlogError: there is no such pass."""
    return Scope(rows.pass_row(book, pass_id).session_id, pass_id)


def changes(book: Logbook, scope: Scope, most: int | None = None) -> list[Change]:
    """What was changed, the newest first."""
    return [
        Change(
            int(group[0]["id"]), tuple(_amendment(item) for item in group[::-1]), group[0]["at"],
            group[0]["reason"], all(_stands(book, item) for item in group),
        )
        for group in _in_one_go(book, scope)[:most]
    ]  # fmt: skip


def take_back(
    book: Logbook, scope: Scope, key: int, reason: str = "taken back", *, settings: Settings | None = None
) -> list[AmendmentRow]:
    """Put a change as it was before, and review again what hangs on it. Returns what was changed.

    Raises:
        SpeedlogError: there is no such change, it can't be taken back, or it was changed again since.
    """
    with amending(book, reason, "it is as it was before already") as done:
        items = next((group for group in _in_one_go(book, scope) if group[0]["id"] == key), None)
        if items is None:
            raise SpeedlogError("there is no such change here")
        if not all(_stands(book, item) for item in items):
            raise SpeedlogError(
                "that can't be taken back: it came with a log, or was changed again since",
                todo="Take the later change back first, or type what is right.",
            )
        _put_back(book, items[::-1])
        check_weather(rows.session_row(book, scope.session_id).weather)
        if scope.pass_id is not None:
            check_weather(rows.pass_row(book, scope.pass_id).weather)
    first = [] if scope.pass_id is None else [scope.pass_id]
    results.bring_up_to_date(book, scope.session_id, first, settings=settings)
    return done


def _in_one_go(book: Logbook, scope: Scope) -> list[list[Row]]:
    """Amendments by the transaction that made them (one has one moment and one reason), the newest first."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for item in book.rows(f"SELECT * FROM amendment WHERE whose IN ({scope.whose}) ORDER BY id DESC"):
        groups.setdefault((item["at"], item["reason"]), []).append(item)
    if scope.pass_id is None:
        return list(groups.values())
    return [group for group in groups.values() if any(item["what"] != "session" for item in group)]


def _amendment(item: Row) -> AmendmentRow:
    return AmendmentRow(*(item[name] for name in AmendmentRow.__dataclass_fields__))


def _stands(book: Logbook, item: Row) -> bool:
    """Whether a change can be taken back, and is what holds now."""
    what, name = item["what"], item["field"]
    if what == "measured":
        if name.endswith(_SINCE):
            return True  # the value itself decides
        return (_measured(book, item) or "") == (item["new"] or "")
    if what == "pass_recording":
        row = book.row(f"SELECT parted_at FROM pass_recording {_PARTED}", (item["whose"], name))
        return row is not None and bool(row["parted_at"] == item["new"])
    if name not in _TYPED.get(what, ()):
        return False
    now = _value(book, item)
    if name == "stated":
        return True  # which keys were typed follows from the set-up
    if name in _MAPS:
        kept = json.loads(now)
        return all(bool(kept.get(key) == new) for key, _, new in differences(item["old"], item["new"]))
    return bool((None if now is None else str(now)) == item["new"])


_PARTED = (
    "WHERE pass_id = (SELECT id FROM pass WHERE uid = ?) "
    "AND recording_id = (SELECT id FROM recording WHERE uid = ?)"
)


def differences(old: str | None, new: str | None) -> list[tuple[str, Any, Any]]:
    """Key, before and after of what differs in two JSON objects."""
    before, after = json.loads(old or "{}"), json.loads(new or "{}")
    keys = [key for key in {**before, **after} if before.get(key) != after.get(key)]
    return [(key, before.get(key), after.get(key)) for key in keys]


def _value(book: Logbook, item: Row) -> Any:
    row = book.row(f"SELECT {item['field']} AS value FROM {item['what']} WHERE uid = ?", (item["whose"],))
    return None if row is None else row["value"]


def _measured(book: Logbook, item: Row) -> str | None:
    row = book.row(
        "SELECT text FROM measured WHERE pass_id = (SELECT id FROM pass WHERE uid = ?) AND key = ?",
        (item["whose"], item["field"]),
    )
    return None if row is None else str(row["text"])


def _put_back(book: Logbook, items: Sequence[Row]) -> None:
    values: dict[tuple[str, str], dict[str, str | int | None]] = {}
    for item in items:
        what, name, old = item["what"], item["field"], item["old"]
        if what == "measured":
            column, key = (
                ("entered_at", name.removesuffix(_SINCE)) if name.endswith(_SINCE) else ("text", name)
            )
            book.run(
                f"UPDATE measured SET {column} = ? WHERE pass_id = (SELECT id FROM pass WHERE uid = ?) AND key = ?",
                (old or "", item["whose"], key),
            )
        elif what == "pass_recording":
            book.run(f"UPDATE pass_recording SET parted_at = ? {_PARTED}", (old, item["whose"], name))
        else:
            values.setdefault((what, item["whose"]), {})[name] = _before(book, item)
    for (what, whose), fields in values.items():
        _free(book, what, whose, fields)
        marks = ", ".join(f"{name} = ?" for name in fields)
        book.run(f"UPDATE {what} SET {marks} WHERE uid = ?", (*fields.values(), whose))


def _before(book: Logbook, item: Row) -> str | int | None:
    """The value of a field as it was; of a field of several things only what was changed."""
    name, old = item["field"], item["old"]
    if name in _MAPS:
        return _map_before(json.loads(_value(book, item)), item)
    if name == "stated":
        return _stated_before(json.loads(_value(book, item)), item)
    return int(old) if name in _NUMBERS and old is not None else old


def _free(book: Logbook, what: str, whose: str, fields: Mapping[str, str | int | None]) -> None:
    """A number, or a name and date, that another has taken since, can't be had back."""
    if what == "pass" and "number" in fields:
        other = book.row(
            "SELECT 1 FROM pass WHERE number = ? AND uid <> ? AND session_id = "
            "(SELECT session_id FROM pass WHERE uid = ?)", (fields["number"], whose, whose),
        )  # fmt: skip
        if other is not None:
            raise SpeedlogError(f"number {fields['number']} is another pass's by now")
    if what == "session" and ("name" in fields or "date" in fields):
        kept = book.row("SELECT name, date FROM session WHERE uid = ?", (whose,))
        assert kept is not None
        name, date = fields.get("name", kept["name"]), fields.get("date", kept["date"])
        if book.row("SELECT 1 FROM session WHERE name = ? AND date IS ? AND uid <> ?", (name, date, whose)):
            raise SpeedlogError(f'another session is called "{plain(name)}" by now')


def _map_before(now: dict[str, Any], item: Row) -> str:
    """What is kept now, with what was changed as it was: other keys may have been changed since."""
    order = list({**json.loads(item["old"] or "{}"), **now})
    for key, before, _ in differences(item["old"], item["new"]):
        if before is None:
            now.pop(key, None)
        else:
            now[key] = before
    return json.dumps({key: now[key] for key in order if key in now}, ensure_ascii=False)


def _stated_before(now: list[str], item: Row) -> str:
    old, new = set(json.loads(item["old"])), set(json.loads(item["new"]))
    return json.dumps(sorted((set(now) - (new - old)) | (old - new)))
