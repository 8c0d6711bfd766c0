"""One continuous time for a recording whose clock stepped: positions and speed tell how much really passed.

Where the clock stepped back or forward and stayed, the importers cut the recording into segments. A
forward step that looks like a gap is found here: the interval is long, and yet the car moved only as
far as in one interval. The longest stretch between steps keeps its clock. Where the car could have driven
just so far in the time logged, braking or pulling meanwhile, the clock is believed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.geometry import GEOD
from speedlog.samples import Recording, valid_positions
from speedlog.settings import PassSettings

Array = NDArray[np.float64]
_NS = 1e9


@dataclass(frozen=True)
class ClockStep:
    """A step of a recording's clock: when (track time, seconds) and by how much (+ = forward), seconds."""

    at_s: float
    step_s: float


@dataclass(frozen=True, eq=False)
class Timeline:
    """A recording's rows in the order written, on a continuous clock.

    Attributes:
        samples: (N,) rows of the common table, index as logged.
        time_ns: (N,) strictly increasing, nanoseconds since 1970 on the clock of the longest stretch.
        interval_s: the recording's own median interval; NaN with fewer than two rows.
        step_rows: (K,) rows before which the clock stepped.
        step_s: (K,) by how much, + = forward.
    """

    samples: pd.DataFrame
    time_ns: NDArray[np.int64]
    interval_s: float
    step_rows: NDArray[np.int64]
    step_s: Array


def mend(recording: Recording, settings: PassSettings) -> Timeline:
    """The recording's rows on one continuous clock."""
    segments = [segment for segment in recording.segments if len(segment)]
    samples = pd.concat(segments) if len(segments) > 1 else recording.samples
    logged_ns = pd.DatetimeIndex(samples.index).as_unit("ns").asi8
    if len(samples) < 2:
        return Timeline(samples, logged_ns, float("nan"), np.empty(0, dtype=np.int64), np.empty(0))
    step_ns = np.diff(logged_ns)
    borders = np.cumsum([len(segment) for segment in segments])[:-1] - 1
    inside = np.ones(len(step_ns), dtype=bool)
    inside[borders] = False
    interval_s = float(np.median(step_ns[inside])) / _NS if inside.any() else 1.0
    long = _long_intervals(step_ns, inside, interval_s, settings)
    found: dict[int, float] = {}
    if len(borders) or len(long):
        motion = _Motion(samples, logged_ns / _NS - logged_ns[0] / _NS)
        for row in sorted({*borders.tolist(), *long.tolist()}):
            passed = _passed_s(motion, row, interval_s, bool(not inside[row]), settings)
            if passed is not None:
                found[row] = passed
    return _rebuild(samples, logged_ns, interval_s, found)


def _long_intervals(
    step_ns: NDArray[np.int64], inside: NDArray[np.bool_], interval_s: float, settings: PassSettings
) -> NDArray[np.intp]:
    """Intervals that may hide a forward step: none in a log that keeps no steady rate anyway."""
    steady = np.abs(step_ns[inside] - interval_s * _NS) <= settings.step_steady * interval_s * _NS
    if not inside.any() or steady.mean() < settings.step_steady_share:
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(inside & (step_ns > settings.step_intervals * interval_s * _NS))


class _Motion:
    """Positions in metres and speeds, for the question how long a join took."""

    def __init__(self, samples: pd.DataFrame, time_s: Array) -> None:
        self.time_s = time_s
        self.known = valid_positions(samples)
        self.lat = samples["lat_deg"].to_numpy(dtype=float)
        self.lon = samples["lon_deg"].to_numpy(dtype=float)
        self.speed = samples["speed_mps"].to_numpy(dtype=float)

    def has_readings(self, row: int) -> bool:
        """Whether the receiver gave a speed on both sides of the join after `row`."""
        return bool(np.isfinite(self.speed[row]) and np.isfinite(self.speed[row + 1]))

    def speed_at(self, row: int) -> float:
        """The median of the readings around the join after `row`; from positions where there are none."""
        near = slice(max(row - 2, 0), row + 4)
        readings = self.speed[near][np.isfinite(self.speed[near])]
        if len(readings):
            return float(np.median(readings))
        sides = [self._between(row - 3, row), self._between(row + 1, row + 4)]
        known = [side for side in sides if np.isfinite(side)]
        return float(np.mean(known)) if known else float("nan")

    def _between(self, first: int, last: int) -> float:
        if first < 0 or last >= len(self.lat) or not (self.known[first] and self.known[last]):
            return float("nan")
        passed = float(self.time_s[last] - self.time_s[first])
        return self.distance(first, last) / passed if passed > 0 else float("nan")

    def moved(self, row: int) -> float:
        """Metres over the join after `row`: the median of three pairs of positions, less the ways beside it."""
        found = []
        for reach in range(3):
            before, after = row - reach, row + 1 + reach
            if before >= 0 and after < len(self.lat) and self.known[before] and self.known[after]:
                sides = self._driven(before, row) + self._driven(row + 1, after)
                found.append(self.distance(before, after) - sides)
        found = [metres for metres in found if np.isfinite(metres)]
        return float(np.median(found)) if found else float("nan")

    def _driven(self, first: int, last: int) -> float:
        """Metres by the readings, over rows whose clock is not in doubt."""
        speed, time = self.speed[first : last + 1], self.time_s[first : last + 1]
        return float(np.sum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time)))

    def distance(self, first: int, last: int) -> float:
        _, _, metres = GEOD.inv(self.lon[first], self.lat[first], self.lon[last], self.lat[last])
        return float(metres)


def _passed_s(
    motion: _Motion, row: int, interval_s: float, border: bool, settings: PassSettings
) -> float | None:
    """Seconds that really passed from `row` to the next; None where the clock is right or nobody can tell."""
    logged = float(motion.time_s[row + 1] - motion.time_s[row])
    backward = logged <= 0
    speed = motion.speed_at(row)
    told = speed > settings.standing_mps and (border or motion.has_readings(row))
    guesses = _guesses(motion, row, speed) if told else []
    if not guesses:
        # standing, or blind: if the clock went back, one interval passed; else nothing speaks against it
        return interval_s if backward else None
    passed = float(np.median(guesses))
    if not backward and _could_drive(motion, row, settings):
        return None
    doubt = settings.step_place_m / speed
    if backward:
        return passed if 0.3 * interval_s < passed < settings.hole_s else interval_s
    if abs(logged - passed) <= max(settings.step_sure * doubt, 0.5 * interval_s):
        return None
    if border:
        return passed if 0.3 * interval_s < passed < settings.hole_s else None
    return passed if 0.3 * interval_s < passed < settings.step_most_intervals * interval_s else None


def _could_drive(motion: _Motion, row: int, settings: PassSettings) -> bool:
    """Whether the clock's own account of the join after `row` can be true, by how far the car got.

    From one speed to the other it drives farthest pulling as hard as can be and then braking so, and least
    the other way round, down to a stop.
    """
    before, after = motion.speed[row], motion.speed[row + 1]
    moved = motion.moved(row)
    if not (np.isfinite(before) and np.isfinite(after) and np.isfinite(moved)):
        return False
    logged, most = float(motion.time_s[row + 1] - motion.time_s[row]), settings.step_most_mps2
    mean = 0.5 * (before + after)
    # the time over which both legs are driven, beyond that which the change of speed itself takes
    spare = max(logged - abs(after - before) / most, 0.0)
    high, low = max(before, after), min(before, after)
    change = mean * min(logged, abs(after - before) / most)
    farthest = change + high * spare + 0.25 * most * spare**2
    dip = min(0.5 * spare, low / most)
    least = change + 2.0 * (low * dip - 0.5 * most * dip**2)
    doubt = settings.step_sure * settings.step_place_m
    return bool(least - doubt <= moved <= farthest + doubt)


def _guesses(motion: _Motion, row: int, speed: float) -> list[float]:
    """Time over the join from three pairs of positions around it, so that one stale position can't decide."""
    guesses = []
    for reach in range(3):
        before, after = row - reach, row + 1 + reach
        if before < 0 or after >= len(motion.lat) or not (motion.known[before] and motion.known[after]):
            continue
        sides = (motion.time_s[row] - motion.time_s[before]) + (motion.time_s[after] - motion.time_s[row + 1])
        guesses.append(motion.distance(before, after) / speed - float(sides))
    return guesses


def _rebuild(
    samples: pd.DataFrame, logged_ns: NDArray[np.int64], interval_s: float, found: dict[int, float]
) -> Timeline:
    steps = np.diff(logged_ns)
    rows = np.array(sorted(found), dtype=np.int64)
    true = np.array([max(int(found[row] * _NS), 1) for row in rows], dtype=np.int64)
    step_s = (steps[rows] - true) / _NS
    steps[rows] = true
    # any other backward or standing step (never from a sound importer) must not break "increasing"
    steps = np.maximum(steps, 1)
    time_ns = np.concatenate([[0], np.cumsum(steps)])
    bounds = np.concatenate([[0], rows + 1, [len(samples)]])
    longest = int(np.argmax(np.diff(bounds)))
    anchor = bounds[longest]
    time_ns += logged_ns[anchor] - time_ns[anchor]
    return Timeline(samples, time_ns.astype(np.int64), interval_s, rows + 1, step_s)
