"""A log as its outliers are judged: what may be used of it, how noisy it is, and windows cut out of it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.flat import Readings, equal_runs, readings_of
from speedlog.faults.lagging import undelayed
from speedlog.faults.likelihood import Noise, What, Window, window
from speedlog.faults.signals import distance, noise, readings, void
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
BOTH: tuple[What, What] = ("speed", "place")


@dataclass(frozen=True, eq=False)
class Known:
    """The rows with a speed or a place that is not found wrong so far; NaN where it is, or missing.

    Attributes:
        rest_m: places less the distance by speed.
        least: the least errors worth a word, of each row.
        stretch: which stretch between long holes each row belongs to.
        pinned: rows that may be a flat top.
        longest: rows of a run.
        windows: the weights made so far, by their form.
    """

    row: Rows
    time_s: Array
    value: dict[What, Array]
    rest_m: Array
    noise: Noise
    least: dict[What, Array]
    stretch: Rows
    pinned: Flags
    longest: int
    windows: dict[bytes, Window]
    settings: FaultSettings

    def beside(self, first: int, last: int) -> tuple[int, int] | None:
        """The window of rows that a run is judged by; None when a long hole lies within the run."""
        side, whole = self.settings.outlier_side_rows, self.stretch[first : last + 1]
        if whole[0] != whole[-1]:
            return None
        start, stop = max(first - side, 0), min(last + 1 + side, len(self.row))
        same = np.flatnonzero(self.stretch[start:stop] == whole[0])
        return start + int(same[0]), start + int(same[-1]) + 1

    def form(self, start: int, stop: int) -> bytes:
        """What the weights of a window hang on."""
        time = np.round(self.time_s[start:stop] - self.time_s[start], 3)
        known = [np.isfinite(self.value[of][start:stop]).tobytes() for of in BOTH]
        marks = [bytes([self.jumps(start, stop)]), self.noise.speed_mps[start:stop].tobytes()]
        return b"".join([time.tobytes(), *marks, *known])

    def jumps(self, start: int, stop: int) -> bool:
        """Whether places jump within the window."""
        rest = self.rest_m[start:stop]
        rest = rest[np.isfinite(rest)]
        step = self.settings.outlier_sieve * float(self.least["place"][start:stop].min())
        return len(rest) > 1 and float(np.abs(np.diff(rest)).max()) > step

    def window(self, start: int, stop: int) -> Window:
        form = self.form(start, stop)
        if form not in self.windows:
            known = {of: np.isfinite(self.value[of][start:stop]) for of in BOTH}
            own, jumps = self.noise.of(slice(start, stop)), self.jumps(start, stop)
            self.windows[form] = window(self.time_s[start:stop], known, own, self.settings, jumps=jumps)
        return self.windows[form]

    def values(self, start: int, stop: int) -> Array:
        """The known speeds, then the known places from the first of them on."""
        speed, place = (self.value[of][start:stop] for of in BOTH)
        speed, place = speed[np.isfinite(speed)], place[np.isfinite(place)]
        return np.concatenate([speed, place - place[0] if len(place) else place])


@dataclass(frozen=True, eq=False)
class Log:
    """A whole track as it is judged, (N,) each: values (NaN: not to be used), and what noise they have.

    Attributes:
        place_row: the rows whose places these are: earlier ones where the speed is late.
    """

    track: Track
    value: dict[What, Array]
    place_row: Rows
    noise: Noise
    least: dict[What, Array]
    pinned: Flags
    windows: dict[bytes, Window]
    settings: FaultSettings

    def without(self, wrong: dict[What, Flags]) -> Known:
        left: dict[What, Array] = {of: np.where(wrong[of], np.nan, self.value[of]) for of in BOTH}
        row = np.flatnonzero(np.isfinite(left["speed"]) | np.isfinite(left["place"]))
        rest = left["place"] - distance(self.track, ~np.isfinite(left["speed"]))
        kept: dict[What, Array] = {of: left[of][row] for of in BOTH}
        least: dict[What, Array] = {of: self.least[of][row] for of in BOTH}
        return Known(
            row,
            self.track.time_s[row],
            kept,
            rest[row],
            self.noise.of(row),
            least,
            np.concatenate([[0], np.cumsum(np.diff(self.track.time_s[row]) > self.settings.outlier_hole_s)]),
            self.pinned[row],
            self.longest,
            self.windows,
            self.settings,
        )

    @property
    def longest(self) -> int:
        """How many rows a run may take."""
        most = int(self.settings.outlier_longest_s / self.track.interval_s + 1e-6)
        return max(min(self.settings.outlier_longest, most), 1)


def log_of(track: Track, place_ok: Flags, poor: Flags, settings: FaultSettings) -> Log:
    logged, blank, seen = readings(track), void(track), readings_of(track)
    for first, last in seen.stuck(settings, track.interval_s):
        blank[seen.row[first] + 1 : seen.row[last] + 1] = True
    pinned = _pinned(seen, len(logged), track.interval_s, settings)
    # beside a reading that may have topped out, places would speak against the top, not against a step; a poor
    # fix makes them wander, and is told as such
    place = np.where(place_ok & ~pinned & ~poor, track.sign * track.along_m, np.nan)
    late, place_row = undelayed(track, place, settings)
    value: dict[What, Array] = {"speed": np.where(blank, np.nan, logged), "place": late}
    rest = value["place"] - distance(track, blank)
    noises = np.tile(_noise_of(logged, rest, ~poor, track.interval_s, settings), (len(logged), 1))
    if poor.any():
        noises[poor] = np.maximum(noises[poor], _noise_of(logged, rest, poor, track.interval_s, settings))
    speed, flat, wander, white = noises.T
    least: dict[What, Array] = {
        "speed": np.maximum(settings.outlier_speed_mps, settings.outlier_noise * speed),
        "place": np.maximum(settings.outlier_place_m, settings.outlier_noise * white),
    }
    return Log(track, value, place_row, Noise(speed, flat, wander), least, pinned, {}, settings)


def _pinned(data: Readings, rows: int, interval_s: float, settings: FaultSettings) -> Flags:
    """(N,) rows at the value that repeats most, as a flat top does; none of a car that stands.

    What begins with a jump is no top that the car ran into.
    """
    count: Counter[float] = Counter()
    for first, last in equal_runs(data.speed_mps, settings.ceiling_rows):
        value = float(data.speed_mps[first])
        if value > settings.moving_mps and not data.jump_before(first, settings, interval_s):
            count[value] += last - first + 1
    pinned = np.zeros(rows, dtype=bool)
    if count:
        pinned[data.row[data.speed_mps == count.most_common(1)[0][0]]] = True
    return pinned


def _noise_of(
    speed: Array, rest: Array, rows: Flags, interval_s: float, settings: FaultSettings
) -> tuple[float, float, float, float]:
    """Of these rows: white noise of the speed (m/s) and of places (m), their wander (m²/s), and both as one (m)."""
    own, lag = rest[rows], settings.outlier_wander_rows
    white = noise(own)
    known = own[np.isfinite(own)]
    apart = noise(known[::lag]) if len(known) > 8 * lag else white
    # second differences over k epochs, of white noise w and a walk of s² an epoch: 6 w² + 2 k s²
    step = max(6.0 * (apart**2 - white**2) / (2.0 * (lag - 1)), 0.0)
    flat = max(float(np.sqrt(max(white**2 - step / 3.0, 0.0))), settings.flat_place_m)
    return max(noise(speed[rows]), settings.outlier_noise_least_mps), flat, step / interval_s, white
