"""Is the logbook sound? The file itself, every kept byte, and every result made again from the kept bytes."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import speedlog
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content, results, rows
from speedlog.logbook.kept_logs import KeptMemory
from speedlog.logbook.results import Made
from speedlog.logbook.store import Logbook
from speedlog.settings import LogbookSettings

_MOST_LINES = 20  # a damaged file has thousands of complaints; the first ones tell enough
Kind = Literal["file", "bytes", "result", "stale"]


@dataclass(frozen=True)
class Trouble:
    """One thing found.

    Attributes:
        kind: "file": the database itself; "bytes": kept bytes that are not as their hash says; "result": one
            that the kept bytes don't give again; "stale": one of another program version or of older figures.
        name: what it is about, as the user knows it.
        text: what is wrong, in words.
    """

    kind: Kind
    name: str
    text: str


@dataclass(frozen=True)
class Verified:
    """What was looked at, and what was found."""

    files: int
    passes: int
    reviewed: int
    troubles: tuple[Trouble, ...]

    @property
    def sound(self) -> bool:
        """Nothing is damaged and no result is wrong; stale ones are no damage."""
        return all(item.kind == "stale" for item in self.troubles)

    def as_json(self) -> dict[str, Any]:
        return {
            "schema_version": 1,
            "sound": self.sound,
            "files": self.files,
            "passes": self.passes,
            "reviewed": self.reviewed,
            "troubles": [vars(item) for item in self.troubles],
        }


def verify(
    book: Logbook, *, review: bool = True, begin: Callable[[int, int], None] | None = None
) -> Verified:
    """Check everything; nothing is changed.

    Args:
        review: also make every result again, which takes about a second a pass.
        begin: told before each review: which of how many.
    """
    troubles = [Trouble("file", book.path.name, text) for text in file_troubles(book)]
    damaged = damaged_files(book)
    passes = [int(row["id"]) for row in book.rows("SELECT id FROM pass ORDER BY session_id, id")]
    done = 0
    memory: dict[int, KeptMemory] = {}
    if review and not troubles:
        for place, pass_id in enumerate(passes, start=1):
            if begin is not None:
                begin(place, len(passes))
            row = rows.pass_row(book, pass_id)
            if row.session_id not in memory:
                memory = {row.session_id: KeptMemory()}
            found = result_trouble(book, row, memory[row.session_id])
            done += found is None or found.kind == "result"
            troubles += [] if found is None else [found]
    return Verified(_count_files(book), len(passes), done, (*troubles, *damaged))


def file_troubles(book: Logbook) -> list[str]:
    """What SQLite's own checks say: of the pages and indexes, and of rows that have lost what they belong to."""
    found = [str(row[0]) for row in book.rows(f"PRAGMA integrity_check({_MOST_LINES})")]
    lines = [plain(text, 200) for text in found if text != "ok"]
    orphans = book.rows("PRAGMA foreign_key_check")
    lines += [f"a row of {row['table']} has lost its {row['parent']}" for row in orphans[:_MOST_LINES]]
    return lines


def damaged_files(book: Logbook) -> list[Trouble]:
    """Every kept byte, unpacked and hashed."""
    found = []
    for row in book.rows("SELECT id, sha256 FROM content ORDER BY id"):
        try:
            content.get(book, int(row["id"]))
        except SpeedlogError as error:
            found.append(Trouble("bytes", _name_of(book, int(row["id"]), row["sha256"]), error.problem))
    return found


def result_trouble(book: Logbook, row: rows.PassRow, memory: KeptMemory | None = None) -> Trouble | None:
    """What is wrong with a pass's result; None where the kept bytes give the same again."""
    name = f"pass {row.id}"
    kept = row.result
    if kept is None:
        return Trouble("stale", name, "not reviewed yet")
    if kept.program != speedlog.__version__:
        return Trouble("stale", name, f"reviewed by speedlog {plain(kept.program, 40)}")
    try:
        inputs = results.inputs_of(book, row.id)
    except SpeedlogError as error:
        return Trouble("result", name, error.problem)
    if inputs.sha256 != kept.inputs_sha256:
        return Trouble("stale", name, "its figures or logs have changed since it was reviewed")
    made = results.made_of(inputs, memory=memory)
    return _differs(name, kept, rows.review_json(book, row.id), made)


def difference(one: Any, other: Any, share: float, place: str = "") -> str | None:
    """Where two JSON values first differ, in words; numbers may differ by `share` of the larger. None: nowhere.

    `share` 0 asks for the same to the last digit.
    """
    if isinstance(one, dict) and isinstance(other, dict):
        for key in [*one, *(key for key in other if key not in one)]:
            inside = f"{place}.{key}" if place else str(key)
            if key not in one or key not in other:
                return f"{plain(inside, 80)} is in one only"
            found = difference(one[key], other[key], share, inside)
            if found:
                return found
        return None
    if isinstance(one, list) and isinstance(other, list):
        if len(one) != len(other):
            return f"{plain(place, 80)} has {len(one)} and {len(other)} entries"
        pairs = enumerate(zip(one, other, strict=True))
        return next(
            (found for k, (a, b) in pairs if (found := difference(a, b, share, f"{place}.{k}"))), None
        )
    if _number(one) and _number(other):
        same = one == other or abs(one - other) <= share * max(abs(one), abs(other))
    else:
        same = type(one) is type(other) and one == other
    return None if same else f"{plain(place, 80)}: {plain(one, 60)} kept, {plain(other, 60)} now"


def tolerance(environment: dict[str, str] | Any) -> float:
    """The share by which numbers may differ: none on the same platform, a millionth elsewhere."""
    return 0.0 if dict(environment) == results.environment() else LogbookSettings().moved_share


def _differs(name: str, kept: rows.ResultRow, kept_json: dict[str, Any] | None, made: Made) -> Trouble | None:
    if kept.error is not None or made.review is None:
        same = kept.error == made.row.error
        return None if same else Trouble("result", name, f"{kept.error or 'reviewed'}; now {made.row.error}")
    now = json.loads(json.dumps(made.review))  # tuples as lists, as they were stored
    share = tolerance(kept.environment)
    found = difference(kept_json, now, share) or difference(_figures(kept), _figures(made.row), share)
    return None if found is None else Trouble("result", name, f"the kept logs give another result: {found}")


def _figures(row: rows.ResultRow) -> dict[str, Any]:
    left_out = ("made_at", "program", "environment", "inputs_sha256", "error")
    found = {key: value for key, value in vars(row).items() if key not in left_out}
    return {key: int(value) if isinstance(value, bool) else value for key, value in found.items()}


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _name_of(book: Logbook, content_id: int, sha256: str) -> str:
    found: Sequence[Any] = book.rows("SELECT name FROM recording WHERE content_id = ?", (content_id,))
    return plain(found[0]["name"], 80) if found else f"{sha256[:12]}…"


def _count_files(book: Logbook) -> int:
    row = book.row("SELECT count(*) AS n FROM content")
    return 0 if row is None else int(row["n"])
