"""The track point behind an epoch of a GPX document: its own text, read once more by itself."""

from __future__ import annotations

import re

import pandas as pd

from speedlog.importers import Source, ascii_bytes
from speedlog.importers.gpx_points import Point, Take, read_document, stamp_ns
from speedlog.importers.nmea_scan import LineNumbers
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
from speedlog.samples import COLUMN, Recording
from speedlog.units import find_unit

_START = re.compile(rb"<(?:[A-Za-z_][\w.-]*:)?trkpt(?=[\s>/])", re.IGNORECASE)
_END = re.compile(rb"</(?:[A-Za-z_][\w.-]*:)?trkpt\s*>|<(?:[A-Za-z_][\w.-]*:)?trkpt\b[^<>]*/>", re.IGNORECASE)
_LONGEST_POINT = 65_536  # bytes; a point is a dozen lines
_ELEMENTS = {
    "alt_m": ("ele",), "speed_mps": ("speed",), "track_deg": ("course", "cog"), "fix": ("fix",),
    "hdop": ("hdop",), "satellites": ("sat",),
}  # fmt: skip


def trace_points(
    source: Source, recording: Recording, lines: tuple[int, ...], sample: pd.Series
) -> EpochTrace:
    """See `trace.trace_epoch`."""
    data = ascii_bytes(source.data)
    numbers = LineNumbers(data)
    traces, known = [], []
    for line in lines:
        found = _point_at(data, numbers, line, sample)
        if found is None:
            continue
        start, text, point = found
        became = _became(text, start, numbers, point, recording, sample)
        stamp = stamp_ns(point.text("time") or "")
        lines_there = _lines(data, numbers, start, text)
        traces.append(EpochTrace(lines_there, tuple(became), (), stamp[0] if stamp else None))
        known.append(frozenset(item.column for item in became if any(piece.text for piece in item.pieces)))
    return merged_pieces(traces, known)


def _point_at(
    data: bytes, numbers: LineNumbers, line: int, sample: pd.Series
) -> tuple[int, bytes, Point] | None:
    """(offset, text, point) of the point of this line that is nearest in time and lies at the place."""
    start, stop = numbers.start(line), numbers.start(line + 1)
    best: tuple[tuple[bool, int], int, bytes, Point] | None = None
    wanted = int(pd.Timestamp(str(sample.name)).value)
    for match in _START.finditer(data, start, stop):
        end = _END.search(data, match.start(), match.start() + _LONGEST_POINT)
        if end is None:
            continue
        text = data[match.start() : end.end()]
        points: list[Point] = []
        read_document(b"<gpx><trk><trkseg>" + text + b"</trkseg></trk></gpx>", _into(points))
        stamp = stamp_ns(points[0].text("time") or "") if points else None
        if stamp is None:
            continue
        elsewhere = not pd.isna(sample["lat_deg"]) and _float(points[0].lat) != float(sample["lat_deg"])
        key = (elsewhere, abs(stamp[0] - wanted))
        if best is None or key < best[0]:
            best = key, match.start(), text, points[0]
    return best[1:] if best else None


def _into(points: list[Point]) -> Take:
    def take(point: Point, _segment: int) -> None:
        points.append(point)

    return take


def _float(text: str | None) -> float | None:
    try:
        return float(text or "")
    except ValueError:
        return None


def _lines(data: bytes, numbers: LineNumbers, start: int, text: bytes) -> tuple[RawLine, ...]:
    first, last = numbers(start), numbers(start + len(text) - 1)
    found = []
    for line in range(first, last + 1):
        begin = max(numbers.start(line), start)
        end = min(numbers.start(line + 1), start + len(text))
        raw = data[begin:end].rstrip(b"\r\n").strip()
        if raw:
            found.append(RawLine(line, visible(raw.decode("utf-8", errors="backslashreplace"))))
    return tuple(found)


def _became(
    text: bytes, start: int, numbers: LineNumbers, point: Point, recording: Recording, sample: pd.Series
) -> list[Became]:
    first = numbers(start)
    stamp = stamp_ns(point.text("time") or "")
    zone = "UTC" if stamp is not None and stamp[1] else "no zone stated: read as UTC"
    time = Piece(_line_of(text, start, numbers, ("time",)), "<time>", shown_text(point.text("time")))
    found = [Became("time", (time,), zone)]
    for column, name, value in (("lat_deg", "lat", point.lat), ("lon_deg", "lon", point.lon)):
        left_out = pd.isna(sample[column])
        found.append(
            Became(
                column,
                (Piece(first, f"trkpt {name}", shown_text(value)),),
                "left out: 0, 0 is no receiver's place, but a blank" if left_out else "",
            )
        )
    for column, names in _ELEMENTS.items():
        value = point.text(names[0])
        if column == "speed_mps" and value is not None:
            own = point.own.get("speed")
            value = own if own is not None else value
        if value:
            piece = Piece(_line_of(text, start, numbers, names), f"<{names[0]}>", shown_text(value))
            found.append(Became(column, (piece,), _how(column, value, recording, sample)))
    return found


def _line_of(text: bytes, start: int, numbers: LineNumbers, names: tuple[str, ...]) -> int:
    pattern = rb"<(?:[A-Za-z_][\w.-]*:)?(?:" + "|".join(names).encode() + rb")[\s>]"
    match = re.search(pattern, text, re.IGNORECASE)
    return numbers(start + match.start() if match else start)


def _how(column: str, value: str, recording: Recording, sample: pd.Series) -> str:
    way = ""
    if column == "speed_mps":
        origin = recording.origins.get("speed_mps")
        if origin is None:
            return "left out: its unit can't be told"
        way = f"{origin.unit} {factor_words(find_unit(origin.unit, 'speed'))}".strip()
    elif column == "fix":
        return "" if not pd.isna(sample["fix"]) else "no word of the standard: left blank"
    if not pd.isna(sample[column]):
        return way if column != "track_deg" or 0 <= float(value) < 360 else "turned into 0 to 360"
    limits = COLUMN[column]
    return f"{way}; left out: no number, or outside {limits.low:g} to {limits.high:g}".lstrip("; ")
