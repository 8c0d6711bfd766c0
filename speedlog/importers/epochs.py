"""The shared end of every importer: from raw rows in file order to a Recording.

Here stands what is the same for all formats: values that no car can have, half positions, lone wrong
times, clocks that step, repeated times, dates that can't be true. Everything left out is counted with
its line and reason; every repair is a warning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source
from speedlog.importers.epoch_times import (
    DAY_NS,
    Flags,
    Times,
    backward_steps,
    cut_fractions,
    forward_steps,
    lone_times,
    unwrap_midnight,
)
from speedlog.samples import (
    COLUMN_NAMES,
    COLUMNS,
    FIX_DTYPE,
    MOST_REJECTS,
    Clock,
    Origin,
    Recording,
    Reject,
    RowLines,
    check_samples,
)

ROLLOVER_NS = 1024 * 7 * DAY_NS  # the GPS week number counts to 1023 and starts again


@dataclass(frozen=True, eq=False)
class RawEpochs:
    """Rows as an importer found them.

    Attributes:
        time_ns: (N,) nanoseconds since 1970-01-01, in FILE order; may repeat, may go back.
        line: (N,) the line (or point) number of each row, for the rejects.
        values: columns of the common table, SI units, (N,) each, NaN for missing; "fix" holds `Fix`
            values (or their text) and None, or their places in the list of `Fix` (-1: none).
            Columns that are not given are missing.
    """

    time_ns: NDArray[np.int64]
    line: NDArray[np.int64]
    values: dict[str, NDArray[Any]]


@dataclass
class _Log:
    """What was left out and repaired, while a recording is being built; rows are counted once each."""

    line: NDArray[np.int64]
    rejects: list[Reject]
    rejected: int
    warnings: list[str]
    contradicted: int = 0  # rows lost because their time stands already

    def __post_init__(self) -> None:
        self._counted = np.zeros(len(self.line), dtype=np.bool_)

    def reject(self, rows: NDArray[np.intp], reason: str) -> None:
        """Count these rows of the raw epochs as rejected, each once."""
        new = rows[~self._counted[rows]]
        self._counted[new] = True
        self.rejected += len(new)
        room = max(0, MOST_REJECTS - len(self.rejects))
        self.rejects += [Reject(int(line), reason) for line in self.line[new[:room]]]


def build_recording(
    source: Source,
    *,
    format: str,
    clock: Clock,
    epochs: RawEpochs,
    rejects: Sequence[Reject],
    rejected: int,
    warnings: Sequence[str],
    options: ReadOptions,
    declared_breaks: Sequence[pd.Timestamp] = (),
    electrical_rpm: bool = False,
    facts: dict[str, str] | None = None,
    origins: dict[str, Origin] | None = None,
) -> Recording:
    """Make the common table of a log from its raw rows.

    Args:
        format: "nmea", "gpx" or "delimited".
        clock: what the times mean; times of day are made to run on over midnight.
        epochs: the rows, in file order.
        rejects: what the importer itself has thrown away so far; `rejected` is how many.
        warnings: what the importer itself has to say.

    Raises:
        SpeedlogError: no row is left.
    """
    log = _Log(epochs.line, list(rejects)[:MOST_REJECTS], rejected, list(warnings))
    values = {name: np.asarray(column) for name, column in epochs.values.items()}
    time_ns = unwrap_midnight(epochs.time_ns) if clock is Clock.TIME_OF_DAY else epochs.time_ns
    rows = _sound_rows(time_ns, values, log, options)
    if not len(rows):
        reason = f" (line {log.rejects[0].line}: {log.rejects[0].reason})" if log.rejects else ""
        raise SpeedlogError(f"no usable samples, {log.rejected} lines rejected{reason}", file=source.file)
    if clock is Clock.UTC:
        log.warnings += _date_warnings(time_ns[rows], options)
    if len(rows) < len(time_ns):
        values = {name: column[rows] for name, column in values.items()}
    table = _table(time_ns[rows], values)
    made = [_one_row_a_time(piece, ids, log, options) for piece, ids in _pieces(table, rows, log, options)]
    segments = tuple(segment for segment, _ in made)
    _check_running(segments, len(rows), log, source, options.settings.most_repeated_share)
    return Recording(
        file=source.file,
        sha256=source.sha256,
        format=format,
        clock=clock,
        segments=segments,
        rejects=tuple(sorted(log.rejects, key=lambda item: item.line or 0)),
        rejected=log.rejected,
        warnings=tuple(dict.fromkeys(log.warnings)),
        declared_breaks=tuple(declared_breaks),
        electrical_rpm=electrical_rpm,
        facts=dict(facts or {}),
        lines=tuple(lines for _, lines in made),
        origins=dict(origins or {}),
    )


def _sound_rows(
    time_ns: Times, values: dict[str, NDArray[Any]], log: _Log, options: ReadOptions
) -> NDArray[np.intp]:
    """The rows to keep, in file order; takes hostile values out of `values`, in place."""
    rows = np.flatnonzero(_sound_values(values, log, options))
    lone = lone_times(time_ns[rows], options.settings)
    if lone.sum() > options.settings.most_clock_steps and lone.mean() > options.settings.most_lone_share:
        return rows  # no order at all: nothing stands out of it
    log.reject(rows[lone], "its time goes back or ahead of its neighbours, and they carry on")
    if lone.any():
        log.warnings.append(f"{_count(lone, 'line')} with a time out of order left out")
    return rows[~lone]


def _check_running(
    segments: Sequence[pd.DataFrame], rows: int, log: _Log, source: Source, share: float
) -> None:
    """Refuse a log whose times stand still; check the tables."""
    if log.contradicted > share * rows:
        left = sum(len(segment) for segment in segments)
        raise SpeedlogError(
            f"the times stand still: {rows} samples share {left} time stamps",
            file=source.file,
            todo="Export it again with the time of each sample.",
        )
    for segment in segments:
        check_samples(segment)


def _count(flags: Flags | int, noun: str) -> str:
    number = int(np.sum(flags))
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _date_warnings(time_ns: Times, options: ReadOptions) -> list[str]:
    """Dates that no such log can have, or that a GPS week rollover explains."""
    limits, found = options.settings, []
    first = pd.Timestamp(int(time_ns.min())).date()
    last = pd.Timestamp(int(time_ns.max())).date()
    if first.year < limits.earliest_year or last.year > limits.latest_year:
        wrong = first if first.year < limits.earliest_year else last
        found.append(f"the date {wrong} can't be true: times of day and speeds may be good all the same")
    if limits.rollover_before_year > first.year > 1979:
        later = pd.Timestamp(int(time_ns.min()) + ROLLOVER_NS).date()
        found.append(f"the date {first} may be 1024 weeks early (GPS week rollover): then it is {later}")
    return found


def _sound_values(values: dict[str, NDArray[Any]], log: _Log, options: ReadOptions) -> Flags:
    """(N,) rows to keep; takes out of `values`, in place, what no car can have."""
    keep = np.ones(len(log.line), dtype=np.bool_)
    for column in COLUMNS:
        if column.name not in values or column.name == "fix":
            continue
        data = np.asarray(values[column.name], dtype=float)
        values[column.name] = data
        high = min(column.high, options.settings.fastest_mps) if column.name == "speed_mps" else column.high
        low = column.low
        if column.name == "track_deg":
            if _within(data, 0.0, np.nextafter(360.0, 0.0)):
                values[column.name] = data + 0.0  # as the turning below leaves it: no minus zero
                continue
            low, high = -360.0, 720.0  # any turn of the circle is a direction
        elif _within(data, low, high):
            continue
        data = values[column.name] = data.copy()
        with np.errstate(invalid="ignore"):
            hostile = ~np.isnan(data) & ~((data >= low) & (data <= high))
        if column.name == "track_deg":
            data[~hostile] %= 360.0
        if not hostile.any():
            continue
        data[hostile] = np.nan
        place = column.name in ("lat_deg", "lon_deg")
        keep &= ~hostile if place else True
        log.reject(
            np.flatnonzero(hostile), f"{column.name} is out of range: {'line' if place else 'value'} left out"
        )
        log.warnings.append(
            f"{_count(hostile, 'value')} of {column.name} outside {column.low:g} to {high:g} left out"
        )
    return keep & _sound_positions(values, keep, log)


def _within(data: NDArray[np.float64], low: float, high: float) -> bool:
    """Whether no known value lies outside."""
    least, most = np.fmin.reduce(data, initial=np.inf), np.fmax.reduce(data, initial=-np.inf)
    return bool(low <= least or least == np.inf) and bool(most <= high)


def _sound_positions(values: dict[str, NDArray[Any]], keep: Flags, log: _Log) -> Flags:
    """(N,) rows without half a position; a position at 0, 0 is taken out (no receiver's, but a blank)."""
    if "lat_deg" not in values or "lon_deg" not in values:
        for name in {"lat_deg", "lon_deg"} & set(values):
            del values[name]
            log.warnings.append(f"{name} stands alone: no positions taken")
        return keep
    lat, lon = values["lat_deg"], values["lon_deg"]
    half = (np.isnan(lat) != np.isnan(lon)) & keep
    log.reject(np.flatnonzero(half), "half a position: latitude or longitude is missing")
    origin = (lat == 0.0) & (lon == 0.0)
    if origin.any():
        values["lat_deg"], values["lon_deg"] = (np.where(origin, np.nan, place) for place in (lat, lon))
        log.warnings.append(f"{_count(origin, 'position')} at exactly 0, 0 taken as missing")
    return np.asarray(~half, dtype=np.bool_)


def _table(time_ns: Times, values: dict[str, NDArray[Any]]) -> pd.DataFrame:
    """The common table, in file order."""
    index = pd.DatetimeIndex(time_ns.view("M8[ns]"), name="time").tz_localize("UTC")
    columns: dict[str, Any] = dict.fromkeys(COLUMN_NAMES, np.full(len(index), np.nan))
    columns["fix"] = pd.Categorical.from_codes(np.full(len(index), -1, dtype=np.int8), dtype=FIX_DTYPE)
    for name, column in values.items():
        if name == "fix" and column.dtype.kind == "i":
            columns["fix"] = pd.Categorical.from_codes(column, dtype=FIX_DTYPE)
        elif name == "fix":
            words = [None if item is None or item != item else str(item) for item in column]
            columns["fix"] = pd.Categorical(words, dtype=FIX_DTYPE)
        else:
            columns[name] = column.astype(float, copy=False)
    return pd.DataFrame(columns, index=index, copy=False)  # nobody else holds the columns


Ids = NDArray[np.intp]  # (N,) which raw epoch each row was
Piece = tuple[pd.DataFrame, Ids]


def _pieces(table: pd.DataFrame, ids: Ids, log: _Log, options: ReadOptions) -> list[Piece]:
    """The table cut where the clock stepped and stayed; sorted instead where it has no order at all."""
    time_ns = np.asarray(pd.DatetimeIndex(table.index).asi8, dtype=np.int64)
    back = backward_steps(time_ns)
    if len(back) > options.settings.most_clock_steps:
        log.warnings.append(f"times are out of order at {len(back)} places: the samples are sorted by time")
        order = np.argsort(time_ns, kind="stable")
        return [(table.iloc[order], ids[order])]
    lat, lon, speed = (table[name].to_numpy(dtype=float) for name in ("lat_deg", "lon_deg", "speed_mps"))
    ahead = forward_steps(time_ns, lat, lon, speed, options.settings)
    if len(ahead) > options.settings.most_clock_steps:
        ahead = ahead[:0]
    cuts = np.union1d(back, ahead)
    for at in cuts:
        step_s = abs(int(time_ns[at] - time_ns[at - 1])) / 1e9
        way = "back" if time_ns[at] < time_ns[at - 1] else "ahead"
        log.warnings.append(f"the clock steps {way} by {step_s:.10g} s at line {log.line[ids[at]]} and stays")
    if not len(cuts):
        return [(table, ids)]
    edges = [0, *(int(at) for at in cuts), len(table)]
    return [(table.iloc[a:b], ids[a:b]) for a, b in pairwise(edges)]


def _one_row_a_time(
    table: pd.DataFrame, ids: Ids, log: _Log, options: ReadOptions
) -> tuple[pd.DataFrame, RowLines]:
    """Repeated times spread, merged or rejected: one row a time is left; and the lines of each."""
    index = pd.DatetimeIndex(table.index)
    lines = RowLines(log.line[ids])
    if index.is_unique:
        return table, lines
    time_ns = np.asarray(index.asi8, dtype=np.int64)
    spread = cut_fractions(time_ns, _contradicts_row_before(table), options.settings)
    if spread is not None:
        moved = pd.DatetimeIndex(pd.to_datetime(spread, unit="ns", utc=True)).as_unit("ns")
        table = table.set_axis(moved.rename("time"))
        log.warnings.append(
            "the log repeats its time stamps: the clock's fractions were cut off, "
            "and the samples are spread evenly over each stamp"
        )
        if table.index.is_unique:
            return table, lines
    return _merged(table, ids, log)


def _contradicts_row_before(table: pd.DataFrame) -> Flags:
    """(N,) the row contradicts the row before it (True for the first); a missing value contradicts none."""
    differs = np.ones(len(table), dtype=np.bool_)
    numbers = table.drop(columns="fix").to_numpy(dtype=float)
    same = (numbers[1:] == numbers[:-1]) | np.isnan(numbers[1:]) | np.isnan(numbers[:-1])
    differs[1:] = ~same.all(axis=1)
    return differs


def _merged(table: pd.DataFrame, ids: Ids, log: _Log) -> tuple[pd.DataFrame, RowLines]:
    """Rows of one time that don't contradict each other become one; of others the first is kept."""
    codes = table.copy()
    codes["fix"] = table["fix"].cat.codes.where(table["fix"].notna()).astype(float)
    firsts = codes.groupby(level=0, sort=True).first()
    agree = codes.isna() | (codes == firsts.reindex(codes.index))
    contradicts = (~agree.all(axis=1)).to_numpy(dtype=bool)
    first_of_time = ~table.index.duplicated(keep="first")
    single = np.asarray(
        pd.Series(contradicts, index=table.index).groupby(level=0).transform("any"), dtype=bool
    )
    lost = single & ~first_of_time
    log.reject(ids[lost], "repeats the time of an earlier line and contradicts it")
    log.contradicted += int(lost.sum())
    if lost.any():
        log.warnings.append(f"{_count(lost, 'line')} with a repeated time and other values left out")
    merged = int(np.sum(~single & ~first_of_time))
    if merged:
        log.warnings.append(f"{_count(merged, 'repeated line')} merged: same time, same values")
    kept = codes[~lost].groupby(level=0, sort=True).first()
    fix = kept["fix"].to_numpy(dtype=float)
    kept["fix"] = pd.Categorical.from_codes(np.where(np.isnan(fix), -1, fix).astype(int), dtype=FIX_DTYPE)
    kept.index.name = "time"
    return kept, RowLines(log.line[ids[~lost]], kept.index.get_indexer(table.index[~lost]))
