"""A GNSS logger that watches the car: what it would log on a pass, with noise, lag and text steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from speedlog.demo.noise import Array, drift
from speedlog.demo.truth import Truth

EARTH = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Place:
    """Where the running line lies and how the pass lies on it.

    Attributes:
        launch_m: where along the line the car starts.
        outbound: it drives up the line (else down).
        across_m, across_slope, sway_m, sway_length_m, sway_phase: its path across the line, metres to
            the right of the OUTBOUND heading: start, drift per driven metre, and a slow weave.
    """

    lat_deg: float
    lon_deg: float
    heading_deg: float
    launch_m: float = 0.0
    outbound: bool = True
    across_m: float = 0.0
    across_slope: float = 0.0
    sway_m: float = 0.0
    sway_length_m: float = 300.0
    sway_phase: float = 0.0

    def along(self, travel_m: Array) -> Array:
        """Metres along the line after driving so far."""
        return np.asarray(self.launch_m + travel_m if self.outbound else self.launch_m - travel_m)

    def travel(self, along_m: float) -> float:
        """Driven metres at a place along the line."""
        return along_m - self.launch_m if self.outbound else self.launch_m - along_m

    def across(self, travel_m: Array) -> Array:
        """Metres right of the line after driving so far."""
        weave = np.sin(2 * np.pi * travel_m / self.sway_length_m + self.sway_phase)
        return np.asarray(self.across_m + self.across_slope * travel_m + self.sway_m * weave)

    def position(self, along_m: Array, across_m: Array) -> tuple[Array, Array]:
        """(latitude, longitude) of points beside the line, on the WGS 84 ellipsoid [deg]."""
        n = len(along_m)
        start = np.full(n, self.lon_deg), np.full(n, self.lat_deg)
        lon, lat, back = EARTH.fwd(*start, np.full(n, self.heading_deg), along_m)
        # `back` looks at the start; the line goes on the other way, and right of it is 90 degrees more
        lon, lat, _ = EARTH.fwd(lon, lat, np.asarray(back) + 180.0 + 90.0, across_m)
        return np.asarray(lat), np.asarray(lon)


@dataclass(frozen=True)
class GnssLogger:
    """A logger's make-up. Noise figures are standard deviations, drifts Ornstein-Uhlenbeck signals.

    Attributes:
        delay_s: everything (speed and place) is late by this.
        speed_delay_s: the speed is late by this besides.
        speed_filter_s: time constant of a first-order filter on the speed.
        knot_digits: digits after the point of the speed in NMEA (a CSV or GPX has one the fewer);
            minute_digits: those of a minute of arc.
    """

    rate_hz: float = 25.0
    speed_white_mps: float = 0.05
    speed_drift_mps: float = 0.03
    speed_drift_s: float = 10.0
    place_white_m: float = 0.04
    place_drift_m: float = 0.8
    place_drift_s: float = 60.0
    delay_s: float = 0.0
    speed_delay_s: float = 0.0
    speed_filter_s: float = 0.0
    knot_digits: int = 3
    minute_digits: int = 5
    hdop: float = 0.7
    satellites: int = 14
    cn0_dbhz: float = 46.0


@dataclass(frozen=True)
class Label:
    """A fault that was put in: its kind, and true time of its first and last epoch (s since launch).

    Of a gap: the last epoch before and the first one after.
    """

    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class GnssLog:
    """What the logger logged, before it becomes text. Arrays are (N,), NaN where empty.

    `quality` is the code of NMEA's GGA: 0 none, 1 autonomous, 6 dead reckoned. `true_s` is the true
    time of each epoch, `spoilt` the epochs that a fault touched.
    """

    logger: GnssLogger
    place: Place
    true_s: Array
    time_ns: NDArray[np.int64]
    lat_deg: Array
    lon_deg: Array
    alt_m: Array
    speed_mps: Array
    track_deg: Array
    hdop: Array
    satellites: Array
    cn0_dbhz: Array
    quality: NDArray[np.int64]
    labels: tuple[Label, ...] = ()
    spoilt: NDArray[np.bool_] | None = None


def epochs_ns(start_ns: int, end_ns: int, rate_hz: float) -> NDArray[np.int64]:
    """Whole multiples of the interval in UTC, as receivers give them."""
    step = round(1e9 / rate_hz)
    return np.arange(-(-start_ns // step), end_ns // step + 1, dtype=np.int64) * step


def _late(truth: Truth, logger: GnssLogger, true_s: Array) -> Array:
    """The speed as the logger's own filter gives it."""
    shift = logger.delay_s + logger.speed_delay_s
    if logger.speed_filter_s <= 0:
        return truth.motion_at(true_s - shift)[1]
    # a first-order filter, fed with the mean of each millisecond
    keep = float(np.exp(-1e-3 / logger.speed_filter_s))
    held = float(truth.speed_mps[0])
    out = [held]
    for value in (0.5 * (truth.speed_mps[1:] + truth.speed_mps[:-1])).tolist():
        held = value + (held - value) * keep
        out.append(held)
    return np.asarray(np.interp(true_s - shift, truth.time_s, out))


def log_gnss(
    rng: np.random.Generator, truth: Truth, place: Place, logger: GnssLogger, launch_ns: int,
    window_s: tuple[float, float] | None = None,
) -> GnssLog:  # fmt: skip
    """What a logger logs of a pass.

    Args:
        launch_ns: UTC of the launch, nanoseconds since 1970.
        window_s: true times at which it was switched on and off; the whole pass by default.
    """
    on, off = window_s or (float(truth.time_s[0]), float(truth.time_s[-1]))
    time_ns = epochs_ns(launch_ns + round(on * 1e9), launch_ns + round(off * 1e9), logger.rate_hz)
    true_s = (time_ns - launch_ns) / 1e9
    n = len(true_s)
    travel, _, _ = truth.motion_at(true_s - logger.delay_s)
    along, across = place.along(travel), place.across(travel)
    for part in (along, across):
        part += drift(rng, true_s, logger.place_drift_m, logger.place_drift_s)
        part += logger.place_white_m * rng.standard_normal(n)
    lat, lon = place.position(along, across)
    forward = _late(truth, logger, true_s) + drift(rng, true_s, logger.speed_drift_mps, logger.speed_drift_s)
    forward = forward + logger.speed_white_mps * rng.standard_normal(n)
    sideways = logger.speed_white_mps * rng.standard_normal(n)
    toward = place.heading_deg + (0.0 if place.outbound else 180.0)
    track = (toward + np.degrees(np.arctan2(sideways, forward))) % 360.0
    return GnssLog(
        logger=logger, place=place, true_s=true_s, time_ns=time_ns, lat_deg=lat, lon_deg=lon,
        alt_m=31.0 + drift(rng, true_s, 1.2, 40.0), speed_mps=np.hypot(forward, sideways), track_deg=track,
        hdop=np.maximum(0.4, logger.hdop + drift(rng, true_s, 0.03, 20.0)),
        satellites=np.clip(np.round(logger.satellites + drift(rng, true_s, 0.7, 15.0)), 4.0, 30.0),
        cn0_dbhz=np.clip(logger.cn0_dbhz + drift(rng, true_s, 0.8, 5.0), 20, 54),
        quality=np.ones(n, dtype=np.int64), spoilt=np.zeros(n, dtype=bool),
    )  # fmt: skip
