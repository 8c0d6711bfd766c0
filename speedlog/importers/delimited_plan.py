"""Which column of a table is its time, and how it is written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError, plain
from speedlog.importers.columns import Meaning
from speedlog.importers.delimited_dates import ORDERS, parse_date, read_stamps
from speedlog.importers.delimited_layout import NUMBER, Layout
from speedlog.importers.delimited_map import Choice, Mapping
from speedlog.units import Unit, find_unit


class Form(IntEnum):
    """How a time is written, the better source first."""

    ISO = 0
    STAMP = 1  # date and clock time in one cell
    EPOCH = 2  # a count since 1970
    CLOCK = 3  # 13:45:30
    CLOCK_NUMBER = 4  # 134530.00
    ELAPSED = 5  # a count from the log's own start
    MINUTES = 6  # 12:05.250


@dataclass(frozen=True)
class TimeColumn:
    """A column of times: where it stands, what it says, how it is written."""

    index: int
    header: str
    form: Form
    meaning: Meaning
    unit: Unit | None


@dataclass(frozen=True)
class TimePlan:
    """The time of a table: its column, a column of dates beside it, what was guessed."""

    time: TimeColumn
    date: int | None
    warnings: tuple[str, ...]


_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?\s?(Z|[+-]\d\d(:?\d\d)?)?$")
_CLOCK = re.compile(r"\d{1,3}:\d\d:\d\d([.,:]\d+)?\s?([AaPp]\.?[Mm]\.?)?\s?(Z|UTC|[+-]\d\d:?\d\d)?$")
_HOUR_MINUTE = re.compile(r"\d{1,2}:\d\d\s?[AaPp]\.?[Mm]\.?$")
_MINUTES = re.compile(r"\d{1,5}:\d\d([.,]\d+)?$")
_COMPACT = re.compile(r"\d{8}[T _-]?\d{6}([.,]\d+)?Z?$")
# seconds since 1970 of the years 2000 to 2100; in other units a thousand times as many each
_EPOCH_FROM, _EPOCH_TO = 9.4e8, 4.2e9
_EPOCH_UNITS = (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9))


def plan_time(layout: Layout, mapping: Mapping, file: str) -> TimePlan:
    """Choose the time column: an instant before date and clock time, before a count since 1970, before a
    clock time alone, before elapsed time; of equals the one that says UTC, then the leftmost.

    Raises:
        SpeedlogError: no column holds times.
    """
    dates = [at for at, found in enumerate(layout.meanings) if found and found.column == "date"]
    stated = mapping.columns.get("date")
    if stated:
        dates = [position(stated, layout, mapping, "date")]
    date = next((at for at in dates if layout.cells(at)), None)
    chosen = mapping.columns.get("time")
    if chosen:
        at = position(chosen, layout, mapping, "time")
        meaning = Meaning("time", "time", unit=chosen.unit, unit_from="your mapping")
        candidates = [time for time in [_time_column(at, layout, meaning, chosen, date)] if time]
    else:
        known = [
            (at, found)
            for at, found in enumerate(layout.meanings)
            if found and found.column in ("time", "date")
        ]
        candidates = [time for at, found in known if (time := _time_column(at, layout, found, None, date))]
    if not candidates:
        raise SpeedlogError(
            "no column holds times" if layout.sample else "the header has no rows below it",
            file=file,
            line=layout.header_line or None,
            todo='State it in a --columns map: time = { header = "…", form = "elapsed", unit = "s" }.'
            if layout.sample else "Check that the log was written to the end.",
        )  # fmt: skip
    best = min(candidates, key=lambda time: (_goodness(time, date), time.meaning.rank, time.index))
    rivals = [
        time for time in candidates if _goodness(time, date) == _goodness(best, date) and time is not best
    ]
    warnings = []
    if rivals:
        warnings.append(f'several columns of times: "{plain(best.header)}" is used, not {_list(rivals)}')
    paired = date if best.form in (Form.CLOCK, Form.CLOCK_NUMBER) and date != best.index else None
    return TimePlan(best, paired, tuple(warnings))


def position(choice: Choice, layout: Layout, mapping: Mapping, name: str) -> int:
    """Where the column of a mapping stands, from 0.

    Raises:
        SpeedlogError: the file has no such header or column.
    """
    if choice.column is not None:
        if choice.column <= layout.fields:
            return choice.column - 1
        found = f"column {choice.column} where the table has {layout.fields}"
    else:
        folded = [header.strip().casefold() for header in layout.headers]
        wanted = (choice.header or "").casefold()
        if wanted in folded:
            return folded.index(wanted)
        found = f'header "{plain(choice.header)}", which the table does not have'
    heads = ", ".join(f'"{plain(header, 30)}"' for header in layout.headers[:12])
    raise SpeedlogError(f"columns.{name} names {found}", file=mapping.path, todo=f"Its headers: {heads}.")


def _list(times: Sequence[TimeColumn]) -> str:
    return ", ".join(f'"{plain(time.header)}"' for time in times)


def _goodness(time: TimeColumn, date: int | None) -> float:
    """Lower is better; a clock time with a date beside it is worth as much as an instant."""
    if time.form in (Form.CLOCK, Form.CLOCK_NUMBER) and date is not None and date != time.index:
        return Form.STAMP + 0.5
    return float(time.form)


def _time_column(
    index: int, layout: Layout, meaning: Meaning, choice: Choice | None, date: int | None
) -> TimeColumn | None:
    cells = layout.cells(index)
    form = _form(cells, meaning, choice.form if choice else None, date not in (None, index))
    if form is None:
        return None
    unit = meaning.unit
    if form is Form.EPOCH and (choice is None or choice.unit is None):
        unit = _epoch_unit(_numbers(cells))
    return TimeColumn(index, layout.headers[index], form, meaning, unit)


def _form(cells: list[str], meaning: Meaning, stated: str | None, dated: bool) -> Form | None:
    """How a column's times are written, or None where they are no times."""

    def most(pattern: re.Pattern[str]) -> bool:
        return sum(bool(pattern.match(cell)) for cell in cells) > 0.8 * len(cells)

    if not cells:
        return None
    if stated == "elapsed":
        return Form.MINUTES if most(_MINUTES) else Form.CLOCK if most(_CLOCK) else Form.ELAPSED
    if most(NUMBER):
        return _number_form(_numbers(cells), meaning, stated, dated)
    if meaning.column == "date" and not any(":" in cell or _COMPACT.match(cell) for cell in cells):
        return None
    if most(_ISO):
        return Form.ISO
    if most(_CLOCK) or most(_HOUR_MINUTE):
        return Form.CLOCK
    if most(_MINUTES):
        return Form.CLOCK if stated == "time of day" else Form.MINUTES
    dated_cells = sum(1 for cell in cells if _COMPACT.match(cell) or (":" in cell and _has_date(cell)))
    return Form.STAMP if dated_cells > 0.8 * len(cells) else None


def _has_date(cell: str) -> bool:
    stamps = read_stamps(np.array([cell.encode("utf-8")[:40]]))
    text = bytes(stamps.dates[0]).decode("utf-8", errors="replace").strip(" ,T_")
    return bool(stamps.sound[0]) and any(parse_date(text, order) is not None for order in ORDERS)


def _number_form(
    numbers: NDArray[np.float64], meaning: Meaning, stated: str | None, dated: bool
) -> Form | None:
    if meaning.column == "date":
        return None
    is_epoch = _epoch_unit(numbers) is not None
    if stated == "epoch" or "epoch" in meaning.traits:
        return Form.EPOCH if is_epoch else None
    if stated == "time of day" or "clock" in meaning.traits:
        return Form.CLOCK_NUMBER if _reads_as_clock(numbers) else None
    if is_epoch and "elapsed" not in meaning.traits:
        return Form.EPOCH
    if (
        (dated or "utc" in meaning.traits)
        and meaning.unit is None
        and _reads_as_clock(numbers)
        and numbers.max() >= 100
    ):
        return Form.CLOCK_NUMBER
    return Form.ELAPSED


def _numbers(cells: list[str]) -> NDArray[np.float64]:
    found = [float(cell.replace(",", ".")) for cell in cells if NUMBER.match(cell)]
    return np.array(found) if found else np.zeros(1)


def _epoch_unit(numbers: NDArray[np.float64]) -> Unit | None:
    """The unit in which numbers count from 1970 to a date of this century."""
    for text, factor in _EPOCH_UNITS:
        seconds = numbers * factor
        if np.mean((seconds > _EPOCH_FROM) & (seconds < _EPOCH_TO)) > 0.8:
            return find_unit(text, "time")
    return None


def _reads_as_clock(numbers: NDArray[np.float64]) -> bool:
    """Whether all numbers are hhmmss: no minute or second over 59."""
    whole = np.floor(numbers).astype(np.int64) if np.all(np.abs(numbers) < 1e9) else np.full(1, -1)
    return bool(np.all((whole >= 0) & (whole < 240_000) & (whole % 100 < 60) & (whole // 100 % 100 < 60)))
