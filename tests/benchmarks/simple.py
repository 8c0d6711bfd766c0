"""What people do without a smoother: three simple ways from a log to a trap speed."""

from __future__ import annotations

import numpy as np
from scipy.signal import savgol_filter

from speedlog.demo.gnss import EARTH, GnssLog
from speedlog.demo.noise import Array, rounded
from speedlog.demo.scenario import SimulatedPass
from speedlog.demo.writers import speed_step_mps

WINDOW_S = 0.44
ORDER = 2


def best_log(run: SimulatedPass) -> tuple[GnssLog, Array]:
    """The GNSS log with most epochs near the trap, and its speeds as the file says them."""

    def near(item: tuple[str, str, GnssLog]) -> int:
        time = item[2].true_s[np.isfinite(item[2].speed_mps)]
        return int(((time > run.truth.entry_s - 0.2) & (time < run.truth.exit_s + 0.2)).sum())

    _, form, log = max(run.gnss, key=near)
    return log, rounded(log.speed_mps, speed_step_mps(log, form))


def highest_reading(run: SimulatedPass) -> float:
    """(a) The number that the logger's own screen shows."""
    return float(np.nanmax(best_log(run)[1]))


def interpolated(run: SimulatedPass) -> float:
    """(b) Linear interpolation of speed over distance, averaged in time over the trap."""
    log, speed = best_log(run)
    return _mean_over_trap(run, driven_m(run, log), speed)


def savitzky_golay(run: SimulatedPass) -> float:
    """(c) The same after a Savitzky-Golay filter on the speed (quadratic, 0.44 s or five epochs)."""
    log, speed = best_log(run)
    known = np.isfinite(speed)
    window = max(5, round(WINDOW_S * log.logger.rate_hz) // 2 * 2 + 1)
    smooth = np.full(len(speed), np.nan)
    smooth[known] = savgol_filter(speed[known], min(window, (known.sum() - 1) // 2 * 2 + 1), ORDER)
    return _mean_over_trap(run, driven_m(run, log), smooth)


def driven_m(run: SimulatedPass, log: GnssLog) -> Array:
    """Driven distance of each epoch by its own position, from the launch."""
    place, n = run.place, len(log.lat_deg)
    azimuth, _, distance = EARTH.inv(
        np.full(n, place.lon_deg), np.full(n, place.lat_deg), log.lon_deg, log.lat_deg
    )
    along = np.asarray(distance) * np.cos(np.radians(np.asarray(azimuth) - place.heading_deg))
    return np.asarray(along - place.launch_m if place.outbound else place.launch_m - along)


def _mean_over_trap(run: SimulatedPass, travel: Array, speed: Array) -> float:
    known = np.isfinite(travel) & np.isfinite(speed)
    travel, speed = travel[known], speed[known]
    ahead = np.concatenate([[True], travel[1:] > np.maximum.accumulate(travel)[:-1]])
    entry, end = run.truth.entry_travel_m, run.truth.exit_travel_m
    at = np.linspace(entry, end, 201)
    v = np.maximum(np.interp(at, travel[ahead], speed[ahead]), 1.0)
    return float((end - entry) / np.trapezoid(1.0 / v, at))
