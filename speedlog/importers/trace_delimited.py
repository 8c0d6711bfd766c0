"""The row behind an epoch of a table: its cells, and what they were read as."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from speedlog.importers import ReadOptions, Source
from speedlog.importers.delimited import TableRead, read_table
from speedlog.importers.delimited_origin import column_words
from speedlog.importers.delimited_plan import Form
from speedlog.importers.delimited_text import split_line
from speedlog.importers.delimited_values import Use
from speedlog.importers.trace import (
    Became,
    EpochTrace,
    Piece,
    RawLine,
    factor_words,
    merged_pieces,
    shown_text,
    visible,
)
from speedlog.samples import COLUMN, COLUMN_NAMES, Recording

_FORMS = {
    Form.ISO: "date and time", Form.STAMP: "date and time", Form.CLOCK: "time of day",
    Form.CLOCK_NUMBER: "time of day, hhmmss", Form.MINUTES: "minutes and seconds",
}  # fmt: skip


def trace_rows(
    source: Source, recording: Recording, lines: tuple[int, ...], options: ReadOptions
) -> EpochTrace:
    """See `trace.trace_epoch`."""
    read = read_table(source, options)
    traces, known = [], []
    for line in lines:
        at = int(np.searchsorted(read.rows.line, line))
        text = _line_text(read, line)
        cells = split_line(text, read.layout.separator)
        became = [_time(read, recording, line, cells)]
        has = set()
        for name in COLUMN_NAMES:
            if name not in read.values.uses:
                continue
            use, value = read.values.uses[name], read.values.found[name][at]
            has |= set() if pd.isna(value) else {name}
            became.append(Became(name, _pieces(read, use, line, cells), _how(read, name, use, value)))
        header = read.layout.header_line
        shown = [RawLine(header, visible(_line_text(read, header)), "the header")] if header else []
        raw = (*shown, RawLine(line, visible(text)))
        traces.append(EpochTrace(raw, tuple(became), (), int(read.times.time_ns[at])))
        known.append(frozenset(has))
    return merged_pieces(traces, known)


def _line_text(read: TableRead, line: int) -> str:
    """A line as it stands, decoded."""
    data, at = read.text.data, 0
    for _ in range(line - 1):
        at = data.find(b"\n", at) + 1
    end = data.find(b"\n", at)
    raw = data[at : end if end >= 0 else len(data)].rstrip(b"\r")
    return raw.decode("utf-8", errors="replace")


def _cell(cells: list[str], index: int) -> str:
    return shown_text(cells[index] if index < len(cells) else None)


def _pieces(read: TableRead, use: Use, line: int, cells: list[str]) -> tuple[Piece, ...]:
    columns = [use.item.index] + ([use.side.index] if use.side is not None else [])
    return tuple(Piece(line, column_words(read.layout, at), _cell(cells, at)) for at in columns)


def _time(read: TableRead, recording: Recording, line: int, cells: list[str]) -> Became:
    plan = read.plan
    columns = ([plan.date] if plan.date is not None else []) + [plan.time.index]
    pieces = tuple(Piece(line, column_words(read.layout, at), _cell(cells, at)) for at in columns)
    form, unit = plan.time.form, read.times.unit
    if form in (Form.EPOCH, Form.ELAPSED):
        since = " since 1970-01-01 UTC" if form is Form.EPOCH else ""
        way = factor_words(unit)
        how = f"{unit.symbol if unit else ''}{since}{f', {way}' if way else ''}"
    else:
        origin = recording.origins["time"]
        how = _FORMS[form] + (f" ({origin.unit_from})" if origin.unit_from else "")
    return Became("time", pieces, how)


def _how(read: TableRead, name: str, use: Use, value: Any) -> str:
    way = _way(read, name, use)
    if name == "fix":
        return ""
    if pd.isna(value):
        return "blank, or no number"
    low, high = COLUMN[name].low, COLUMN[name].high
    if name == "track_deg":
        return way if 0 <= value < 360 else f"{way}, turned into 0 to 360".lstrip(", ")
    return way if low <= value <= high else f"{way}; left out: outside {low:g} to {high:g}".lstrip("; ")


def _way(read: TableRead, name: str, use: Use) -> str:
    if name in ("lat_deg", "lon_deg"):
        way = {"minutes": "degrees + minutes / 60", "1e-7": "/ 10000000", "": ""}[use.form]
        return way or (f"rad {factor_words(use.unit)}" if use.unit and use.unit.symbol == "rad" else "")
    choice = use.item.choice
    if name == "throttle" and choice is not None and choice.low is not None and choice.high is not None:
        return f"(x - {choice.low:g}) / {choice.high - choice.low:g}"
    if name == "throttle" and use.form:
        return use.form.replace("states no unit: ", "")
    if use.unit is None:
        return ""
    factor = factor_words(use.unit)
    return f"{use.unit.symbol} {factor}" if factor else ""
