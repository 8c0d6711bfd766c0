"""`speedlog inspect`: what is in a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.cli.inspect_at import Zone
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
    from speedlog.cli.output import write_json
    from speedlog.importers import ReadOptions, open_logs

    wanted, zone = _wanted(target, trap_length), _zone(at, course)
    options, found = ReadOptions(columns=columns), []
    if suggest is not None:
        print(write_suggestion(files, suggest, options))
        return
    for log in (log for path in files for log in open_logs(path, options)):
        recording = replace(log.recording, warnings=(*log.recording.warnings, *log.notes))
        found.append(describe_recording(recording))
        if wanted is not None:
            found[-1]["suits"] = _suits(recording, wanted)
        if at is not None and zone is not None:
            found[-1]["at"] = trace_json(log.source, recording, at, zone, options)
    if json_out is not None:
        write_json(json_out, {"recordings": found}, inputs=files)
    if json_out is None or str(json_out) != "-":
        for item in found:
            print(_in_words(item))


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


def describe_recording(recording: Recording) -> dict[str, Any]:
    """The findings on a recording, in the form of the command contract."""
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
        "faults": _faults(recording),
        "warnings": list(recording.warnings),
        "facts": dict(recording.facts),
    }


def _faults(recording: Recording) -> list[dict[str, Any]]:
    """The faults of the passes in the recording (standing about is nobody's fault)."""
    if not recording.has_positions:
        return []
    import pandas as pd

    from speedlog.course.passes import find_passes
    from speedlog.course.track import make_track
    from speedlog.faults import find_faults, to_fault
    from speedlog.results import fault_json
    from speedlog.settings import Settings

    settings, found = Settings(), []
    for span in find_passes(recording, None, settings.passes):
        track = make_track(recording, span, None, origin=span.start)
        if track is not None:
            found += [
                fault_json(to_fault(spot, track, pd.Timedelta(0)))
                for spot in find_faults(track, settings.faults)
            ]
    return found


def _in_words(item: dict[str, Any]) -> str:
    from speedlog.cli.inspect_at import trace_words
    from speedlog.units import find_unit

    mph, kmh = find_unit("mph", "speed"), find_unit("km/h", "speed")
    assert mph and kmh
    rate = f"{item['rate_hz']:.3g} Hz" if item["rate_hz"] else "rate unknown"
    lines = [
        f"{plain(item['file'])}: {item['format']}, {item['samples']} samples at {rate}, "
        f"{item['valid_samples']} with a sound position, {item['rejected']} rejected",
        f"  from {item['start_utc']} to {item['end_utc']} (clock: {item['clock'].replace('_', ' ')})",
        f"  columns: {', '.join(item['columns'])}",
    ]
    if item["max_speed_mps"] is not None:
        top = item["max_speed_mps"]
        lines.append(
            f"  highest reading: {mph.from_si(top):.1f} mph, {kmh.from_si(top):.1f} km/h, {top:.2f} m/s"
        )
    if "at" in item:
        return "\n".join([lines[0], *trace_words(item["at"])])
    lines += [f"  fault: {plain(fault['detail'], 300)}" for fault in item["faults"]]
    lines += [f"  warning: {plain(text, 300)}" for text in item["warnings"]]
    lines += [f"  rejected: line {no['line']}: {plain(no['reason'], 160)}" for no in item["rejects"][:5]]
    if item["rejected"] > 5:
        lines.append(f"  … and {item['rejected'] - 5} more (all in the JSON up to 20)")
    if "suits" in item:
        asked = item["suits"]
        lines += [f"  {finding['text']}" for finding in asked["findings"]]
        assumed = (
            f" (No trap length was given: {asked['trap_length_m']:g} m taken.)"
            if asked["trap_length_assumed"]
            else ""
        )
        lines.append(f"  {asked['text']}{assumed}")
    return "\n".join(lines)
