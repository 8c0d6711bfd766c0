"""GPX 1.0 and 1.1 tracks, with speed and course from wherever a logger put them."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, ascii_bytes
from speedlog.importers.delimited_speed import speed_ratio, unit_of_ratio
from speedlog.importers.epochs import RawEpochs, build_recording
from speedlog.importers.gpx_columns import SPEEDS, Columns
from speedlog.importers.gpx_points import ForbiddenError
from speedlog.importers.gpx_track import Track, read_track
from speedlog.samples import Clock, Origin, Recording
from speedlog.units import Unit

NAME = "gpx"

_ROOT = re.compile(rb"<(?:[A-Za-z_][\w.-]{0,40}:)?gpx[\s>/]", re.IGNORECASE)


def sniff(head: bytes) -> bool:
    """Whether the head of a file is a GPX document."""
    text = ascii_bytes(head).lstrip(b"\xef\xbb\xbf \t\r\n")
    return text.startswith(b"<") and _ROOT.search(text) is not None


def read(source: Source, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
    """Read the tracks of a GPX document.

    Raises:
        SpeedlogError: it declares a document type, or holds no track point with a time.
    """
    try:
        track = read_track(source.data)
    except ForbiddenError:
        raise SpeedlogError(
            "the GPX declares a document type (DTD), which can hide entities: refused unread",
            file=source.file,
            todo="Export it again, or delete the <!DOCTYPE …> part.",
        ) from None
    document, sieve = track.document, track.sieve
    _check_useful(track, source)
    warnings: list[str] = []
    columns, breaks = _in_order(track.columns, warnings)
    if sieve.zoneless:
        warnings.append(f"{sieve.zoneless} times state no zone: read as UTC")
    rows = _rows(columns)
    more, speed = _speed(rows, columns, document.version, options)
    warnings += more
    if document.cut_line is not None:
        warnings.append(f"the document breaks off at line {document.cut_line}: the points before are read")
    return build_recording(
        source,
        format=NAME,
        clock=Clock.UTC,
        epochs=rows,
        rejects=sieve.rejects,
        rejected=sieve.rejected,
        warnings=warnings,
        options=options,
        declared_breaks=breaks,
        facts={"GPX version": document.version} if document.version in ("1.0", "1.1") else None,
        origins={"speed_mps": speed} if speed else None,
    )


def _in_order(columns: Columns, warnings: list[str]) -> tuple[Columns, list[pd.Timestamp]]:
    """Whole segments put in order of time, where they don't overlap: writers list them as they like.

    Returns:
        (the points, the last time of every segment but the last: there reception was lost or the logger off).
    """
    time_ns = columns.time_ns
    starts = np.flatnonzero(np.diff(columns.segment, prepend=-1))
    ends = np.append(starts[1:], len(time_ns)) - 1
    order = np.argsort(time_ns[starts], kind="stable")
    if np.any(time_ns[ends[order]][:-1] >= time_ns[starts[order]][1:]):
        warnings.append("track segments overlap in time: more than one receiver in one file?")
    elif np.any(np.diff(order) < 0):
        rows = np.concatenate([np.arange(starts[at], ends[at] + 1) for at in order])
        columns, ends = columns.taken(rows), ends[order]
        time_ns = columns.time_ns
        ends = np.cumsum(ends - starts[order] + 1) - 1
        warnings.append("track segments stand out of order in the file: sorted by time")
    return columns, [pd.Timestamp(int(time_ns[at]), unit="ns", tz="UTC") for at in ends[:-1]]


def _rows(columns: Columns) -> RawEpochs:
    """The points as rows, without their speeds."""
    values: dict[str, NDArray[Any]] = {
        name: column for name, column in columns.numbers.items() if name not in SPEEDS
    }
    return RawEpochs(columns.time_ns, columns.line, {**values, "fix": columns.fix})


def _check_useful(track: Track, source: Source) -> None:
    if len(track.columns.line):
        return
    document, sieve = track.document, track.sieve
    if not sieve.rejected:
        if document.cut_line is not None:
            raise SpeedlogError(
                "GPX without track points: it breaks off, or stops being XML, here",
                file=source.file,
                line=document.cut_line,
                todo="Export it once more.",
            )
        todo = "Export the track as it was logged, not a route or waypoints."
        raise SpeedlogError("GPX without track points", file=source.file, todo=todo)
    if sieve.untimed == sieve.rejected:
        raise SpeedlogError(
            f"none of the {sieve.rejected} track points has a time, so no speed can be told",
            file=source.file,
            todo="Export it again with times.",
        )
    first = sieve.rejects[0]
    raise SpeedlogError(
        f"no usable track point of {sieve.rejected}: {first.reason}", file=source.file, line=first.line
    )


def _speed(
    rows: RawEpochs, columns: Columns, version: str, options: ReadOptions
) -> tuple[list[str], Origin | None]:
    """Put the speeds in; what was guessed, and where their unit is from.

    GPX 1.0 defines `speed` in m/s; anywhere else its unit is nobody's promise, so the positions are
    asked. Where too little moves to tell, m/s is taken (the only unit that GPX has ever defined).
    """
    own = columns.own_speed
    speed = columns.numbers["own_speed" if own else "extra_speed"]
    if not np.isfinite(speed).any():
        return [], None
    lat, lon = rows.values["lat_deg"], rows.values["lon_deg"]
    sound = np.where(speed >= 0, speed, np.nan)
    ratio = speed_ratio(rows.time_ns, lat, lon, sound, options.settings)
    unit = None if ratio is None else unit_of_ratio(ratio, options.settings)
    stated = own and version == "1.0"
    if ratio is not None and unit is None and not stated:
        told = f"its unit is not stated, and {ratio:.3g} times the positions' speed fits none"
        return [f"speed is left out: {told}"], None
    rows.values["speed_mps"] = speed * (unit.factor if unit else 1.0)
    symbol = unit.symbol if unit else "m/s"
    guess = "a guess: it agrees with the positions" if unit else "a guess: GPX knows no other"
    origin = Origin("<speed>", symbol, "the standard" if stated and symbol == "m/s" else guess)
    return _told(ratio, unit, stated), origin


def _told(ratio: float | None, unit: Unit | None, stated: bool) -> list[str]:
    """What is to be said of the unit of a speed."""
    if ratio is None:
        return [] if stated else ["speed states no unit: read as m/s, and too little moves to check it"]
    if unit is None:
        return [f"speed is {ratio:.3g} times what the positions show: check it"]
    if unit.symbol == "m/s":
        return [] if stated else ["speed states no unit: read as m/s, since that agrees with the positions"]
    wrong = "should be m/s by the standard" if stated else "states no unit"
    return [f"speed {wrong}, but the positions agree with {unit.symbol}: its unit is taken as {unit.symbol}"]
