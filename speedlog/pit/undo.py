"""Taking the last correction of a pass back: a correction itself, so that both stay told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from speedlog.logbook.amend import AmendmentRow, Corrections, amendments
from speedlog.logbook.store import Logbook
from speedlog.pit.words import FIELDS, change

_TRAP_TIME = "trap_entered_at"
_UNDONE = {"trap_text", _TRAP_TIME, "note", "setup", "stated", "weather", "set_aside_at"}


@dataclass(frozen=True)
class LastChange:
    """The newest correction of a pass.

    Attributes:
        said: what was changed, in words.
        back: what takes it back; None where the page can't.
    """

    said: str
    reason: str
    at: str
    back: Corrections | None


def last_change(book: Logbook, pass_id: int) -> LastChange | None:
    """The newest correction of a pass; all that was changed in one go is one."""
    every = [item for item in amendments(book, pass_id) if item.what == "pass"]
    if not every:
        return None
    newest = [item for item in every if (item.at, item.reason) == (every[-1].at, every[-1].reason)]
    return LastChange(said(newest), newest[-1].reason, newest[-1].at, _back(newest))


def said(changed: Sequence[AmendmentRow]) -> str:
    """ "trap figure 178.5 mph → 187.5 mph; note"."""
    parts: list[str] = []
    for item in changed:
        if item.field in (_TRAP_TIME, "stated"):
            continue
        if item.field in ("setup", "weather"):
            parts += [change(key, old, new) for key, old, new in _differences(item)]
        elif item.field == "set_aside_at":
            parts.append("set aside" if item.new else "taken back into the season")
        elif item.field == "note":
            parts.append("note")
        elif item.field in ("start_utc", "end_utc"):
            parts.append("time of the drive")
        else:
            name = FIELDS.get(item.field, item.field)
            parts.append(f"{name} {item.old or 'none'} → {item.new or 'none'}")
    return "; ".join(dict.fromkeys(parts)) or "what was stated of the set-up"


def _differences(item: AmendmentRow) -> list[tuple[str, object, object]]:
    old, new = json.loads(item.old or "{}"), json.loads(item.new or "{}")
    return [(key, old.get(key), new.get(key)) for key in {**old, **new} if old.get(key) != new.get(key)]


def _back(changed: Sequence[AmendmentRow]) -> Corrections | None:
    if any(item.field not in _UNDONE for item in changed):
        return None
    fields = {item.field: item for item in changed}
    texts: dict[str, dict[str, str]] = {"setup": {}, "weather": {}}
    for name, found in texts.items():
        if name in fields:
            found |= {key: "" if old is None else str(old) for key, old, _ in _differences(fields[name])}
    aside = fields.get("set_aside_at")
    back = Corrections(
        trap=(fields["trap_text"].old or "") if "trap_text" in fields else None,
        note=(fields["note"].old or "") if "note" in fields else None,
        setup=texts["setup"],
        weather=texts["weather"],
        set_aside=None if aside is None else aside.old is not None,
    )
    return None if back == Corrections() else back
