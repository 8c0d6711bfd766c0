"""Two values of one fact, kept on two computers: which one holds, by what each of them was before."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from sqlite3 import Row
from typing import Any, Literal

Value = str | int | float | None
Outcome = Literal["same", "keep", "take", "conflict"]
CONFLICT = (
    "merge: kept here, while"  # how the reason of a noted conflict begins; what is noted so was never kept
)


@dataclass
class Before:
    """What a fact was before on one computer: old values, and the corrections that replaced them."""

    values: set[str | None] = field(default_factory=set)  # as compared: amendments keep all as text
    corrections: set[str] = field(default_factory=set)


def outcome(mine: Value, other: Value, mine_before: Before, other_before: Before) -> Outcome:
    """Whether a value is kept, or the other one taken in its place; a conflict where neither knows of the other.

    The value that the other side has already left behind gives way; an empty one gives way to a filled one, unless
    it was emptied on purpose.
    """
    mine, other = (None if value == "" else value for value in (mine, other))
    if mine == other:
        return "same"
    left_by_me = _compared(other) in mine_before.values
    left_by_other = _compared(mine) in other_before.values
    if left_by_me and left_by_other:  # there and back again: the longer history is the later one
        if other_before.corrections < mine_before.corrections:
            return "keep"
        return "take" if mine_before.corrections < other_before.corrections else "conflict"
    if left_by_me or (other is None and not left_by_other):
        return "keep"
    if left_by_other or mine is None:
        return "take"
    return "conflict"


def history(amendments: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Before]:
    """What the facts of one row were, by table and field; the keys of set-up and weather one by one."""
    found: dict[tuple[str, str], Before] = {}
    for item in amendments:
        if item["reason"].startswith(CONFLICT):
            continue
        for name, old in _parts(item["field"], item["old"], item["new"]):
            before = found.setdefault((item["what"], name), Before())
            before.values.add(_compared(old))
            before.corrections.add(item["uid"])
    return found


def flat(row: Row, names: Collection[str], tables: Collection[str] = ()) -> dict[str, Value]:
    """The facts of a row by name; the keys of JSON tables as "setup.tyre"."""
    found: dict[str, Value] = {name: row[name] for name in names}
    for table in tables:
        found |= {f"{table}.{key}": value for key, value in json.loads(row[table]).items()}
    return found


def whole(values: Mapping[str, Value], table: str) -> str:
    """The JSON of one table again."""
    start = f"{table}."
    found = {key.removeprefix(start): value for key, value in values.items() if key.startswith(start)}
    return json.dumps({key: value for key, value in found.items() if value is not None}, ensure_ascii=False)


def _parts(name: str, old: str | None, new: str | None) -> list[tuple[str, Value]]:
    if name not in ("setup", "weather"):
        return [(name, old)]
    was, now = _table(old), _table(new)
    return [(f"{name}.{key}", was.get(key)) for key in {**was, **now} if was.get(key) != now.get(key)]


def _table(text: str | None) -> dict[str, Any]:
    found = json.loads(text or "{}")
    return found if isinstance(found, dict) else {}


def _compared(value: Value) -> str | None:
    return None if value in (None, "") else str(value)
