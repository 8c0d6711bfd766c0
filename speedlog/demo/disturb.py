"""Faults put into a GNSS log, each with its exact label. Every function gives a new log.

Times are true seconds since the launch. Faults that change values come before those that take
epochs away (`gap` last), so that labels stay true.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from speedlog.demo.gnss import GnssLog, Label
from speedlog.demo.noise import Array

_ROWS = ("true_s", "time_ns", "lat_deg", "lon_deg", "alt_m", "speed_mps", "track_deg", "hdop", "satellites",
         "cn0_dbhz", "quality", "spoilt")  # fmt: skip
_PLACE = ("lat_deg", "lon_deg", "alt_m", "speed_mps", "track_deg")


def _within(log: GnssLog, start_s: float, end_s: float) -> NDArray[np.bool_]:
    return np.asarray((log.true_s >= start_s) & (log.true_s <= end_s))


def _marked(log: GnssLog, kind: str, hit: NDArray[np.bool_], **changed: object) -> GnssLog:
    """The log with a label over the epochs hit; no epoch hit, no label."""
    if not hit.any():
        return log
    at = log.true_s[hit]
    assert log.spoilt is not None
    label = Label(kind, float(at[0]), float(at[-1]))
    return replace(log, labels=(*log.labels, label), spoilt=log.spoilt | hit, **changed)  # type: ignore[arg-type]


def gap(log: GnssLog, start_s: float, end_s: float) -> GnssLog:
    """No epochs from `start_s` to `end_s`."""
    gone = _within(log, start_s, end_s)
    left = np.flatnonzero(~gone)
    before, after = left[log.true_s[left] < start_s], left[log.true_s[left] > end_s]
    if not gone.any() or not len(before) or not len(after):
        return log
    label = Label("gap", float(log.true_s[before[-1]]), float(log.true_s[after[0]]))
    kept = {name: getattr(log, name)[~gone] for name in _ROWS}
    return replace(log, labels=(*log.labels, label), **kept)


def no_fix(log: GnssLog, start_s: float, end_s: float) -> GnssLog:
    """Epochs marked invalid, without values."""
    hit = _within(log, start_s, end_s)
    changed: dict[str, object] = {name: np.where(hit, np.nan, getattr(log, name)) for name in _PLACE}
    changed |= {"quality": np.where(hit, 0, log.quality), "satellites": np.where(hit, 2, log.satellites)}
    changed |= {"hdop": np.where(hit, 99.9, log.hdop), "cn0_dbhz": np.where(hit, 27.0, log.cn0_dbhz)}
    return _marked(log, "no_fix", hit, **changed)


def poor_fix(
    log: GnssLog, rng: np.random.Generator, start_s: float, end_s: float, speed_sd_mps: float = 0.4
) -> GnssLog:
    """Few satellites, bad geometry, noisy values."""
    hit = _within(log, start_s, end_s)
    n = len(hit)
    speed = np.abs(log.speed_mps + hit * speed_sd_mps * rng.standard_normal(n))
    north = hit * 2.5 / 111_000 * np.cumsum(rng.standard_normal(n)) / np.sqrt(max(int(hit.sum()), 1))
    return _marked(
        log, "poor_fix", hit, speed_mps=speed, lat_deg=log.lat_deg + north,
        hdop=np.where(hit, 6.0 + rng.random(n) * 3, log.hdop), satellites=np.where(hit, 4, log.satellites),
        cn0_dbhz=np.where(hit, log.cn0_dbhz - 14, log.cn0_dbhz),
    )  # fmt: skip


def frozen(log: GnssLog, start_s: float, end_s: float) -> GnssLog:
    """Place, speed and track stay at the values of the epoch before, while the time goes on."""
    hit = _within(log, start_s, end_s)
    if not hit.any() or hit[0]:
        return log
    held = int(np.flatnonzero(hit)[0]) - 1
    changed = {name: np.where(hit, getattr(log, name)[held], getattr(log, name)) for name in _PLACE}
    return _marked(log, "frozen", hit, **changed)


def ceiling(log: GnssLog, top_mps: float) -> GnssLog:
    """The speed stops at a round number; place and track go on."""
    hit = np.asarray(log.speed_mps > top_mps)
    return _marked(log, "ceiling", hit, speed_mps=np.minimum(log.speed_mps, top_mps))


def outlier(log: GnssLog, at_s: float, epochs: int, error_mps: float, place_error_m: float = 0.0) -> GnssLog:
    """A run of wrong speeds (and places along the line), from the first epoch at or after `at_s`."""
    first = int(np.searchsorted(log.true_s, at_s))
    hit = np.zeros(len(log.true_s), dtype=bool)
    hit[first : first + epochs] = True
    moved = _moved(log, np.where(hit, place_error_m, 0.0)) if place_error_m else {}
    return _marked(log, "outlier", hit, speed_mps=np.abs(log.speed_mps + hit * error_mps), **moved)


def place_jump(log: GnssLog, start_s: float, end_s: float, along_m: float) -> GnssLog:
    """The place jumps along the line and comes back; the speed is sound."""
    hit = _within(log, start_s, end_s)
    return _marked(log, "position_jump", hit, **_moved(log, np.where(hit, along_m, 0.0)))


def dead_reckoned(log: GnssLog, start_s: float, end_s: float) -> GnssLog:
    """The receiver carries on at the last speed and heading, and says so."""
    hit = _within(log, start_s, end_s)
    if not hit.any() or hit[0]:
        return log
    held = int(np.flatnonzero(hit)[0]) - 1
    on = np.full(len(hit), np.nan)
    on[hit] = log.speed_mps[held] * (log.true_s[hit] - log.true_s[held])
    toward = log.place.heading_deg + (0.0 if log.place.outbound else 180.0)
    lat, lon = _step(
        np.full(len(hit), log.lat_deg[held]), np.full(len(hit), log.lon_deg[held]), toward, np.nan_to_num(on)
    )
    return _marked(
        log, "dead_reckoned", hit,
        lat_deg=np.where(hit, lat, log.lat_deg), lon_deg=np.where(hit, lon, log.lon_deg),
        speed_mps=np.where(hit, log.speed_mps[held], log.speed_mps), quality=np.where(hit, 6, log.quality),
    )  # fmt: skip


def clock_jump(log: GnssLog, at_s: float, step_s: float) -> GnssLog:
    """The logged clock steps once and stays. Its label spans the epochs on both sides of the step."""
    first = int(np.searchsorted(log.true_s, at_s))
    if not 0 < first < len(log.true_s):
        return log
    late = np.arange(len(log.true_s)) >= first
    label = Label("clock_jump", float(log.true_s[first - 1]), float(log.true_s[first]))
    return replace(
        log, labels=(*log.labels, label), time_ns=log.time_ns + late.astype(np.int64) * round(step_s * 1e9)
    )


def heavy_tails(log: GnssLog, rng: np.random.Generator, freedom: float = 3.0) -> GnssLog:
    """Adds speed noise of Student's t with few degrees of freedom, as wide as the white noise. No label."""
    extra = log.logger.speed_white_mps * rng.standard_t(freedom, len(log.true_s))
    return replace(log, speed_mps=np.abs(log.speed_mps + extra))


def _moved(log: GnssLog, along_m: Array) -> dict[str, object]:
    lat, lon = _step(log.lat_deg, log.lon_deg, log.place.heading_deg, along_m)
    hit = along_m != 0
    return {"lat_deg": np.where(hit, lat, log.lat_deg), "lon_deg": np.where(hit, lon, log.lon_deg)}


def _step(lat: Array, lon: Array, heading_deg: float, metres: Array) -> tuple[Array, Array]:
    from speedlog.demo.gnss import EARTH

    lon2, lat2, _ = EARTH.fwd(lon, lat, np.full(len(lat), heading_deg), metres)
    return np.asarray(lat2), np.asarray(lon2)
