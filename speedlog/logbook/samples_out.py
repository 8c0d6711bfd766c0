"""Samples of kept logs for other programs: tables (CSV, Parquet) and tracks (GPX 1.1)."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from speedlog.course.geometry import along_across
from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions
from speedlog.logbook import results, rows
from speedlog.logbook.kept_logs import read_kept
from speedlog.logbook.store import Logbook
from speedlog.samples import COLUMN_NAMES, Clock, utc_text, valid_positions
from speedlog.settings import Settings

GPX_NAMESPACE = "urn:speedlog:gpx:1"  # of speed and course, for which GPX 1.1 has no element of its own
_FIXES = {
    "2d": "2d",
    "3d": "3d",
    "differential": "dgps",
}  # GPX knows no other word for what these receivers say
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, eq=False)
class PassSamples:
    """One log's samples of a pass.

    Attributes:
        name: of the log.
        utc: the index is UTC; else it is the log's own clock.
        table: the common table, and before it along_m and across_m where the pass has a course.
    """

    name: str
    utc: bool
    table: pd.DataFrame


def samples_of(book: Logbook, pass_id: int, *, whole: bool = False) -> list[PassSamples]:
    """The samples of each log of a pass, brought to UTC where a review has told how.

    Args:
        whole: all that is in the logs, and not the drive alone.
    """
    inputs = results.inputs_of(book, pass_id)
    course = results.course_from(inputs.course)
    review = rows.review_json(book, pass_id) or {"recordings": []}
    offsets = {item["sha256"]: item["clock_offset_s"] for item in review["recordings"]}
    found = []
    for log in inputs.logs:
        recording = read_kept(log, ReadOptions(settings=Settings().read))
        table = recording.samples.copy()
        offset = offsets.get(log.sha256)
        utc = recording.clock is Clock.UTC or offset is not None
        if offset is not None:
            table.index = table.index + pd.Timedelta(round(offset * 1e9), "ns")
        if not whole and utc and inputs.start_utc is not None and inputs.end_utc is not None:
            table = table[(table.index >= inputs.start_utc) & (table.index <= inputs.end_utc)]
        if course is not None and table["lat_deg"].notna().any():
            along, across = along_across(course.line, table["lat_deg"], table["lon_deg"])
            table.insert(0, "along_m", along)
            table.insert(1, "across_m", across)
        found.append(PassSamples(log.name, utc, table))
    return found


def as_csv(samples: PassSamples) -> bytes:
    """UTF-8, comma, LF; the time in ISO 8601, numbers to their last digit, an empty cell where there is none."""
    table = samples.table
    columns = [name for name in ("along_m", "across_m", *COLUMN_NAMES) if name in table]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time_utc" if samples.utc else "time_of_log", *columns])
    values = [table[name].astype(object).where(table[name].notna(), None).tolist() for name in columns]
    for moment, *cells in zip(table.index, *values, strict=True):
        writer.writerow([_iso(moment, samples.utc), *(cell_text(cell) for cell in cells)])
    return out.getvalue().encode("utf-8")


def as_gpx(samples: PassSamples, title: str) -> bytes | None:
    """GPX 1.1, a track of the positions that the receiver vouches for; None where there is none, or no UTC.

    Source: the schema http://www.topografix.com/GPX/1/1/gpx.xsd (2004), the order of elements included.
    """
    table = samples.table
    valid = valid_positions(table)
    if not samples.utc or not valid.any():
        return None
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="speedlog" xmlns="http://www.topografix.com/GPX/1/1" xmlns:s="{GPX_NAMESPACE}">\n'
        f" <trk>\n  <name>{escape(plain(title))}</name>\n  <trkseg>\n"
    )
    out, broken = [head], False
    for (moment, row), sound in zip(table.iterrows(), valid, strict=True):
        if not sound:
            broken = len(out) > 1
            continue
        if broken:
            out.append("  </trkseg>\n  <trkseg>\n")
            broken = False
        out.append(_point(moment, row))
    out.append("  </trkseg>\n </trk>\n</gpx>\n")
    return "".join(out).encode("utf-8")


def as_parquet(samples: PassSamples) -> bytes:
    """An Apache Parquet file of the table, the time as its first column.

    Raises:
        SpeedlogError: the library for it is not installed.
    """
    try:
        import_module("pyarrow")
    except ImportError:
        raise SpeedlogError(
            "--parquet needs the Arrow library", todo='Install it: python -m pip install "speedlog[parquet]"'
        ) from None
    table = samples.table.reset_index(names="time_utc" if samples.utc else "time_of_log")
    out = io.BytesIO()
    table.to_parquet(out, engine="pyarrow", index=False)
    return out.getvalue()


def table_csv(header: Sequence[str], lines: Sequence[Sequence[Any]]) -> bytes:
    """A table with strangers' texts in it: no cell of text is a formula to a spreadsheet."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([cell_text(name) for name in header])
    writer.writerows([[cell_text(cell) for cell in line] for line in lines])
    return out.getvalue().encode("utf-8")


def cell_text(value: Any) -> str:
    """A cell as text; a text that a spreadsheet would take for a formula gets an apostrophe before it."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    if isinstance(value, float | np.floating):
        return repr(float(value))
    return str(value)


def _iso(moment: pd.Timestamp, utc: bool) -> str:
    text = utc_text(moment) or ""
    return text if utc else text.removesuffix("Z")


def _point(moment: Any, row: pd.Series[Any]) -> str:
    def number(name: str, digits: int) -> str | None:
        value = row[name]
        return None if pd.isna(value) else f"{float(value):.{digits}f}"

    def element(name: str, text: str | None) -> str:
        return "" if text is None else f"<{name}>{text}</{name}>"

    places = f'lat="{row["lat_deg"]:.9f}" lon="{row["lon_deg"]:.9f}"'
    extra = element("s:speed", number("speed_mps", 6)) + element("s:course", number("track_deg", 4))
    return (
        f"   <trkpt {places}>{element('ele', number('alt_m', 3))}{element('time', _iso(moment, True))}"
        f"{element('fix', _FIXES.get(str(row['fix'])))}{element('sat', number('satellites', 0))}"
        f"{element('hdop', number('hdop', 3))}{element('extensions', extra or None)}</trkpt>\n"
    )
