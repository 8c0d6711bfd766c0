"""Invented passes for the fault tests: a car driven by a plain formula, logged by a plain receiver.

The truth is by hand: constant pull, a top, constant braking. Nothing here comes from the program.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from speedlog.course.track import Track
from speedlog.samples import empty_samples

START = pd.Timestamp("2026-05-02T10:00:00Z")
LAT, LON = 53.1, -1.2
# metres in a degree at 53.1 N: references.md topic 4, row "0.001 deg at 53.1 N"
NORTH_M, EAST_M = 111288.16, 66982.00
KNOT = 1852 / 3600


@dataclass(frozen=True)
class Drive:
    """What the car did: standing, pull, top, brake. Times in seconds, m/s, m/s²."""

    stand_s: float = 1.0
    pull: float = 8.0
    top: float = 80.0
    hold_s: float = 0.0
    brake: float = 10.0

    def times(self) -> tuple[float, float, float, float]:
        lift = self.stand_s + self.top / self.pull
        stop = lift + self.hold_s + self.top / self.brake
        return self.stand_s, lift, lift + self.hold_s, stop

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        launch, lift, brake, stop = self.times()
        return np.interp(
            time_s, [0.0, launch, lift, brake, stop, stop + 1.0], [0, 0, self.top, self.top, 0, 0]
        )

    def along(self, time_s: np.ndarray) -> np.ndarray:
        """The exact integral of the speed, which is straight between its corners."""
        corners = np.array([0.0, *self.times(), self.times()[-1] + 1.0])
        speed = self.speed(corners)
        at = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(corners))])
        piece = np.clip(np.searchsorted(corners, time_s, side="right") - 1, 0, len(corners) - 2)
        passed = time_s - corners[piece]
        slope = (speed[piece + 1] - speed[piece]) / (corners[piece + 1] - corners[piece])
        return at[piece] + speed[piece] * passed + 0.5 * slope * passed**2


def log(
    drive: Drive,
    *,
    rate_hz: float = 25.0,
    seed: int = 0,
    speed_noise: float = 0.05,
    place_noise: float = 0.05,
    step_kn: float = 0.01,
    heading_deg: float = 75.0,
    trap: tuple[float, float] | None = (380.0, 410.0),
    limit_mps: float | None = None,
    delay_s: float = 0.0,
) -> Track:
    """A clean log of a drive, as a Track.

    Args:
        speed_noise, place_noise: white, one sd, m/s and m; a slow wander of about 1 m comes on top.
        step_kn: of the speed's text, knots. Positions are written to 1e-5 minutes.
        limit_mps: the largest speed that the receiver writes.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, drive.times()[-1] + 1.0, 1.0 / rate_hz)
    speed = np.abs(drive.speed(time - delay_s) + speed_noise * rng.standard_normal(len(time)))
    if limit_mps is not None:
        speed = np.minimum(speed, limit_mps)
    speed = np.round(speed / KNOT / step_kn) * step_kn * KNOT
    turn = np.radians(heading_deg)
    wander = [np.sin(2 * np.pi * (time / 40.0 + rng.random())) for _ in range(2)]
    along = drive.along(time) + place_noise * rng.standard_normal(len(time)) + wander[0]
    across = place_noise * rng.standard_normal(len(time)) + 0.5 * wander[1]
    north = along * np.cos(turn) - across * np.sin(turn)
    east = along * np.sin(turn) + across * np.cos(turn)
    minute = 1e-5 / 60
    lat = np.round((LAT + north / NORTH_M) / minute) * minute
    lon = np.round((LON + east / EAST_M) / minute) * minute
    return track_of(time, speed, lat, lon, heading_deg, trap)


def track_of(
    time: np.ndarray,
    speed: np.ndarray,
    lat: np.ndarray,
    lon: np.ndarray,
    heading_deg: float = 75.0,
    trap: tuple[float, float] | None = (380.0, 410.0),
) -> Track:
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.round(time * 1e9).astype("int64"), unit="ns"))
    samples = empty_samples(index.as_unit("ns"))
    samples["speed_mps"], samples["lat_deg"], samples["lon_deg"] = speed, lat, lon
    samples["satellites"], samples["hdop"], samples["cn0_dbhz"] = 14.0, 0.7, 45.0
    return placed(
        Track(
            file="test.nmea",
            kind="gnss",
            origin=START,
            time_s=time,
            samples=samples,
            along_m=np.empty(0),
            across_m=np.empty(0),
            interval_s=float(np.median(np.diff(time))) if len(time) > 1 else 0.04,
            sign=1,
            trap=trap,
        ),
        heading_deg,
    )


def placed(track: Track, heading_deg: float = 75.0) -> Track:
    """The track with along and across by plain local scales, after its positions were changed."""
    north = (track.samples["lat_deg"].to_numpy() - LAT) * NORTH_M
    east = (track.samples["lon_deg"].to_numpy() - LON) * EAST_M
    turn = np.radians(heading_deg)
    unsound = track.samples["fix"].isin(["none", "dead_reckoned"]).to_numpy()
    along = np.where(unsound, np.nan, north * np.cos(turn) + east * np.sin(turn))
    across = np.where(unsound, np.nan, east * np.cos(turn) - north * np.sin(turn))
    return replace(track, along_m=along, across_m=across)


def changed(track: Track, *, heading_deg: float = 75.0, **columns: np.ndarray) -> Track:
    """The track with other values in some columns of the common table."""
    samples = track.samples.copy()
    for name, values in columns.items():
        samples[name] = values if name != "fix" else pd.Categorical(values, dtype=samples["fix"].dtype)
    return placed(replace(track, samples=samples), heading_deg)


def without(track: Track, drop: np.ndarray) -> Track:
    """The track without some rows (the receiver's interval stays)."""
    keep = ~drop
    return replace(
        track,
        time_s=track.time_s[keep],
        samples=track.samples[keep],
        along_m=track.along_m[keep],
        across_m=track.across_m[keep],
    )
