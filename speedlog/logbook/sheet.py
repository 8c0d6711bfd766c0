"""The timekeeper's sheet: a table of times and figures, read by the trade's words."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
_KINDS: dict[str, Kind] = {"speed": "speed", "elapsed": "time"}
_UTC = ("utc", "gmt")
_CLOCK = re.compile(
    r"(?:(?P<date>\S+)[ T])?(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d(?:[.,]\d+)?))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?$"
)
_UNIT = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]")
_BOOKS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")
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
    utc: bool = False  # the header says that `clock_s` is UTC


@dataclass(frozen=True)
class _Column:
    place: int
    kind: str
    unit: str | None
    words: frozenset[str] = frozenset()


def read_sheet(path: Path, settings: Settings | None = None) -> list[SheetRow]:
    """The rows of a sheet; a row that can't be read has a `problem`, and no figure.

    Raises:
        SpeedlogError: no text, no header that names a speed or a time between the beams, or no unit.
    """
    settings = settings or Settings()
    if path.suffix.lower() in _BOOKS:
        raise SpeedlogError(
            "a spreadsheet program's own file", file=path, todo='Save it as CSV there ("Save as", text).'
        )
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
    columns, rows = _units_below(columns, rows)
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
                _check_one_of_a_kind(columns, cells, path, place + 1)
                return place, separator, columns
    raise SpeedlogError(
        "no column of speeds or of times between the beams was found", file=path,
        todo='Name the columns on one line, like: run, time, speed (mph). "Elapsed time (s)" is taken too.',
    )  # fmt: skip


def _columns(cells: Sequence[str]) -> list[_Column]:
    found: list[_Column] = []
    for place, cell in enumerate(cells):
        kind, unit, words = _meaning(cell)
        if kind:
            found.append(_Column(place, kind, unit, words))
    return found


def _check_one_of_a_kind(columns: Sequence[_Column], cells: Sequence[str], path: Path, line: int) -> None:
    """Of two columns of figures nobody knows which is meant, unless they say the same in two units."""
    for kind in ("speed", "elapsed"):
        same = [column for column in columns if column.kind == kind]
        if len({column.words for column in same}) > 1:
            listed = ", ".join(f'"{plain(cells[column.place], 40)}"' for column in same)
            raise SpeedlogError(
                f"several columns of figures: {listed}",
                file=path,
                line=line,
                todo="Leave only the official one.",
            )


def _units_below(
    columns: list[_Column], rows: list[tuple[int, list[str]]]
) -> tuple[list[_Column], list[tuple[int, list[str]]]]:
    """A row of units under the header, taken into the columns."""
    cells = rows[0][1] if rows else []
    units: dict[int, str] = {}
    for column in columns:
        text = cells[column.place].strip("()[] ") if column.place < len(cells) else ""
        if column.kind in _KINDS and find_unit(text, _KINDS[column.kind]):
            units[column.place] = text
    if not units:
        return columns, rows
    return [replace(column, unit=units.get(column.place, column.unit)) for column in columns], rows[1:]


def _meaning(cell: str) -> tuple[str | None, str | None, frozenset[str]]:
    """What a header says, the unit in it, and its words: "Trap speed (mph)", "Speed mph", "mph", "Time of day"."""
    bracket = _UNIT.search(cell)
    unit = bracket[1] if bracket else None
    words = re.findall(r"#|[^\W_]+(?:/[^\W_]+)?", _UNIT.sub(" ", cell).casefold())
    if (
        unit is None
        and words
        and (words[-1] in _UTC or any(find_unit(words[-1], kind) for kind in _KINDS.values()))
    ):
        unit = words.pop()
    said = frozenset(words)
    if unit is not None:
        for kind, quantity in _KINDS.items():
            if find_unit(unit, quantity):
                return (kind, unit, said) if said <= _WORDS[kind] else (None, None, said)
    if unit is not None and unit.casefold() in _UTC:
        return ("clock", unit, said) if said <= _WORDS["clock"] else (None, None, said)
    for kind, known in _WORDS.items():
        if said and said <= known and not (kind == "elapsed" and said == {"time"}):
            return kind, None, said
    return None, None, said


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
        utc=cell("clock")[1] is not None,
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
