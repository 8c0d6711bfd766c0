"""The times of a table's rows, in nanoseconds, and what its clock is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError, plain
from speedlog.importers.columns import Meaning
from speedlog.importers.delimited_cells import to_numbers
from speedlog.importers.delimited_dates import DAY_NS, find_order, parse_date, read_dates, read_stamps
from speedlog.importers.delimited_layout import Layout
from speedlog.importers.delimited_map import Mapping
from speedlog.importers.delimited_plan import Form, TimePlan
from speedlog.importers.epoch_times import unwrap_midnight
from speedlog.samples import Clock
from speedlog.units import Unit, find_unit

_FARTHEST_NS = 4_600_000_000_000_000_000  # the year 2115: beyond it differences of times overflow int64
_ZONE_WARNING = "the times name no zone: read as UTC"


@dataclass(frozen=True, eq=False)
class TimesRead:
    """(N,) times, which rows could be read, what the clock is, and the unit of a count."""

    time_ns: NDArray[np.int64]
    sound: NDArray[np.bool_]
    clock: Clock
    warnings: list[str] = field(default_factory=list)
    unit: Unit | None = None


def read_times(table: pd.DataFrame, plan: TimePlan, layout: Layout, mapping: Mapping, file: str) -> TimesRead:
    """The times of all rows.

    Raises:
        SpeedlogError: an elapsed time whose unit can't be told.
    """
    column, zone = table[plan.time.index], _zone_ns(plan.time.meaning, mapping)
    form = plan.time.form
    if form is Form.ISO:
        return _iso(column, plan, zone)
    if form in (Form.EPOCH, Form.ELAPSED):
        return _counted(column, plan, layout, file)
    clock, sound, zoned, dates = _clock_of(column, form)
    if form is Form.MINUTES:
        return TimesRead(clock, sound, Clock.ELAPSED)
    warnings = [] if zone is not None or zoned else [_ZONE_WARNING]
    order = mapping.date_order
    if form is Form.STAMP or plan.date is not None:
        texts = dates if form is Form.STAMP else table[plan.date].to_numpy()
        days, known, more = read_dates(texts, order)
        return TimesRead(
            days * DAY_NS + clock - (zone or 0) * (not zoned), sound & known, Clock.UTC, [*more, *warnings]
        )
    return _undated(clock - (zone or 0) * (not zoned), sound, plan, layout, mapping, warnings)


def _zone_ns(meaning: Meaning, mapping: Mapping) -> int | None:
    """The offset that header or mapping state; None where they state none."""
    if mapping.zone_minutes is not None:
        return mapping.zone_minutes * 60_000_000_000
    if meaning.zone_minutes is not None:
        return meaning.zone_minutes * 60_000_000_000
    return 0 if "utc" in meaning.traits else None


def _iso(column: pd.Series, plan: TimePlan, zone: int | None) -> TimesRead:
    if not isinstance(column.dtype, pd.DatetimeTZDtype) and column.dtype.kind != "M":
        texts = column.astype(str).str.strip()
        zoned = (
            bool(texts.str.contains(r"(?:Z|[+-]\d\d(?::?\d\d)?)$", regex=True).mean() > 0.5)
            if len(texts)
            else True
        )
        column = pd.Series(pd.to_datetime(texts, format="ISO8601", utc=True, errors="coerce"))
    else:
        zoned = isinstance(column.dtype, pd.DatetimeTZDtype)
    index = pd.DatetimeIndex(column)
    index = index.tz_localize("UTC") if index.tz is None else index
    possible = (index > pd.Timestamp(-_FARTHEST_NS, tz="UTC")) & (
        index < pd.Timestamp(_FARTHEST_NS, tz="UTC")
    )
    sound = np.asarray(possible, dtype=np.bool_)  # a time that is missing is not, either
    stamps = np.array(pd.DatetimeIndex(index if sound.all() else index.where(sound)).as_unit("ns").asi8)
    stamps[~sound] = 0
    return TimesRead(
        stamps if zoned else stamps - (zone or 0),
        sound,
        Clock.UTC,
        [] if zoned or zone is not None else [_ZONE_WARNING],
    )


def _counted(column: pd.Series, plan: TimePlan, layout: Layout, file: str) -> TimesRead:
    numbers, _ = to_numbers(column, layout.decimal)
    sound = np.isfinite(numbers)
    unit = plan.time.unit
    warnings: list[str] = []
    if unit is None:
        unit, warnings = _elapsed_unit(numbers[sound], plan, file)
    # float64 holds an epoch in seconds to a quarter of a microsecond, so the digits end there
    fine = 1e9 if plan.time.form is Form.ELAPSED else 1e6
    sound &= np.abs(np.where(sound, numbers, 0.0)) < _FARTHEST_NS / 1e9 / unit.factor
    scaled = np.where(sound, numbers, 0.0) * (unit.factor * fine)
    time_ns = np.round(scaled).astype(np.int64) * int(1e9 / fine)
    if plan.time.form is Form.EPOCH and column.dtype.kind == "i" and unit.symbol in ("µs", "ns"):
        time_ns = column.to_numpy(dtype=np.int64) * (1000 if unit.symbol == "µs" else 1)  # whole: exact
    clock = Clock.UTC if plan.time.form is Form.EPOCH else Clock.ELAPSED
    return TimesRead(time_ns, sound, clock, warnings, unit)


def _elapsed_unit(numbers: NDArray[np.float64], plan: TimePlan, file: str) -> tuple[Unit, list[str]]:
    """The unit of an elapsed time that states none, by its steps: under 2 s, or 2 to 2,000 ms."""
    header = plain(plan.time.header)
    steps = np.diff(numbers)
    step = float(np.median(np.abs(steps[steps != 0]))) if np.any(steps != 0) else 0.0
    whole = bool(np.all(numbers == np.round(numbers)))
    text = "s" if 0 < step < 2 and not (whole and step > 1) else "ms" if whole and 2 <= step <= 2000 else None
    unit = find_unit(text, "time") if text else None
    if unit is None:
        raise SpeedlogError(
            f'the unit of the time "{header}" is not stated, and its steps of {step:g} do not tell it',
            file=file,
            todo=f'State it in a --columns map: [columns] time = {{ header = "{header}", unit = "ms" }}.',
        )
    return unit, [f'"{header}" states no unit: its steps of {step:g} read as {unit.symbol}']


def _clock_of(
    column: pd.Series, form: Form
) -> tuple[NDArray[np.int64], NDArray[np.bool_], bool, NDArray[np.bytes_]]:
    """(clock time in ns, sound, whether the cells name their zone, the dates before them)."""
    if form is Form.CLOCK_NUMBER:
        numbers, _ = to_numbers(column, ".")
        sound = np.isfinite(numbers) & (numbers >= 0) & (numbers < 240_000)
        value = np.where(sound, numbers, 0.0)
        whole = np.floor(value + 1e-6).astype(np.int64)
        part = (
            np.round(np.maximum(value - whole, 0.0) * 1e6).astype(np.int64) * 1000
        )  # µs: the digits float64 holds
        hours, minutes, rest = whole // 10_000, whole // 100 % 100, whole % 100
        sound &= (minutes < 60) & (rest < 60)
        return (
            ((hours * 60 + minutes) * 60 + rest) * 1_000_000_000 + part,
            sound,
            False,
            np.zeros(0, dtype="S1"),
        )
    stamps = read_stamps(column.to_numpy(), minutes_first=form is Form.MINUTES)
    zoned = bool(np.mean(stamps.zoned[stamps.sound]) > 0.5) if stamps.sound.any() else False
    return stamps.clock_ns, stamps.sound, zoned, stamps.dates


def _undated(
    clock: NDArray[np.int64],
    sound: NDArray[np.bool_],
    plan: TimePlan,
    layout: Layout,
    mapping: Mapping,
    warnings: list[str],
) -> TimesRead:
    """A clock time without a date: dated by the preamble, or from an assumed day; or an elapsed time."""
    known = clock[sound]
    stated = mapping.columns.get("time")
    elapsed = "elapsed" in plan.time.meaning.traits or (stated is not None and stated.form == "elapsed")
    starts_at_zero = bool(len(known)) and 0 <= known[0] < 1_000_000_000
    if (
        elapsed
        or (len(known) and known.max() >= DAY_NS)
        or (starts_at_zero and stated is None and "utc" not in plan.time.meaning.traits)
    ):
        more = (
            []
            if elapsed
            else [f'"{plain(plan.time.header)}" starts at zero: read as elapsed time, not as time of day']
        )
        return TimesRead(clock, sound, Clock.ELAPSED, more)
    day, order_warnings = _preamble_date(layout.preamble, mapping)
    if day is None:
        return TimesRead(
            clock, sound, Clock.TIME_OF_DAY, ["the log has no date: times of day only", *warnings]
        )
    running = clock.copy()
    running[sound] = unwrap_midnight(known)
    told = f"the date {np.datetime64(day, 'D')} is taken from the lines above the header"
    return TimesRead(running + day * DAY_NS, sound, Clock.UTC, [told, *order_warnings, *warnings])


def _preamble_date(lines: Sequence[str], mapping: Mapping) -> tuple[int | None, list[str]]:
    for line in lines:
        found = re.match(r"[\W_]*(?:\w+\s){0,2}date\b[^:=,;\t]*[:=,;\t]\s*(.{6,40})", line, re.IGNORECASE)
        if found:
            words = found[1].strip(" \"',;\t")
            for text in (words, re.split(r"[ T,;\t]", words)[0]):
                order, warnings = (
                    find_order([text]) if mapping.date_order is None else (mapping.date_order, [])
                )
                day = parse_date(text, order)
                if day is not None:
                    return day, warnings
    return None, []
