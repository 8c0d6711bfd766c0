"""What goes out of the logbook: originals bit for bit, samples, the estimate, subtitles, a table of passes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from speedlog.errors import SpeedlogError
from speedlog.logbook import results, samples_out
from speedlog.logbook.names import file_name
from speedlog.logbook.rows import PassRow
from speedlog.logbook.samples_out import PassSamples
from speedlog.logbook.store import Logbook
from speedlog.logbook.subtitles import Told, film_start, webvtt
from speedlog.reconcile.official import unit_part
from speedlog.results import Pass
from speedlog.samples import utc_text
from speedlog.settings import LogbookSettings
from speedlog.units import Unit, find_unit

_DIGITS = {"mph": 1, "km/h": 1, "m/s": 2}
_FIGURES = (
    "official_mps", "official_low_mps", "official_high_mps", "estimate_mps", "estimate_low_mps", "estimate_high_mps",
    "peak_mps", "peak_low_mps", "peak_high_mps", "coverage", "verdict", "error",
)  # fmt: skip


@dataclass(frozen=True)
class Wanted:
    """What is to be exported; `film_start` and `unit` are of the subtitles."""

    originals: bool = False
    csv: bool = False
    gpx: bool = False
    parquet: bool = False
    subtitles: bool = False
    table: bool = False
    whole: bool = False
    film_start: str = "0 s"
    unit: str | None = None

    @property
    def nothing(self) -> bool:
        return not any((self.originals, self.csv, self.gpx, self.parquet, self.subtitles, self.table))


def export(book: Logbook, passes: Sequence[PassRow], wanted: Wanted) -> dict[str, bytes]:
    """Files by their names in one folder. No name in it comes from a log or a note unchecked.

    Raises:
        SpeedlogError: nothing is asked for, or a pass has not what is asked for.
    """
    if wanted.nothing:
        raise SpeedlogError(
            "nothing to export is named",
            todo="Say what: --originals, --csv, --gpx, --parquet, --subtitles or --table.",
        )
    taken: set[str] = set()
    files: dict[str, bytes] = {}
    if wanted.originals:
        files |= _originals(book, passes, taken)
    for row in passes:
        found = samples_out.samples_of(book, row.id, whole=wanted.whole) if _samples(wanted) else []
        for item in found:
            files |= _tables(row, item, wanted, taken)
        if wanted.csv or wanted.subtitles:
            files |= _estimate(book, row, wanted, taken)
    if wanted.table:
        files[file_name("passes.csv", taken)] = passes_table(passes)
    return files


def passes_table(passes: Sequence[PassRow]) -> bytes:
    """A row a pass: what was given, what was found, the set-up; SI units, texts as written."""
    keys = {
        name: sorted({key for row in passes for key in getattr(row, name)})
        for name in ("setup", "weather", "measured")
    }
    header = ["pass", "date", "session", "number", "venue", "car", "start_utc", "trap", *_FIGURES]
    header += [f"{name}_{key}" for name, found in keys.items() for key in found] + ["note"]
    lines = []
    for row in passes:
        line: list[object] = [
            row.id, row.date, row.session, row.number, row.venue, row.car, row.start_utc, row.trap_text,
        ]  # fmt: skip
        line += [None if row.result is None else getattr(row.result, name) for name in _FIGURES]
        line += [getattr(row, name).get(key) for name, found in keys.items() for key in found]
        lines.append([*line, row.note])
    return samples_out.table_csv(header, lines)


def subtitles(row: PassRow, found: Pass, wanted: Wanted) -> str:
    """The subtitle track of a pass.

    Raises:
        SpeedlogError: there is no estimate of its motion, or the film's start is no time.
    """
    trace, unit = found.trace, _unit(row, wanted.unit)
    if trace is None:
        raise SpeedlogError(f"pass {row.id} has no estimate of its speed", todo="Leave out --subtitles.")
    start = found.start_utc.floor("us").to_pydatetime().astimezone(dt.UTC)
    before_s = film_start(wanted.film_start, start if row.start_utc is not None else None)
    told = []
    trap = found.trap
    if trap is not None and trap.entry_utc is not None and trap.exit_utc is not None:
        speeds = []
        if trap.estimate_mps is not None:
            speeds.append(f"{_shown(trap.estimate_mps, unit)} by the logs")
        if row.trap_text:
            speeds.append(f"{row.trap_text} by the timekeeper")
        told = [
            Told((trap.entry_utc - found.start_utc).total_seconds(), "in the trap"),
            Told((trap.exit_utc - found.start_utc).total_seconds(), f"trap: {', '.join(speeds)}"),
        ]
    return webvtt(
        trace.time_s, trace.speed_mps, before_s=before_s, unit=unit, step_s=LogbookSettings().subtitle_step_s,
        digits=_DIGITS.get(unit.symbol, 1), told=told,
        note=f"Pass {row.id}: speed estimated from the logs by speedlog; not an official speed.",
    )  # fmt: skip


def _samples(wanted: Wanted) -> bool:
    return wanted.csv or wanted.gpx or wanted.parquet


def _originals(book: Logbook, passes: Sequence[PassRow], taken: set[str]) -> dict[str, bytes]:
    """Each log once, with its mapping and its course; `taken` holds the names."""
    files: dict[str, bytes] = {}
    seen: set[str] = set()
    for row in passes:
        inputs = results.inputs_of(book, row.id)
        for log in inputs.logs:
            if log.sha256 in seen:
                continue
            seen.add(log.sha256)
            files[file_name(log.name, taken)] = log.data
            if log.columns is not None:
                files[file_name(f"{log.name}.columns.toml", taken)] = log.columns
        if inputs.course is not None and inputs.course not in files.values():
            files[file_name(f"{row.venue or 'course'}.toml", taken)] = inputs.course
    return files


def _tables(row: PassRow, item: PassSamples, wanted: Wanted, taken: set[str]) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    base = f"pass-{row.id} {item.name.rpartition('.')[0] or item.name}"
    if wanted.csv:
        files[file_name(f"{base}.csv", taken)] = samples_out.as_csv(item)
    if wanted.gpx:
        track = samples_out.as_gpx(item, f"Pass {row.id}, {row.date or 'no date'}")
        if track is not None:
            files[file_name(f"{base}.gpx", taken)] = track
    if wanted.parquet:
        files[file_name(f"{base}.parquet", taken)] = samples_out.as_parquet(item)
    return files


def _estimate(book: Logbook, row: PassRow, wanted: Wanted, taken: set[str]) -> dict[str, bytes]:
    """What was made of all logs together: its table, and the subtitles."""
    files: dict[str, bytes] = {}
    try:
        found = results.review_kept(book, row.id).passes[0]
    except SpeedlogError:
        if wanted.subtitles:
            raise
        return files  # its samples are there, and no estimate
    trace = found.trace
    if wanted.csv and trace is not None:
        header = [
            "time_utc",
            "time_s",
            "along_m",
            "speed_mps",
            "speed_low_mps",
            "speed_high_mps",
            "accel_mps2",
        ]
        values = (trace.along_m, trace.speed_mps, trace.speed_low_mps, trace.speed_high_mps, trace.accel_mps2)
        moments = [utc_text(found.start_utc + dt.timedelta(seconds=float(t))) for t in trace.time_s]
        lines = list(zip(moments, trace.time_s, *values, strict=True))
        files[file_name(f"pass-{row.id} estimate.csv", taken)] = samples_out.table_csv(header, lines)
    if wanted.subtitles:
        files[file_name(f"pass-{row.id}.vtt", taken)] = subtitles(row, found, wanted).encode("utf-8")
    return files


def _unit(row: PassRow, asked: str | None) -> Unit:
    names = (asked, unit_part(row.trap_text) if row.trap_text else None, "km/h")
    return next(unit for name in names if name and (unit := find_unit(name, "speed")))


def _shown(value_mps: float, unit: Unit) -> str:
    return f"{unit.from_si(value_mps):.{_DIGITS.get(unit.symbol, 1)}f} {unit.symbol}"
