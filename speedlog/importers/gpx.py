"""GPX 1.0 and 1.1 tracks, with speed and course from wherever a logger put them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, ascii_bytes
from speedlog.importers.delimited_speed import speed_ratio, unit_of_ratio
from speedlog.importers.epochs import RawEpochs, build_recording
from speedlog.importers.gpx_points import Document, ForbiddenError, Point, read_document, stamp_ns
from speedlog.samples import MOST_REJECTS, Clock, Fix, Origin, Recording, Reject

NAME = "gpx"

_ROOT = re.compile(rb"<(?:[A-Za-z_][\w.-]{0,40}:)?gpx[\s>/]", re.IGNORECASE)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
# GPX 1.1 fixType: none, 2d, 3d, dgps, pps; an unknown word is left out, as the schema says
_FIXES = {"none": Fix.NONE, "2d": Fix.TWO_D, "3d": Fix.THREE_D, "dgps": Fix.DIFFERENTIAL, "pps": Fix.THREE_D}
_COLUMNS = {"ele": "alt_m", "course": "track_deg", "hdop": "hdop", "sat": "satellites"}


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
        document = read_document(source.data)
    except ForbiddenError:
        raise SpeedlogError(
            "the GPX declares a document type (DTD), which can hide entities: refused unread",
            file=source.file,
            todo="Export it again, or delete the <!DOCTYPE …> part.",
        ) from None
    track = _Track()
    for points in document.segments:
        track.add_segment(points)
    _check_useful(document, track, source)
    track.sort_segments()
    rows, rates = track.rows(), list(track.warnings)
    rates += _speed(rows, document, track, options)
    if document.cut_line is not None:
        rates.append(f"the document breaks off at line {document.cut_line}: the points before are read")
    return build_recording(
        source,
        format=NAME,
        clock=Clock.UTC,
        epochs=rows,
        rejects=track.rejects,
        rejected=track.rejected,
        warnings=rates,
        options=options,
        declared_breaks=track.breaks(),
        facts={"GPX version": document.version} if document.version in ("1.0", "1.1") else None,
        origins={"speed_mps": track.speed} if track.speed else None,
    )


@dataclass
class _Track:
    """The timed points, a list a segment, and what was thrown away."""

    segments: list[list[tuple[int, Point, float, float]]] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    rejected: int = 0
    zoneless: int = 0
    untimed: int = 0
    warnings: list[str] = field(default_factory=list)
    speed: Origin | None = None

    def add_segment(self, points: list[Point]) -> None:
        kept = []
        for point in points:
            lat, lon = _number(point.lat), _number(point.lon)
            text = point.text("time")
            stamp = stamp_ns(text) if text else None
            if not text:
                self.untimed += 1
                self._reject(point, "the point has no time")
            elif stamp is None:
                self._reject(point, "the point's time can't be read")
            elif math.isnan(lat) or math.isnan(lon):
                self._reject(point, "the point has no latitude or longitude")
            else:
                self.zoneless += not stamp[1]
                kept.append((stamp[0], point, lat, lon))
        if kept:
            self.segments.append(kept)

    def _reject(self, point: Point, reason: str) -> None:
        self.rejected += 1
        if len(self.rejects) < MOST_REJECTS:
            self.rejects.append(Reject(point.line, reason))

    def sort_segments(self) -> None:
        """Put whole segments in order of time, where they don't overlap: writers list them as they like."""
        order = sorted(range(len(self.segments)), key=lambda at: self.segments[at][0][0])
        placed = [self.segments[at] for at in order]
        apart = all(one[-1][0] < two[0][0] for one, two in pairwise(placed))
        if not apart:
            self.warnings.append("track segments overlap in time: more than one receiver in one file?")
        elif order != sorted(order):
            self.segments = placed
            self.warnings.append("track segments stand out of order in the file: sorted by time")
        if self.zoneless:
            self.warnings.append(f"{self.zoneless} times state no zone: read as UTC")

    def breaks(self) -> list[pd.Timestamp]:
        """The last time of every segment but the last: there reception was lost or the logger off."""
        return [pd.Timestamp(segment[-1][0], unit="ns", tz="UTC") for segment in self.segments[:-1]]

    def points(self) -> list[Point]:
        return [item[1] for segment in self.segments for item in segment]

    def rows(self) -> RawEpochs:
        """The points as rows, without their speeds."""
        items = [item for segment in self.segments for item in segment]
        points = [item[1] for item in items]
        values: dict[str, NDArray[Any]] = {
            "lat_deg": np.array([item[2] for item in items], dtype=float),
            "lon_deg": np.array([item[3] for item in items], dtype=float),
            "fix": np.array(
                [_FIXES.get((point.text("fix") or "").lower()) for point in points], dtype=object
            ),
        }
        for element, column in _COLUMNS.items():
            values[column] = np.array([_number(point.text(element)) for point in points], dtype=float)
        return RawEpochs(
            np.array([item[0] for item in items], dtype=np.int64),
            np.array([point.line for point in points], dtype=np.int64),
            values,
        )


def _number(text: str | None) -> float:
    """A number as XML Schema writes it, else NaN."""
    return float(text) if text and _NUMBER.fullmatch(text.strip()) else math.nan


def _check_useful(document: Document, track: _Track, source: Source) -> None:
    if any(track.segments):
        return
    total = sum(len(points) for points in document.segments)
    if not total:
        cut = f" (it breaks off at line {document.cut_line})" if document.cut_line is not None else ""
        raise SpeedlogError(f"GPX without track points{cut}", file=source.file)
    if track.untimed == total:
        raise SpeedlogError(
            f"none of the {total} track points has a time, so no speed can be told",
            file=source.file,
            todo="Export it again with times.",
        )
    first = track.rejects[0]
    raise SpeedlogError(
        f"no usable track point of {total}: {first.reason}", file=source.file, line=first.line
    )


def _speed(rows: RawEpochs, document: Document, track: _Track, options: ReadOptions) -> list[str]:
    """Put the speeds in, and say what was guessed.

    GPX 1.0 defines `speed` in m/s; anywhere else its unit is nobody's promise, so the positions are
    asked. Where too little moves to tell, m/s is taken (the only unit that GPX has ever defined).
    """
    points = track.points()
    own = any("speed" in point.own for point in points)
    texts = [(point.own if own else point.extra).get("speed") for point in points]
    speed = np.array([_number(text) for text in texts], dtype=float)
    if not np.isfinite(speed).any():
        return []
    lat, lon = rows.values["lat_deg"], rows.values["lon_deg"]
    sound = np.where(speed >= 0, speed, np.nan)
    ratio = speed_ratio(rows.time_ns, lat, lon, sound, options.settings)
    unit = None if ratio is None else unit_of_ratio(ratio, options.settings)
    stated = own and document.version == "1.0"
    if ratio is not None and unit is None and not stated:
        return [
            f"speed is left out: its unit is not stated, and {ratio:.3g} times the positions' speed fits none"
        ]
    rows.values["speed_mps"] = speed * (unit.factor if unit else 1.0)
    symbol = unit.symbol if unit else "m/s"
    guess = "a guess: it agrees with the positions" if unit else "a guess: GPX knows no other"
    track.speed = Origin("<speed>", symbol, "the standard" if stated and symbol == "m/s" else guess)
    if ratio is None:
        return [] if stated else ["speed states no unit: read as m/s, and too little moves to check it"]
    if unit is None:
        return [f"speed is {ratio:.3g} times what the positions show: check it"]
    if unit.symbol == "m/s":
        return [] if stated else ["speed states no unit: read as m/s, since that agrees with the positions"]
    wrong = "should be m/s by the standard" if stated else "states no unit"
    return [f"speed {wrong}, but the positions agree with {unit.symbol}: its unit is taken as {unit.symbol}"]
