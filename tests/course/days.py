"""Invented days on a runway: a car driven along a list of legs, logged by a plain receiver.

The truth is by hand (constant pull from speed to speed); places on the Earth come from geographiclib,
not from the program's own geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from geographiclib.geodesic import Geodesic

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line
from speedlog.samples import Clock, Recording, empty_samples

START = pd.Timestamp("2026-05-02T10:00:00Z")
LINE = Line(53.1, -1.2, 75.0)  # the test line of references.md
COURSE = Course("test", LINE, 520.0, 550.0)


@dataclass
class Day:
    """Speeds along the line over time, signed (+ outbound), straight between corners."""

    start_along: float = 0.0
    time: list[float] = field(default_factory=lambda: [0.0])
    speed: list[float] = field(default_factory=lambda: [0.0])

    def to(self, speed: float, seconds: float) -> Day:
        self.time.append(self.time[-1] + seconds)
        self.speed.append(speed)
        return self

    def stand(self, seconds: float) -> Day:
        return self.to(0.0, seconds)

    def go(self, top: float, *, pull: float = 8.0, hold: float = 0.0, brake: float = 10.0) -> Day:
        """From standing to a top speed (its sign is the direction), and to standing again."""
        return self.to(top, abs(top) / pull).to(top, hold + 1e-9).to(0.0, abs(top) / brake)

    def now(self) -> float:
        return self.time[-1]

    def place(self) -> float:
        return float(self.along(np.array([self.now()]))[0])

    def along(self, at: np.ndarray) -> np.ndarray:
        time, speed = np.array(self.time), np.array(self.speed)
        corner = self.start_along + np.concatenate(
            [[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))]
        )
        piece = np.clip(np.searchsorted(time, at, side="right") - 1, 0, len(time) - 2)
        passed = at - time[piece]
        slope = (speed[piece + 1] - speed[piece]) / np.maximum(time[piece + 1] - time[piece], 1e-12)
        return corner[piece] + speed[piece] * passed + 0.5 * slope * passed**2


def record(
    day: Day,
    *,
    rate_hz: float = 10.0,
    line: Line = LINE,
    across: float | np.ndarray = 0.0,
    noise: float = 0.05,
    seed: int = 0,
    speed: bool = True,
    begin: float = 0.0,
    end: float | None = None,
) -> Recording:
    """A log of a day; `begin` and `end` cut it."""
    rng = np.random.default_rng(seed)
    time = np.arange(begin, day.now() if end is None else end, 1.0 / rate_hz)
    along = day.along(time) + noise * rng.standard_normal(len(time))
    aside = np.broadcast_to(across, time.shape) + noise * rng.standard_normal(len(time))
    lat, lon = points(line, along, aside)
    samples = empty_samples(stamps(time))
    samples["lat_deg"], samples["lon_deg"] = np.round(lat, 7), np.round(lon, 7)
    if speed:
        value = np.interp(time, day.time, np.abs(day.speed)) + noise * rng.standard_normal(len(time))
        samples["speed_mps"] = np.round(np.abs(value), 3)
    return recording(samples)


def points(line: Line, along: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places by geographiclib: a geodesic from the start, azimuth and distance by hand."""
    lat, lon = np.empty(len(along)), np.empty(len(along))
    for row, (x, y) in enumerate(zip(along, across, strict=True)):
        found = Geodesic.WGS84.Direct(
            line.lat_deg, line.lon_deg, line.heading_deg + np.degrees(np.arctan2(y, x)), np.hypot(x, y)
        )
        lat[row], lon[row] = found["lat2"], found["lon2"]
    return lat, lon


def stamps(time: np.ndarray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(START + pd.to_timedelta(np.round(time * 1e9).astype("int64"), unit="ns")).as_unit(
        "ns"
    )


def recording(*segments: pd.DataFrame, breaks: Sequence[pd.Timestamp] = ()) -> Recording:
    return Recording("day.nmea", "0" * 64, "nmea", Clock.UTC, segments, declared_breaks=tuple(breaks))


def kept(log: Recording, keep: np.ndarray) -> Recording:
    """The log with only these rows."""
    return recording(log.samples[keep])
