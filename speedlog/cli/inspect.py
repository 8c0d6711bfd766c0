"""`speedlog inspect`: what is in a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.cli.inspect_at import Zone
    from speedlog.course.passes import PassSpan
    from speedlog.importers import ReadOptions
    from speedlog.samples import Recording
    from speedlog.units import Quantity


def inspect(
    files: Annotated[list[Path], typer.Argument(help="Log files (NMEA, GPX, delimited text).")],
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write the findings as JSON (- prints it).")
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of a table's columns."),
    ] = None,
    target: Annotated[
        str | None,
        typer.Option(
            "--target", help='Would this logger see "205 mph"? Of the logger alone, not of the car.'
        ),
    ] = None,
    trap_length: Annotated[
        str | None,
        typer.Option("--trap-length", help='With --target: the trap, "30 m" (taken if not given).'),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="TIME",
            help='The lines behind an epoch: 14:03:22.4 (UTC, or by --course), "12.4 s" without a clock.',
        ),
    ] = None,
    course: Annotated[
        Path | None,
        typer.Option("--course", metavar="COURSE.toml", help="With --at: times in the course's time zone."),
    ] = None,
    suggest: Annotated[
        Path | None,
        typer.Option(
            "--suggest", metavar="MAP.toml", help="Write a first mapping of a table's columns, to edit."
        ),
    ] = None,
) -> None:
    """What is in a file: format, rate, span, columns, faults, rejected lines.

    Example: speedlog inspect gps.nmea controller.csv

    Whether its logger would do at a speed: speedlog inspect gps.nmea --target "205 mph" --trap-length "30 m"

    The lines behind a number: speedlog inspect gps.nmea --at 14:03:22.4

    A first mapping of an odd table, to edit: speedlog inspect odd.csv --suggest map.toml
    """
    from dataclasses import replace

    from speedlog.cli.inspect_at import trace_json
    from speedlog.cli.inspect_suggest import write_suggestion
    from speedlog.cli.inspect_words import in_words
    from speedlog.cli.output import write_json
    from speedlog.importers import ReadOptions, open_logs

    wanted, zone = _wanted(target, trap_length), _zone(at, course)
    options, found = ReadOptions(columns=columns), []
    if suggest is not None:
        print(write_suggestion(files, suggest, options))
        return
    for log in (log for path in files for log in open_logs(path, options)):
        recording = replace(log.recording, warnings=(*log.recording.warnings, *log.notes))
        found.append(describe_recording(recording, log.source.data))
        if wanted is not None:
            found[-1]["suits"] = _suits(recording, wanted)
        if at is not None and zone is not None:
            found[-1]["at"] = trace_json(log.source, recording, at, zone, options)
    if json_out is not None:
        write_json(json_out, {"recordings": found}, inputs=files)
    if json_out is None or str(json_out) != "-":
        for item in found:
            print(in_words(item))


def _zone(at: str | None, course: Path | None) -> Zone | None:
    """The clock by which `--at` is meant; None without it."""
    from speedlog.cli.inspect_at import zone_of

    if at is None:
        if course is not None:
            raise SpeedlogError("--course goes with --at", todo="Add --at 14:03:22.4.")
        return None
    if course is None:
        return zone_of(None)
    from speedlog.course.coursefile import Course

    return zone_of(Course.load(course).time_zone)


@dataclass(frozen=True)
class _Wanted:
    """What the logger is asked for."""

    target: Quantity
    trap_m: float
    trap_assumed: bool


def _wanted(target: str | None, trap_length: str | None) -> _Wanted | None:
    """The options in SI units; None where nothing is asked.

    Raises:
        SpeedlogError: no quantity, or one out of all reason.
    """
    from speedlog.settings import Settings
    from speedlog.units import parse_quantity

    if target is None:
        if trap_length is not None:
            raise SpeedlogError("--trap-length goes with --target", todo='Add --target "205 mph".')
        return None
    settings = Settings()
    speed = parse_quantity(target, "speed", "--target")
    if not settings.suits.lowest_target_mps <= speed.value <= settings.read.fastest_mps:
        raise SpeedlogError(
            f'--target: "{plain(target)}" is no speed to go through a trap at',
            todo='Write it like "205 mph".',
        )
    if trap_length is None:
        return _Wanted(speed, settings.suits.trap_m, True)
    length = parse_quantity(trap_length, "length", "--trap-length").value
    if not settings.suits.shortest_trap_m <= length <= settings.suits.longest_trap_m:
        raise SpeedlogError(
            f'--trap-length: "{plain(trap_length)}" is no length of a trap', todo='Write it like "30 m".'
        )
    return _Wanted(speed, length, False)


def _suits(recording: Recording, wanted: _Wanted) -> dict[str, Any]:
    from speedlog.reconcile.suits import assess, logger_facts
    from speedlog.reconcile.suits_text import as_json
    from speedlog.settings import Settings

    settings = Settings()
    found = assess(logger_facts(recording, settings), wanted.target.value, wanted.trap_m, settings)
    return as_json(found, wanted.target.unit.symbol, wanted.trap_assumed, settings)


def describe(path: Path, options: ReadOptions) -> dict[str, Any]:
    """The findings on one file, in the form of the command contract.

    Raises:
        SpeedlogError: the file can't be read as any known format.
    """
    from speedlog.importers import read

    return describe_recording(read(path, options))


def describe_recording(recording: Recording, data: bytes | None = None) -> dict[str, Any]:
    """The findings on a recording, in the form of the command contract.

    Args:
        data: the file's bytes, which say which sentences an NMEA log holds.
    """
    import numpy as np

    from speedlog.samples import utc_text

    samples, valid = recording.samples, recording.valid
    sound = samples[valid] if recording.has_positions else samples
    speed = sound["speed_mps"].to_numpy(dtype=float)
    lat, lon = (
        samples["lat_deg"].to_numpy(dtype=float)[valid],
        samples["lon_deg"].to_numpy(dtype=float)[valid],
    )
    timed = sound if len(sound) else samples
    return {
        "file": recording.file,
        "sha256": recording.sha256,
        "format": recording.format,
        "rate_hz": recording.rate_hz,
        "samples": len(samples),
        "valid_samples": int(valid.sum()),
        "rejected": recording.rejected,
        "rejects": [{"line": item.line, "reason": item.reason} for item in recording.rejects[:20]],
        "start_utc": utc_text(timed.index[0]) if len(timed) else None,
        "end_utc": utc_text(timed.index[-1]) if len(timed) else None,
        "clock": str(recording.clock),
        "max_speed_mps": float(np.nanmax(speed)) if np.isfinite(speed).any() else None,
        "bbox": [float(lat.min()), float(lon.min()), float(lat.max()), float(lon.max())]
        if len(lat)
        else None,
        "columns": list(recording.filled_columns),
        **_over_time(recording, data),
        **_passes_and_faults(recording),
        "warnings": list(recording.warnings),
        "facts": dict(recording.facts),
    }


def _over_time(recording: Recording, data: bytes | None) -> dict[str, Any]:
    """Columns with units and ranges, the span, how even the rate is, the fix over time."""
    from dataclasses import asdict

    from speedlog.importers.overview import column_facts, fix_strip, origins_of, rate_facts
    from speedlog.settings import Settings

    pause, index = Settings().read.at_intervals, recording.samples.index
    rate, strip = rate_facts(recording, pause), fix_strip(recording, pause)
    time = origins_of(recording, data).get("time")
    table = [
        {"name": one.name, **asdict(one.origin), "low": one.low, "high": one.high, "missing": one.missing}
        for one in column_facts(recording, data)
    ]
    return {
        "column_table": table,
        "time_source": asdict(time) if time is not None else None,
        "span_s": (index[-1] - index[0]).total_seconds(),
        "first_s": index[0].value / 1e9,
        "last_s": index[-1].value / 1e9,
        "rate": asdict(rate) if rate is not None else None,
        "fix_strip": {"text": strip.text, "step_s": strip.step_s, "legend": dict(strip.legend)}
        if strip
        else None,
    }


def _highest(recording: Recording, span: PassSpan) -> float | None:
    """The highest speed read in a pass at a sound position."""
    import numpy as np

    samples = recording.samples[recording.valid]
    speed = samples["speed_mps"][(samples.index >= span.start) & (samples.index <= span.end)].to_numpy(
        dtype=float
    )
    return float(np.nanmax(speed)) if np.isfinite(speed).any() else None


def _passes_and_faults(recording: Recording) -> dict[str, Any]:
    """The passes in the recording, their faults (standing about is nobody's), and what it can be used for."""
    from speedlog.cli.inspect_use import uses

    if not recording.has_positions:
        return {"passes": [], "faults": [], "uses": uses(recording, [])}
    import pandas as pd

    from speedlog.course.passes import find_passes
    from speedlog.course.track import make_track
    from speedlog.faults import find_faults, to_fault
    from speedlog.results import fault_json
    from speedlog.samples import utc_text
    from speedlog.settings import Settings

    settings, faults, passes = Settings(), [], []
    for span in find_passes(recording, None, settings.passes):
        start, end = utc_text(span.start), utc_text(span.end)
        passes.append({"start_utc": start, "end_utc": end, "highest_reading_mps": _highest(recording, span)})
        track = make_track(recording, span, None, origin=span.start)
        if track is not None:
            faults += [
                fault_json(to_fault(spot, track, pd.Timedelta(0)))
                for spot in find_faults(track, settings.faults)
            ]
    return {"passes": passes, "faults": faults, "uses": uses(recording, passes)}
