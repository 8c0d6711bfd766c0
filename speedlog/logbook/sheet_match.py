"""Which row of the timekeeper's sheet belongs to which pass: by time of day, then by order; never guessed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import pandas as pd

from speedlog.errors import plain
from speedlog.logbook import given, keeping, results, rows
from speedlog.logbook.sheet import SheetRow
from speedlog.logbook.store import Logbook
from speedlog.settings import LogbookSettings, Settings

_DAY_S = 86400.0


@dataclass(frozen=True)
class Matched:
    """Rows that belong to a pass, by the pass's place; and the others, each with the reason."""

    pairs: tuple[tuple[SheetRow, int], ...]
    left: tuple[tuple[SheetRow, str], ...]


@dataclass(frozen=True)
class SheetDone:
    """What became of a sheet: figures taken, the same as kept, contradicting what is kept, and rows left."""

    taken: tuple[tuple[SheetRow, rows.PassRow], ...]
    same: int
    contradictions: tuple[tuple[SheetRow, rows.PassRow, str], ...]
    left: tuple[tuple[SheetRow, str], ...]


def add_sheet(
    book: Logbook, sheet: Sequence[SheetRow], session: rows.SessionRow, *, settings: Settings | None = None,
    begin: Callable[[int, int], None] | None = None, name: str = "the sheet",
) -> SheetDone:  # fmt: skip
    """Put a sheet's figures to the passes of a session, and review those again.

    Only what is sure is written; what contradicts a kept figure is told and left.
    """
    settings = settings or Settings()
    mine = [row for row in rows.passes(book) if row.session_id == session.id]  # in the order of time
    clocks = [_clock_s(row, book) for row in mine]
    wanted, elsewhere = _of_session(sheet, session)
    found = match(_local(wanted, mine, book), clocks, settings.logbook)
    taken, contradictions, same = [], [], 0
    with book.writing(f"from {plain(name, 80)}"):
        for row, place in found.pairs:
            done = keeping.KeptPass(mine[place].id, new=False)
            kept = rows.pass_row(book, mine[place].id)
            if (
                row.also is None
                or kept.trap_text is None
                or not keeping.same_figure(kept.trap_text, row.also)
            ):
                keeping.set_trap(book, kept, row.figure or "", done)
            if done.contradictions:
                contradictions.append((row, mine[place], done.contradictions[0]))
            elif done.filled:
                taken.append((row, mine[place]))
            else:
                same += 1
    results.bring_up_to_date(book, session.id, [row.id for _, row in taken], settings=settings, begin=begin)
    fresh = tuple((row, rows.pass_row(book, item.id)) for row, item in taken)
    return SheetDone(fresh, same, tuple(contradictions), (*elsewhere, *found.left))


def match(sheet: Sequence[SheetRow], clocks_s: Sequence[float | None], settings: LogbookSettings) -> Matched:
    """Pairs of rows and passes.

    Args:
        sheet: in its order.
        clocks_s: time of day at the venue of each pass, in the order of the passes; None where unknown.

    By time of day: one pass within the tolerance, and no other row so near to it. By order: rows without a time
    between two rows so matched (or the ends), where exactly as many passes are left between.
    """
    numbers = [row.number for row in sheet]
    if None not in numbers and len(set(numbers)) == len(
        numbers
    ):  # a sheet may run from the last pass to the first
        sheet = sorted(sheet, key=lambda row: row.number or 0)
    near = [_near(row, clocks_s, settings.sheet_tolerance_s) for row in sheet]
    claims = [place for places in near for place in places]
    by_row: dict[int, int] = {
        n: places[0] for n, places in enumerate(near) if len(places) == 1 and claims.count(places[0]) == 1
    }
    by_row |= _by_order(sheet, by_row, len(clocks_s))
    pairs = tuple((row, by_row[n]) for n, row in enumerate(sheet) if n in by_row and row.figure is not None)
    left = [
        (row, _why(row, near[n], claims))
        for n, row in enumerate(sheet)
        if n not in by_row or row.figure is None
    ]
    return Matched(pairs, tuple(left))


def _near(row: SheetRow, clocks_s: Sequence[float | None], tolerance_s: float) -> list[int]:
    if row.clock_s is None:
        return []
    return [
        place
        for place, clock in enumerate(clocks_s)
        if clock is not None and _apart(row.clock_s, clock) <= tolerance_s
    ]


def _by_order(sheet: Sequence[SheetRow], sure: dict[int, int], passes: int) -> dict[int, int]:
    """Rows without a time, where as many passes are left between their neighbours that are sure."""
    found: dict[int, int] = {}
    ends = [(-1, -1), *sorted(sure.items()), (len(sheet), passes)]
    if [place for _, place in ends] != sorted({place for _, place in ends}):
        return found  # the sheet isn't in the order of time
    for (row, place), (next_row, next_place) in pairwise(ends):
        between, left = range(row + 1, next_row), range(place + 1, next_place)
        if len(between) == len(left) and all(sheet[n].clock_s is None for n in between):
            found |= dict(zip(between, left, strict=True))
    return found


def _why(row: SheetRow, near: Sequence[int], claims: Sequence[int]) -> str:
    if row.problem:
        return row.problem
    if row.figure is None:
        return "no figure in it"
    if row.clock_s is None:
        return "no time of day, and not as many rows as passes"
    if not near:
        return "no pass is kept at that time"
    if len(near) > 1:
        return f"{len(near)} passes are near that time"
    return f"{claims.count(near[0])} rows are near the same pass"


def _of_session(
    sheet: Sequence[SheetRow], session: rows.SessionRow
) -> tuple[list[SheetRow], list[tuple[SheetRow, str]]]:
    """The rows of this day and car, as far as the sheet says so; the others with the reason."""
    cars = {row.car.casefold() for row in sheet}
    by_car = session.car.casefold() in cars and len(cars) > 1
    mine: list[SheetRow] = []
    others: list[tuple[SheetRow, str]] = []
    for row in sheet:
        if row.date is not None and session.date is not None and row.date != session.date:
            others.append((row, f"of another day ({row.date})"))
        elif by_car and row.car.casefold() != session.car.casefold():
            others.append((row, f"of another car ({plain(row.car, 40)})"))
        else:
            mine.append(row)
    return mine, others


def _local(sheet: Sequence[SheetRow], mine: Sequence[rows.PassRow], book: Logbook) -> list[SheetRow]:
    """Rows whose times are UTC, brought to the clock of the venue on that day."""
    dated = next((row for row in mine if row.start_utc is not None), None)
    if dated is None or not any(row.utc for row in sheet):
        return list(sheet)
    zone = given.zone_of(results.course_from(rows.course_of(book, dated.id)))
    shift = pd.Timestamp(dated.start_utc or "").floor("us").to_pydatetime().astimezone(zone).utcoffset()
    ahead_s = 0.0 if shift is None else shift.total_seconds()
    return [
        replace(row, clock_s=(row.clock_s + ahead_s) % _DAY_S) if row.utc and row.clock_s is not None else row
        for row in sheet
    ]


def _clock_s(row: rows.PassRow, book: Logbook) -> float | None:
    """Time of day at the venue when the car was in the trap, or in the middle of its drive."""
    entry = row.result.entry_utc if row.result else None
    if entry is not None:
        moment = pd.Timestamp(entry)
    elif row.start_utc is None or row.end_utc is None:
        return None
    else:
        start, end = pd.Timestamp(row.start_utc), pd.Timestamp(row.end_utc)
        moment = start + (end - start) / 2
    zone = given.zone_of(results.course_from(rows.course_of(book, row.id)))
    local: dt.datetime = moment.floor("us").to_pydatetime().astimezone(zone)
    return local.hour * 3600 + local.minute * 60 + local.second + local.microsecond / 1e6


def _apart(one_s: float, other_s: float) -> float:
    """Around the clock."""
    apart = abs(one_s - other_s) % _DAY_S
    return min(apart, _DAY_S - apart)
