"""The timekeeper's sheet: a table of times and figures, read by the trade's words."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from speedlog.errors import SpeedlogError, plain
from speedlog.importers import load
from speedlog.importers.delimited_dates import Order, find_order, parse_date
from speedlog.importers.delimited_text import clean, split_line
from speedlog.settings import Settings
from speedlog.units import Kind, find_unit, parse_quantity

# words of each kind of column; a header is taken only when all of its words are of one kind
_WORDS: dict[str, frozenset[str]] = {
    "number": frozenset(["pass", "run", "no", "nr", "num", "number", "#", "of", "the"]),
    "clock": frozenset(["time", "of", "day", "clock", "local", "start", "at", "tod", "hour"]),
    "speed": frozenset(
        ["speed", "trap", "average", "avg", "mean", "official", "figure", "result", "velocity"]
    ),
    "elapsed": frozenset(["elapsed", "time", "et", "trap", "interval", "duration", "timed", "official"]),
    "car": frozenset(["car", "vehicle", "entry", "driver", "competitor", "entrant", "name", "model"]),
    "date": frozenset(["date", "day"]),
}
_CLOCK = re.compile(
    r"(?:(?P<date>\S+)[ T])?(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d(?:[.,]\d+)?))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?$"
)
_UNIT = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]")
_HEADER_WITHIN = 30  # lines; the club's name and the date stand above


@dataclass(frozen=True)
class SheetRow:
    """One row: `clock` is seconds since midnight at the venue; `figure` the text of a trap figure."""

    line: int
    number: int | None
    clock_s: float | None
    date: str | None
    car: str
    figure: str | None
    also: str | None = None  # the time between the beams, where both are given
    problem: str | None = None


@dataclass(frozen=True)
class _Column:
    place: int
    kind: str
    unit: str | None


def read_sheet(path: Path, settings: Settings | None = None) -> list[SheetRow]:
    """The rows of a sheet; a row that can't be read has a `problem`, and no figure.

    Raises:
        SpeedlogError: no text, no header that names a speed or a time between the beams, or no unit.
    """
    settings = settings or Settings()
    data = load(path, settings.read).data
    if len(data) > settings.logbook.sheet_biggest_mb * 1e6:
        raise SpeedlogError(
            "too big for a sheet of times", file=path, todo="Give the timekeeper's table alone."
        )
    text = clean(data)
    lines = text.data[: text.end].decode("utf-8", "replace").splitlines()
    header, separator, columns = _header(lines, path)
    rows = [
        (number, split_line(line, separator))
        for number, line in enumerate(lines[header + 1 :], start=header + 2)
        if line.strip(separator + " \t")
    ]
    _check_units(columns, rows, path)
    order = find_order(cell for column in columns if column.kind == "date" for _, cells in rows
                       for cell in cells[column.place : column.place + 1])[0]  # fmt: skip
    return [_row(number, cells, columns, order) for number, cells in rows]


def _header(lines: Sequence[str], path: Path) -> tuple[int, str, list[_Column]]:
    """The first line that names a figure, the separator under which it does, and its columns."""
    for place, line in enumerate(lines[:_HEADER_WITHIN]):
        for separator in (";", "\t", ",", "|"):
            cells = split_line(line, separator)
            columns = _columns(cells) if len(cells) > 1 else []
            if {"speed", "elapsed"} & {column.kind for column in columns}:
                return place, separator, columns
    raise SpeedlogError(
        "no column of speeds or of times between the beams was found", file=path,
        todo='Name the columns on one line, like: run, time, speed (mph). "Elapsed time (s)" is taken too.',
    )  # fmt: skip


def _columns(cells: Sequence[str]) -> list[_Column]:
    found: list[_Column] = []
    for place, cell in enumerate(cells):
        kind, unit = _meaning(cell)
        if kind and kind not in [column.kind for column in found]:
            found.append(_Column(place, kind, unit))
    return found


def _meaning(cell: str) -> tuple[str | None, str | None]:
    """What a header says, and the unit in it: "Trap speed (mph)", "Speed mph", "mph", "Time of day"."""
    bracket = _UNIT.search(cell)
    unit = bracket[1] if bracket else None
    words = re.findall(r"#|[^\W_]+(?:/[^\W_]+)?", _UNIT.sub(" ", cell).casefold())
    if unit is None and words and any(find_unit(words[-1], kind) for kind in ("speed", "time")):
        unit = words.pop()
    if unit is not None and find_unit(unit, "speed"):
        return ("speed", unit) if set(words) <= _WORDS["speed"] else (None, None)
    if unit is not None and find_unit(unit, "time"):
        return ("elapsed", unit) if set(words) <= _WORDS["elapsed"] else (None, None)
    if not words:
        return None, None
    for kind, known in _WORDS.items():
        if set(words) <= known and not (kind == "elapsed" and words == ["time"]):
            return kind, None
    return None, None


def _check_units(columns: Sequence[_Column], rows: Sequence[tuple[int, list[str]]], path: Path) -> None:
    for column in columns:
        if column.kind not in ("speed", "elapsed") or column.unit is not None:
            continue
        for number, cells in rows:
            cell = cells[column.place] if column.place < len(cells) else ""
            if re.fullmatch(r"[\d.,]+", cell):
                raise SpeedlogError(
                    f'"{plain(cell)}" has no unit, and neither has its column', file=path, line=number,
                    todo="Write the unit into the header, like: speed (mph).",
                )  # fmt: skip


def _row(line: int, cells: Sequence[str], columns: Sequence[_Column], order: Order) -> SheetRow:
    def cell(kind: str) -> tuple[str, str | None]:
        for column in columns:
            if column.kind == kind and column.place < len(cells):
                return cells[column.place].strip(), column.unit
        return "", None

    number = re.fullmatch(r"#?\s*(\d{1,6})", cell("number")[0])
    clock_s, date, problem = _clock(cell("clock")[0], order)
    given_date = cell("date")[0]
    figure, wrong = _figure(cell("speed"), "speed")
    also, wrong_too = _figure(cell("elapsed"), "time")
    if figure is None and wrong is None:
        figure, also, wrong = also, None, wrong_too
    return SheetRow(
        line=line,
        number=int(number[1]) if number else None,
        clock_s=clock_s,
        date=_date(given_date, order) or date,
        car=cell("car")[0],
        figure=None if problem else figure,
        also=also,
        problem=problem or wrong,
    )


def _clock(text: str, order: Order) -> tuple[float | None, str | None, str | None]:
    if not text:
        return None, None, None
    found = _CLOCK.match(text)
    if not found:
        return None, None, f'"{plain(text, 40)}" is no time of day'
    hour, minute, second = int(found["h"]), int(found["m"]), float((found["s"] or "0").replace(",", "."))
    if found["half"]:
        hour = hour % 12 + (12 if found["half"][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second >= 60:
        return None, None, f'"{plain(text, 40)}" is no time of day'
    return hour * 3600 + minute * 60 + second, _date(found["date"] or "", order), None


def _date(text: str, order: Order) -> str | None:
    days = parse_date(text, order) if text else None
    return None if days is None else (dt.date(1970, 1, 1) + dt.timedelta(days=days)).isoformat()


def _figure(cell: tuple[str, str | None], kind: Kind) -> tuple[str | None, str | None]:
    """The text of a figure with its unit; a cell that says "no time" in any words is none, and is told."""
    text, unit = cell
    if not text:
        return None, None
    whole = f"{text} {unit}" if unit and re.fullmatch(r"[\d.,]+", text) else text
    try:
        value = parse_quantity(whole, kind, "figure").value
    except SpeedlogError:
        return None, f'"{plain(text, 40)}" is no figure'
    return (whole, None) if value > 0 else (None, f'"{plain(text, 40)}" is no figure')
