"""A trap speed as anybody can work it out from a log with a pocket calculator: two beams, four epochs, a division."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.samples import Recording

# WGS 84: semi-major axis and first eccentricity squared (NIMA TR8350.2, third edition, tables 3.1 and 3.3)
_A_M = 6_378_137.0
_E2 = 6.694_379_990_14e-3


@dataclass(frozen=True)
class Epoch:
    """One row of a log: its own time, metres along the line, and the speed it wrote."""

    time: pd.Timestamp
    along_m: float
    speed_mps: float | None


@dataclass(frozen=True)
class Crossing:
    """A beam, the epochs before and after it, and when it was passed by the straight line between them."""

    beam_m: float
    before: Epoch
    after: Epoch

    @property
    def seconds(self) -> float:
        """From the epoch before to the beam."""
        way = self.after.along_m - self.before.along_m
        share = (self.beam_m - self.before.along_m) / way
        return share * (self.after.time - self.before.time).total_seconds()


@dataclass(frozen=True)
class ByHand:
    """What one log gives by hand."""

    first: Crossing
    second: Crossing

    @property
    def transit_s(self) -> float:
        between = (self.second.before.time - self.first.before.time).total_seconds()
        return between + self.second.seconds - self.first.seconds

    @property
    def speed_mps(self) -> float:
        return abs(self.second.beam_m - self.first.beam_m) / self.transit_s


def by_hand(
    recording: Recording, course: Course, start: pd.Timestamp, end: pd.Timestamp, outbound: bool
) -> ByHand | None:
    """The trap speed of one log by straight lines between its epochs; None where a beam lies in no two of them.

    Args:
        start, end: of the drive, on the log's own clock.
        outbound: which beam comes first.
    """
    rows = recording.samples[recording.valid]
    rows = rows[(rows.index >= start) & (rows.index <= end)]
    if len(rows) < 2:
        return None
    along, _ = along_across(course.line, rows["lat_deg"].to_numpy(float), rows["lon_deg"].to_numpy(float))
    speed = rows["speed_mps"].to_numpy(float)
    beams = (course.entry_m, course.exit_m) if outbound else (course.exit_m, course.entry_m)
    found = []
    for beam in beams:
        side = np.sign(along - beam)
        places = np.flatnonzero(side[:-1] != side[1:])
        if not len(places):
            return None
        k = int(places[0])
        before, after = (
            Epoch(rows.index[i], float(along[i]), float(speed[i]) if math.isfinite(speed[i]) else None)
            for i in (k, k + 1)
        )
        found.append(Crossing(beam, before, after))
    made = ByHand(found[0], found[1])
    return made if made.transit_s > 0 else None


def metres_a_degree(lat_deg: float) -> tuple[float, float]:
    """Metres that a degree of latitude, and one of longitude, are long on the ellipsoid at a latitude.

    M = a (1 - e²) / (1 - e² sin² φ)^(3/2) and N cos φ = a cos φ / √(1 - e² sin² φ), times π/180: the radii of
    curvature in the meridian and in the prime vertical (J. P. Snyder, Map Projections: A Working Manual, USGS
    Professional Paper 1395, 1987, equations 4-18 and 4-20).
    """
    phi = math.radians(lat_deg)
    bow = 1 - _E2 * math.sin(phi) ** 2
    north = _A_M * (1 - _E2) / bow**1.5
    east = _A_M * math.cos(phi) / math.sqrt(bow)
    return math.radians(north), math.radians(east)
