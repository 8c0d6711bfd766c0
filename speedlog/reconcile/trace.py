"""The arrays behind the charts of a pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.drive import Drive
from speedlog.results import LoggerTrace, Trace
from speedlog.samples import COLUMN_NAMES

Array = NDArray[np.float64]
_CHANNELS = tuple(name for name in COLUMN_NAMES if name not in ("lat_deg", "lon_deg", "fix"))
_K = 1.96  # half-width of a normal law's central 95 %


def trace_of(drive: Drive) -> Trace | None:
    """Estimate, band and each logger's readings along the line; None without an estimate."""
    motion = drive.motion
    if motion is None:
        return None
    speed, sd = motion.speed_mps, motion.speed_sd_mps
    loggers = [
        LoggerTrace(
            item.track.file, "gnss", item.track.time_s, _along(item.track.along_m, item.track.time_s, drive),
            item.track.across_m, item.track.samples["speed_mps"].to_numpy(dtype=float),
            item.speed_ok | (item.place_ok & ~np.isfinite(item.source.speed_mps)), _channels(item.track.samples),
        )
        for item in drive.seen
    ]  # fmt: skip
    loggers += [
        LoggerTrace(
            part.track.file, "wheel", part.track.time_s, part.track.along_m, part.track.across_m, part.speed_mps,
            np.ones(len(part.speed_mps), dtype=bool), _channels(part.track.samples),
        )
        for part in drive.wheels
    ]  # fmt: skip
    return Trace(
        motion.time_s, drive.sign * motion.travel_m, speed, np.maximum(speed - _K * sd, 0.0), speed + _K * sd,
        motion.accel_mps2, tuple(loggers),
    )  # fmt: skip


def _along(own: Array, time_s: Array, drive: Drive) -> Array:
    """A sample's own place, or where the car was by the estimate when it had none."""
    motion = drive.motion
    assert motion is not None
    inside = (time_s >= motion.time_s[0]) & (time_s <= motion.time_s[-1])
    there = drive.sign * np.interp(time_s, motion.time_s, motion.travel_m)
    return np.where(np.isfinite(own), own, np.where(inside, there, np.nan))


def _channels(samples: object) -> dict[str, Array]:
    import pandas as pd

    assert isinstance(samples, pd.DataFrame)
    return {name: samples[name].to_numpy(dtype=float) for name in _CHANNELS if samples[name].notna().any()}
