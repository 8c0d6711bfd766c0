"""The unit of a speed, seen from the positions beside it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.epoch_times import median_interval_ns
from speedlog.settings import ReadSettings
from speedlog.units import UNITS, Unit

Numbers = NDArray[np.float64]
_WINDOWS = 4000  # at most; more do not make the median any surer
_CELLS = 400_000  # windows times rows in each, at most
# WGS 84 (NGA.STND.0036): equatorial radius in metres, first eccentricity squared
_A_M, _E2 = 6_378_137.0, 0.00669437999014


def step_lengths_m(lat_deg: Numbers, lon_deg: Numbers) -> Numbers:
    """Metres between neighbouring positions (along the first axis), by the ellipsoid's radii at the place.

    Source: the meridian and prime vertical radii of curvature, Torge and Müller, Geodesy (2012), 4.1.3;
    good to 1e-6 over steps of some hundred metres.
    """
    middle = np.radians((lat_deg[1:] + lat_deg[:-1]) / 2)
    shape = 1 - _E2 * np.sin(middle) ** 2
    north = np.radians(np.diff(lat_deg, axis=0)) * _A_M * (1 - _E2) / shape**1.5
    east = np.radians(np.diff(lon_deg, axis=0)) * _A_M / np.sqrt(shape) * np.cos(middle)
    return np.hypot(north, east)


def speed_ratio(
    time_ns: NDArray[np.int64], lat_deg: Numbers, lon_deg: Numbers, speed: Numbers, settings: ReadSettings
) -> float | None:
    """Logged speed over the speed that the positions show: the median over windows of about a second.

    Args:
        time_ns: (N,) in file order.
        lat_deg, lon_deg: (N,) degrees.
        speed: (N,) as logged, of any unit.
        settings: how fast and how many windows are needed.

    Returns:
        The ratio; None where too little of the log moves.
    """
    good = np.isfinite(lat_deg) & np.isfinite(lon_deg) & np.isfinite(speed) & (np.abs(lat_deg) <= 90)
    rows = np.flatnonzero(good & (np.abs(lon_deg) <= 180))
    if len(rows) < 2:
        return None
    stamps = time_ns if len(rows) == len(time_ns) else time_ns[rows]
    typical = median_interval_ns(stamps) / 1e9
    if not typical:
        return None
    span = max(1, round(settings.unit_window_s / typical))
    last = len(rows) - span
    if last < 1:
        return None
    count = max(1, min(last, _WINDOWS, _CELLS // span))
    starts = np.unique(np.linspace(0, last - 1, count).astype(np.int64))
    window = starts[:, None] + np.arange(span + 1)
    at, gaps = rows[window], np.diff(stamps[window], axis=1) / 1e9
    usable = (gaps > 0) & (gaps < 3 * typical)
    steps = step_lengths_m(lat_deg[at].T, lon_deg[at].T).T
    means = (speed[at][:, 1:] + speed[at][:, :-1]) / 2
    metres = np.sum(np.where(usable, steps, 0.0), axis=1)
    logged = np.sum(np.where(usable, means * gaps, 0.0), axis=1)
    seconds = np.sum(np.where(usable, gaps, 0.0), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        fast = metres / seconds > settings.unit_least_mps
        ratios = logged[fast] / metres[fast]
        quick = (metres / seconds)[fast]
    found = _median(ratios, settings)
    if found is None or unit_of_ratio(found, settings) is not None:
        return found
    # a speed that tops out reads low where the car is fastest: its slower half tells
    slower = _median(ratios[quick <= np.nanmedian(quick)], settings)
    # one that comes late reads low while the car gains speed, and as much high while it loses it
    whole = float(np.nansum(logged[fast]) / np.nansum(metres[fast]))
    for other in (slower, whole):
        if other is not None and unit_of_ratio(other, settings) is not None:
            return other
    return found


def _median(ratios: Numbers, settings: ReadSettings) -> float | None:
    ratios = ratios[np.isfinite(ratios)]
    return float(np.median(ratios)) if len(ratios) >= settings.unit_least_windows else None


def unit_of_ratio(ratio: float, settings: ReadSettings) -> Unit | None:
    """The unit of speed in which readings are `ratio` times metres per second, or None where none fits."""
    near = min(
        (unit for unit in UNITS if unit.kind == "speed"), key=lambda unit: abs(ratio * unit.factor - 1)
    )
    return near if abs(ratio * near.factor - 1) <= settings.unit_tolerance else None
