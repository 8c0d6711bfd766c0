"""Places on the WGS 84 ellipsoid to metres along and across a running line, and back.

The plane is the geodesic polar (azimuthal equidistant) one at the line's start: a place at geodesic
distance s and azimuth az lies at along = s cos(az - heading), across = s sin(az - heading). Distances
and directions from the start are exact in it. Geodesics: C. F. F. Karney, "Algorithms for geodesics",
Journal of Geodesy 87 (2013) 43-55, as PROJ carries them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Geod

Array = NDArray[np.float64]

GEOD = Geod(ellps="WGS84")
_FIT_ROUNDS = 12  # re-weighting has settled to a millimetre long before
_FIT_FLOOR_M = 0.05  # scatter below a receiver's own noise must not make its other positions "outliers"
_TUKEY = 4.685  # Tukey's biweight: 95 % as good as least squares where errors are normal
_MAD_TO_SD = 1.4826  # median absolute deviation to standard deviation, normal errors


@dataclass(frozen=True)
class Line:
    """A running line: where it starts and which way it points (outbound, degrees from true north)."""

    lat_deg: float
    lon_deg: float
    heading_deg: float


def along_across(line: Line, lat_deg: ArrayLike, lon_deg: ArrayLike) -> tuple[Array, Array]:
    """Metres along the line from its start, and across it (+ = right of the outbound heading).

    Args:
        line: the running line.
        lat_deg, lon_deg: (N,) places, WGS 84, degrees; NaN where missing.

    Returns:
        along, across: (N,) metres; NaN where the place is missing.
    """
    lat = np.atleast_1d(np.asarray(lat_deg, dtype=float))
    lon = np.atleast_1d(np.asarray(lon_deg, dtype=float))
    along, across = np.full(lat.shape, np.nan), np.full(lat.shape, np.nan)
    known = np.isfinite(lat) & np.isfinite(lon)
    if known.any():
        count = int(known.sum())
        azimuth, _, distance = GEOD.inv(
            np.full(count, line.lon_deg), np.full(count, line.lat_deg), lon[known], lat[known]
        )
        turn = np.radians(np.asarray(azimuth) - line.heading_deg)
        along[known], across[known] = distance * np.cos(turn), distance * np.sin(turn)
    return along, across


def place(line: Line, along_m: float, across_m: float = 0.0) -> tuple[float, float]:
    """Latitude and longitude (degrees) of a place on the line: the inverse of `along_across`."""
    azimuth = line.heading_deg + np.degrees(np.arctan2(across_m, along_m))
    lon, lat, _ = GEOD.fwd(line.lon_deg, line.lat_deg, azimuth, float(np.hypot(along_m, across_m)))
    return float(lat), float(lon)


def line_between(start: tuple[float, float], end: tuple[float, float]) -> tuple[Line, float]:
    """The line from one place (latitude, longitude) to another, and the distance in metres."""
    azimuth, _, distance = GEOD.inv(start[1], start[0], end[1], end[0])
    return Line(start[0], start[1], float(azimuth) % 360.0), float(distance)


def fit_line(lat_deg: ArrayLike, lon_deg: ArrayLike, *, start: tuple[float, float] | None = None) -> Line:
    """The straight line through the places driven over, in order; single bad places don't turn it.

    Orthogonal regression, re-weighted with Tukey's biweight (Huber and Ronchetti, Robust Statistics, 2nd
    edition 2009, section 7.8, for re-weighting).

    Args:
        lat_deg, lon_deg: (N,) places in order of time, N >= 2; NaN where missing.
        start: latitude and longitude of the launch point; its foot on the line is the line's start.
            The first known place if None.

    Raises:
        ValueError: fewer than two distinct places.
    """
    lat, lon = np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float)
    known = np.isfinite(lat) & np.isfinite(lon)
    lat, lon = lat[known], lon[known]
    if len(lat) < 2 or (np.ptp(lat) == 0 and np.ptp(lon) == 0):
        raise ValueError("a line needs two distinct places")
    origin = start if start is not None else (float(lat[0]), float(lon[0]))
    north, east = along_across(Line(origin[0], origin[1], 0.0), lat, lon)
    heading, centre = _direction(north, east)
    # the foot of the launch point: the plane's origin, projected on the fitted line
    foot = centre - heading * float(centre @ heading)
    azimuth = float(np.degrees(np.arctan2(heading[1], heading[0])) % 360.0)
    foot_lat, foot_lon = place(Line(origin[0], origin[1], 0.0), float(foot[0]), float(foot[1]))
    return Line(foot_lat, foot_lon, azimuth)


def _direction(north: Array, east: Array) -> tuple[Array, Array]:
    """Unit vector (north, east) in the sense of travel, and a point of the line."""
    points = np.column_stack([north, east])
    # the start of the re-weighting: the median is on the line, and the median turn of the chords points along
    half = len(points) // 2
    chord = np.median(points[half:] if half else points[1:], axis=0) - np.median(
        points[: max(half, 1)], axis=0
    )
    if not np.hypot(*chord):
        chord = points[-1] - points[0]
    weight = np.ones(len(points))
    heading = chord / max(np.hypot(*chord), 1e-12)
    centre = np.median(points, axis=0)
    for _ in range(_FIT_ROUNDS):
        across = (points - centre) @ np.array([-heading[1], heading[0]])
        across = across - np.median(across)
        scale = max(_MAD_TO_SD * float(np.median(np.abs(across))), _FIT_FLOOR_M)
        weight = np.maximum(1.0 - (across / (_TUKEY * scale)) ** 2, 0.0) ** 2
        centre = np.average(points, axis=0, weights=weight)
        spread = (points - centre) * np.sqrt(weight)[:, None]
        _, _, axes = np.linalg.svd(spread, full_matrices=False)
        heading = axes[0] * (1.0 if axes[0] @ chord >= 0 else -1.0)
    return heading, centre
