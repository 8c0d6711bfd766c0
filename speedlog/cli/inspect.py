"""`speedlog inspect`: what is in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import plain

if TYPE_CHECKING:
    from speedlog.importers import ReadOptions
    from speedlog.samples import Recording


def inspect(
    files: Annotated[list[Path], typer.Argument(help="Log files (NMEA, GPX, delimited text).")],
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write the findings as JSON (- prints it).")
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of a table's columns."),
    ] = None,
) -> None:
    """What is in a file: format, rate, span, columns, faults, rejected lines.

    Example: speedlog inspect gps.nmea controller.csv
    """
    from speedlog.cli.output import write_json
    from speedlog.importers import ReadOptions

    found = [describe(path, ReadOptions(columns=columns)) for path in files]
    if json_out is not None:
        write_json(json_out, {"recordings": found}, inputs=files)
    if json_out is None or str(json_out) != "-":
        for item in found:
            print(_in_words(item))


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

    from speedlog.results import utc_text

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
    lines += [f"  fault: {plain(fault['detail'], 200)}" for fault in item["faults"]]
    lines += [f"  warning: {plain(text, 300)}" for text in item["warnings"]]
    lines += [f"  rejected: line {no['line']}: {plain(no['reason'], 160)}" for no in item["rejects"][:5]]
    if item["rejected"] > 5:
        lines.append(f"  … and {item['rejected'] - 5} more (all in the JSON up to 20)")
    return "\n".join(lines)
