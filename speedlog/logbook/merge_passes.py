"""Merging sessions and passes, what the driver is after, and results that still hold."""

from __future__ import annotations

import json
from sqlite3 import Row
from typing import TYPE_CHECKING

import pandas as pd

from speedlog.errors import plain
from speedlog.logbook import keeping, merge_check, merge_files, merge_values, results, rows
from speedlog.logbook.joining import FoundDrive, kept_pass
from speedlog.settings import LogbookSettings

if TYPE_CHECKING:
    from speedlog.logbook.merge import Merging

_PASS_TABLES = ("setup", "weather")
Number = tuple[int, int, merge_values.Value]  # pass, session, the number that it is to have


def passes(merging: Merging) -> None:
    """Passes that are one are found first: they tell which sessions are one, whatever they were called."""
    every = merging.other.rows("SELECT * FROM pass ORDER BY session_id, number")
    known = {row["id"]: _known_by_drive(merging, row) for row in every}
    for session in merging.other.rows("SELECT * FROM session ORDER BY id"):
        mine = [row for row in every if row["session_id"] == session["id"]]
        _session(merging, session, [found for row in mine if (found := known[row["id"]]) is not None])
    homes = {
        row["id"]: known[row["id"]] or _known_by_number(merging, row, set(known.values())) for row in every
    }
    waiting: list[Number] = []
    for row in every:
        if (here := homes[row["id"]]) is not None:
            kept = merging.book.row("SELECT * FROM pass WHERE id = ?", (here,))
            assert kept is not None
            merging.same("pass", row, here, kept["uid"])
            waiting += _same_pass(merging, kept, row)
    _renumber(merging, waiting)
    for row in every:
        if homes[row["id"]] is None:
            _new_pass(merging, row)
        _logs(merging, row)
        _measured(merging, row)


def wishes(merging: Merging) -> None:
    """Targets and rules; the same target or rule set twice is one."""
    for row in merging.other.rows("SELECT * FROM target ORDER BY id"):
        _wish(merging, "target", row, ("ladder", "speed_text", "car", "venue", "dropped_at"))
    for row in merging.other.rows("SELECT * FROM rule ORDER BY id"):
        _wish(merging, "rule", row, ("name", "window_s", "mean", "least_gain", "dropped_at"))


def take_results(merging: Merging) -> None:
    """A result made of just these facts is one here too."""
    book = merging.book
    for row in merging.other.rows("SELECT * FROM result ORDER BY pass_id"):
        here = merging.here("pass", row["pass_id"])
        if here is None:
            continue
        wanted = results.inputs_of(book, here, with_bytes=False)
        if results.is_current(book, wanted) or row["inputs_sha256"] != wanted.sha256:
            continue
        kept = book.row("SELECT inputs_sha256 FROM result WHERE pass_id = ?", (here,))
        if (kept is None or kept["inputs_sha256"] != wanted.sha256) and merge_check.sound_review(
            row["review"]
        ):
            values = {name: row[name] for name in row.keys()} | {"pass_id": here}  # noqa: SIM118 (a Row's keys)
            marks = ", ".join("?" * len(values))
            book.run(
                f"INSERT OR REPLACE INTO result ({', '.join(values)}) VALUES ({marks})",
                tuple(values.values()),
            )


def _known_by_drive(merging: Merging, row: Row) -> int | None:
    """The pass of this uid, or the one that was driven at the same time at the same place."""
    book, other = merging.book, merging.other
    known = book.row("SELECT id FROM pass WHERE uid = ?", (row["uid"],))
    if known is not None:
        return int(known["id"])
    logs = [
        held
        for item in other.rows("SELECT recording_id FROM pass_recording WHERE pass_id = ?", (row["id"],))
        if (log := merging.here("recording", item["recording_id"])) is not None
        for held in keeping.held_by(book, log)
    ]
    session = rows.session_row(other, row["session_id"])
    found = _same_drive(merging, row, session.venue, logs)
    if found is None or _is_of_other(merging, found):
        return None
    cars = {car for car in (rows.pass_row(book, found).car, session.car) if car}
    return found if len(cars) < 2 else None


def _same_drive(merging: Merging, row: Row, venue: str, logs: list[int]) -> int | None:
    """By the time; a pass whose drive has none, by its logs, where they tell."""
    if row["start_utc"] is not None and row["end_utc"] is not None:
        dated = rows.dated(row["start_utc"]) is not None
        drive = FoundDrive(pd.Timestamp(row["start_utc"]), pd.Timestamp(row["end_utc"]), dated, ())
        return kept_pass(merging.book, drive, venue, logs, LogbookSettings())
    marks = ", ".join("?" * len(logs))
    found = merging.book.rows(
        "SELECT DISTINCT pass.id FROM pass JOIN pass_recording ON pass_id = pass.id "
        f"WHERE start_utc IS NULL AND recording_id IN ({marks})", logs,
    )  # fmt: skip
    return int(found[0]["id"]) if len(found) == 1 else None


def _known_by_number(merging: Merging, row: Row, claimed: set[int | None]) -> int | None:
    """The pass of this number in the same session, as far as somebody gave it, and no two drives claim it."""
    if row["session_id"] in merging.unnumbered:
        return None
    found = merging.book.row(
        "SELECT id, start_utc FROM pass WHERE session_id = ? AND number = ?",
        (merging.here("session", row["session_id"]), row["number"]),
    )
    if found is None or (found["start_utc"] is not None and row["start_utc"] is not None):
        return None
    return None if found["id"] in claimed or _is_of_other(merging, found["id"]) else int(found["id"])


def _is_of_other(merging: Merging, here: int) -> bool:
    """Whether a pass here is known by its uid to be another one there."""
    uid = merging.book.row("SELECT uid FROM pass WHERE id = ?", (here,))
    assert uid is not None
    return merging.other.row("SELECT 1 FROM pass WHERE uid = ?", (uid["uid"],)) is not None


def _session(merging: Merging, row: Row, passes_here: list[int]) -> None:
    book = merging.book
    known = book.row("SELECT * FROM session WHERE uid = ?", (row["uid"],))
    if known is None and passes_here:
        of_pass = rows.pass_row(book, passes_here[0]).session_id
        known = book.row("SELECT * FROM session WHERE id = ? AND date IS ?", (of_pass, row["date"]))
    named = book.row("SELECT * FROM session WHERE name = ? AND date IS ?", (row["name"], row["date"]))
    other_car = named is not None and row["car"] and named["car"] and row["car"] != named["car"]
    if known is None and not other_car:
        known = named
    if known is None:
        names = ("uid", "name", "date", "car", "weather", "added_at")
        values = {name: row[name] for name in names} | {"course_id": merging.here("course", row["course_id"])}
        if other_car:  # a day has one session of a name: this one is told apart by its car
            values["name"] = f"{row['name']}, {row['car']} {row['uid'][:6]}"
            merging.conflict("session", row["uid"], "session", "name", values["name"], row["name"])
        merging.same("session", row, merging.insert("session", values))
        return
    merging.same("session", row, int(known["id"]), known["uid"])
    mine = merge_values.flat(known, ("name", "date", "car"), ("weather",))
    other = merge_values.flat(row, ("name", "date", "car"), ("weather",))
    mine["course_id"] = merge_files.course_text(book, known["course_id"])
    other["course_id"] = merge_files.course_text(merging.other, row["course_id"])
    if known["uid"] != row["uid"] and _unnamed(merging, row, there=True):
        other["name"] = mine["name"]  # a name that nobody gave says nothing
        merging.unnumbered[row["id"]] = False
    elif known["uid"] != row["uid"] and _unnamed(merging, known):
        mine["name"] = None
        merging.unnumbered[row["id"]] = True
    taken = merging.decide("session", known, row, mine, other, f"session {plain(known['name'], 60)}")
    if "course_id" in taken:
        taken["course_id"] = merging.here("course", row["course_id"])
    _take_session(merging, known, mine, taken)


def _take_session(
    merging: Merging, known: Row, mine: dict[str, merge_values.Value], taken: dict[str, merge_values.Value]
) -> None:
    values: dict[str, merge_values.Value] = {
        name: taken[name] for name in ("name", "date", "course_id") if name in taken
    }
    if "car" in taken:
        values["car"] = taken["car"] or ""
    named = merging.book.row(
        "SELECT id FROM session WHERE name = ? AND date IS ?",
        (values.get("name", known["name"]), values.get("date", known["date"])),
    )
    if named is not None and named["id"] != known["id"]:  # taken by another session here
        values = {key: value for key, value in values.items() if key not in ("name", "date")}
        merging.done.notes.append(
            f"session {plain(known['name'], 60)}: its new name or date is another session's here"
        )
    if any(key.startswith("weather.") for key in taken):
        values["weather"] = merge_values.whole({**mine, **taken}, "weather")
    _update(merging, "session", known["id"], values)


def _unnamed(merging: Merging, row: Row, *, there: bool = False) -> bool:
    """Whether a session has the name that `add` gives where nobody names it."""
    venue = rows.session_row(merging.other if there else merging.book, row["id"]).venue
    return bool(row["name"] == ", ".join(part for part in (venue, row["date"]) if part))


def _new_pass(merging: Merging, row: Row) -> None:
    session_id = merging.here("session", row["session_id"])
    taken = {
        item["number"]
        for item in merging.book.rows("SELECT number FROM pass WHERE session_id = ?", (session_id,))
    }
    number = row["number"] if row["number"] not in taken else max(taken) + 1
    names = ("uid", "start_utc", "end_utc", "trap_text", "trap_entered_at", "weather", "setup", "stated", "note",
             "added_at", "set_aside_at")  # fmt: skip
    values = {name: row[name] for name in names} | {"session_id": session_id, "number": number}
    made = merging.insert("pass", values)
    merging.same("pass", row, made)
    merging.done.passes.append(made)
    if number != row["number"] and row["session_id"] in merging.unnumbered:
        merging.done.notes.append(f"pass {made} is no. {number} of its session here")
    elif number != row["number"]:
        merging.conflict("pass", row["uid"], f"pass {made}", "number", number, row["number"])


def _same_pass(merging: Merging, kept: Row, row: Row) -> list[Number]:
    names = ("number", "trap_text", "note", "set_aside_at")
    mine = merge_values.flat(kept, names, _PASS_TABLES)
    other = merge_values.flat(row, names, _PASS_TABLES)
    stated, theirs = set(json.loads(kept["stated"])), set(json.loads(row["stated"]))
    if row["session_id"] in merging.unnumbered:  # there `add` counted, and no timekeeper
        here = merging.unnumbered[row["session_id"]]
        (mine if here else other)["number"] = None
    typed: dict[str, merge_values.Value] = {}
    for key in [key for key in {**mine, **other} if key.startswith("setup.")]:
        name = key.removeprefix("setup.")
        if mine.get(key) != other.get(key) and (name in stated) != (name in theirs):
            # what was inherited gives way to what was typed
            if name in theirs:
                typed[key] = other[key]
                merging.done.changed.append(
                    f"pass {kept['id']}: {key} as typed there, {plain(other[key], 60)}"
                )
            for values in (mine, other):
                values.pop(key, None)
    taken = merging.decide("pass", kept, row, mine, other, f"pass {kept['id']}") | typed
    if kept["trap_text"] is row["trap_text"] is kept["trap_entered_at"] is None and row["trap_entered_at"]:
        taken["trap_text"] = None  # there it was said that none was read out
    _take_pass(merging, kept, row, taken)
    return [(kept["id"], kept["session_id"], taken["number"])] if "number" in taken else []


def _take_pass(merging: Merging, kept: Row, row: Row, taken: dict[str, merge_values.Value]) -> None:
    stated, theirs = set(json.loads(kept["stated"])), set(json.loads(row["stated"]))
    values: dict[str, merge_values.Value] = {}
    if "trap_text" in taken:
        values |= {"trap_text": taken["trap_text"], "trap_entered_at": row["trap_entered_at"]}
    if "note" in taken:
        values["note"] = taken["note"] or ""
    if "set_aside_at" in taken:
        values["set_aside_at"] = taken["set_aside_at"]
    for table in _PASS_TABLES:
        if any(key.startswith(f"{table}.") for key in taken):
            own = merge_values.flat(kept, (), (table,))
            values[table] = merge_values.whole({**own, **taken}, table)
    mine, other = json.loads(kept["setup"]), json.loads(row["setup"])
    agreed = {name for name in theirs if f"setup.{name}" in taken or mine.get(name) == other.get(name)}
    if not agreed <= stated:
        values["stated"] = json.dumps(sorted(stated | agreed))
    values |= _widened(kept, row)
    _update(merging, "pass", kept["id"], values)


def _renumber(merging: Merging, waiting: list[Number]) -> None:
    """Numbers that passes are to have, as they come free; one that stays taken is told."""
    while waiting:
        left = []
        for pass_id, session_id, number in waiting:
            taken = merging.book.row(
                "SELECT 1 FROM pass WHERE session_id = ? AND number = ?", (session_id, number)
            )
            if taken is None:
                _update(merging, "pass", pass_id, {"number": number})
            else:
                left.append((pass_id, session_id, number))
        if len(left) == len(waiting):
            merging.done.notes += [
                f"pass {item[0]}: number {item[2]} is taken here, it keeps its own" for item in left
            ]
            return
        waiting = left


def _widened(kept: Row, row: Row) -> dict[str, merge_values.Value]:
    """As long as the logs of both saw it."""
    if row["start_utc"] is None:
        return {}
    dated = rows.dated(row["start_utc"]) is not None
    start, end = row["start_utc"], row["end_utc"]
    if kept["start_utc"] is not None:
        kept_dated = rows.dated(kept["start_utc"]) is not None
        if kept_dated and not dated:
            return {}
        if kept_dated == dated:
            start, end = min(kept["start_utc"], start), max(kept["end_utc"], end)
    found = {"start_utc": start, "end_utc": end}
    return {} if all(kept[name] == value for name, value in found.items()) else found


def _logs(merging: Merging, row: Row) -> None:
    book, here = merging.book, merging.here("pass", row["id"])
    whose = book.row("SELECT uid FROM pass WHERE id = ?", (here,))
    assert whose is not None
    for item in merging.other.rows("SELECT * FROM pass_recording WHERE pass_id = ?", (row["id"],)):
        log = merging.here("recording", item["recording_id"])
        kept = book.row("SELECT * FROM pass_recording WHERE pass_id = ? AND recording_id = ?", (here, log))
        if kept is None:
            merging.insert(
                "pass_recording", {"pass_id": here, "recording_id": log, "parted_at": item["parted_at"]}
            )
            continue
        if (kept["parted_at"] is None) == (item["parted_at"] is None):
            continue
        uids = [
            found["uid"]
            for where, place in ((book, log), (merging.other, item["recording_id"]))
            if (found := where.row("SELECT uid FROM recording WHERE id = ?", (place,))) is not None
        ]
        verdict = merge_values.outcome(
            kept["parted_at"], item["parted_at"], merging.before(True, whose["uid"], "pass_recording", uids[0]),
            merging.before(False, row["uid"], "pass_recording", uids[1]),
        )  # fmt: skip
        if verdict == "take":
            book.run(
                "UPDATE pass_recording SET parted_at = ? WHERE pass_id = ? AND recording_id = ?",
                (item["parted_at"], here, log),
            )


def _measured(merging: Merging, row: Row) -> None:
    book, here = merging.book, merging.here("pass", row["id"])
    whose = book.row("SELECT id, uid FROM pass WHERE id = ?", (here,))
    assert whose is not None and here is not None
    kept = {item["key"]: item for item in book.rows("SELECT * FROM measured WHERE pass_id = ?", (here,))}
    for item in merging.other.rows("SELECT * FROM measured WHERE pass_id = ?", (row["id"],)):
        key = item["key"]
        if key not in kept:
            names = ("key", "text", "entered_at")
            merging.insert("measured", {"pass_id": here, **{name: item[name] for name in names}})
            continue
        taken = merging.decide(
            "measured", whose, row, {key: kept[key]["text"]}, {key: item["text"]}, f"pass {here}"
        )
        if taken:
            book.run(
                "UPDATE measured SET text = ?, entered_at = ? WHERE pass_id = ? AND key = ?",
                (item["text"], item["entered_at"], here, key),
            )


def _wish(merging: Merging, table: str, row: Row, names: tuple[str, ...]) -> None:
    book = merging.book
    known = book.row(f"SELECT * FROM {table} WHERE uid = ?", (row["uid"],))
    if known is None and table == "rule":
        known = book.row("SELECT * FROM rule WHERE name = ?", (row["name"],))
    elif known is None:
        known = book.row(
            "SELECT * FROM target WHERE ladder = ? AND speed_text = ? AND car IS ? AND venue IS ? "
            "AND (dropped_at IS NULL) = (? IS NULL)",
            (row["ladder"], row["speed_text"], row["car"], row["venue"], row["dropped_at"]),
        )
    if known is None:
        merging.insert(table, {name: row[name] for name in ("uid", *names, "set_at")})
        return
    merging.same(table, row, int(known["id"]), known["uid"])
    mine, other = merge_values.flat(known, names), merge_values.flat(row, names)
    if (known["dropped_at"] is None) == (row["dropped_at"] is None):
        del mine["dropped_at"], other["dropped_at"]
    name = f'{table} "{plain(row["name" if table == "rule" else "speed_text"], 60)}"'
    _update(merging, table, known["id"], merging.decide(table, known, row, mine, other, name))


def _update(merging: Merging, table: str, row_id: int, values: dict[str, merge_values.Value]) -> None:
    if values:
        marks = ", ".join(f"{name} = ?" for name in values)
        merging.book.run(f"UPDATE {table} SET {marks} WHERE id = ?", (*values.values(), row_id))
