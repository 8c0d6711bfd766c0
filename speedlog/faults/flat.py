"""Runs of equal readings, and what speaks for or against them: the common ground of frozen and ceiling."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.fresh import text_step
from speedlog.faults.signals import noise, place_noise, position_repeats, readings, void
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Readings:
    """The speed readings of a track, missing ones left out.

    Attributes:
        row: (M,) their rows in the track.
        time_s, speed_mps: (M,).
        step_mps: of the text.
        noise_mps: white, one sd.
    """

    row: NDArray[np.int64]
    time_s: Array
    speed_mps: Array
    step_mps: float
    noise_mps: float

    def slope(self, first: int, last: int) -> float:
        """Acceleration over readings first..last, m/s²; NaN with fewer than two."""
        if first < 0 or last >= len(self.row) or last - first < 1:
            return float("nan")
        time = self.time_s[first : last + 1] - self.time_s[first]
        return float(np.polyfit(time, self.speed_mps[first : last + 1], 1)[0])

    def side_rows(self, settings: FaultSettings, interval_s: float) -> int:
        """How many readings a slope is taken from."""
        return max(settings.ceiling_slope_rows, round(settings.ceiling_slope_s / max(interval_s, 1e-3)))

    def jump_after(self, last: int, settings: FaultSettings, interval_s: float) -> bool:
        """Whether the reading after `last` lies farther off than noise, text and the pull there explain."""
        stop = min(last + self.side_rows(settings, interval_s), len(self.row) - 1)
        return last + 1 < len(self.row) and self._jumps(last, self.slope(last + 1, stop), settings)

    def jump_before(self, first: int, settings: FaultSettings, interval_s: float) -> bool:
        """Whether the reading before `first` does."""
        begin = max(first - self.side_rows(settings, interval_s), 0)
        return first > 0 and self._jumps(first - 1, self.slope(begin, first - 1), settings)

    def _jumps(self, row: int, pull: float, settings: FaultSettings) -> bool:
        step_s = float(self.time_s[row + 1] - self.time_s[row])
        jump = float(self.speed_mps[row + 1] - self.speed_mps[row])
        # the pull may have begun anywhere in the interval, or after it: from none to all of it is natural
        natural = pull * step_s if math.isfinite(pull) else 0.0
        rest = max(min(0.0, natural) - jump, jump - max(0.0, natural), 0.0)
        allowed = max(
            settings.flat_noise * self.noise_mps + settings.flat_steps * self.step_mps,
            settings.flat_speed_mps,
        )
        return rest > allowed + settings.flat_accel_mps2 * step_s

    def stuck(self, settings: FaultSettings, interval_s: float) -> list[tuple[int, int]]:
        """Runs of equal readings that begin smoothly and end with a jump: the receiver was stuck.

        Returns:
            first and last reading of each, the first of them sound.
        """
        return [
            (first, last)
            for first, last in equal_runs(self.speed_mps, settings.repeat_rows)
            if self.speed_mps[first] > settings.moving_mps
            and self.jump_after(last, settings, interval_s)
            and not self.jump_before(first, settings, interval_s)
        ]

    def chance(self, noise_mps: float) -> float:
        """Probability that two readings of a steady drive are equal, at the most.

        Two readings with white noise of sd s fall on the same step q with probability q / (2 s sqrt(pi)).
        """
        return self.step_mps / (2.0 * noise_mps * math.sqrt(math.pi)) if noise_mps > 0 else 1.0

    def beyond_chance(self, rows: int, settings: FaultSettings) -> bool:
        """Whether so many equal readings in a row can't be chance, by noise and text step."""
        # half the noise: it is an estimate of the whole pass, and may be less just here
        chance = self.chance(0.5 * self.noise_mps)
        if chance >= settings.repeat_even_odds:
            return False
        return len(self.row) * chance ** (rows - 1) < settings.repeat_chance


def readings_of(track: Track, wrong: NDArray[np.bool_] | None = None) -> Readings:
    """Without those of epochs that are written again whole, or guessed: they are told as such.

    Args:
        wrong: (N,) rows to leave out besides.
    """
    speed = readings(track)
    out = void(track) if wrong is None else void(track) | wrong
    row = np.flatnonzero(np.isfinite(speed) & ~out)
    value = speed[row]
    # repeats of a stuck receiver would make the noise look too small
    return Readings(row, track.time_s[row], value, text_step(value), noise(value[_changes(value)]))


def _changes(value: Array) -> NDArray[np.bool_]:
    """Not the third and later of equal readings in a row."""
    third = np.zeros(len(value), dtype=bool)
    third[2:] = (value[2:] == value[1:-1]) & (value[1:-1] == value[:-2])
    return ~third


def faster_by_positions(
    track: Track, first: int, last: int, speed_mps: float, settings: FaultSettings
) -> tuple[float, float]:
    """By how much positions say that the car drove faster than `speed_mps` over rows first..last.

    Returns:
        the excess, and the least excess that would prove anything, m/s; (0, inf) where positions are
        too few, missing or stuck.
    """
    fresh = np.isfinite(track.along_m) & ~position_repeats(track)
    rows = first + np.flatnonzero(fresh[first : last + 1])
    if len(rows) < 4:
        return 0.0, math.inf
    time, along = track.time_s[rows], track.sign * track.along_m[rows]
    slope = float(np.polyfit(time - time[0], along, 1)[0])
    # sd of a slope over evenly spaced points, each with the same noise
    doubt = max(place_noise(track), settings.flat_place_m) / (float(np.std(time)) * math.sqrt(len(time)))
    return slope - speed_mps, max(settings.flat_speed_mps, settings.flat_place_sd * doubt)


def faster_between(
    track: Track, first: int, last: int, speed_mps: float, settings: FaultSettings
) -> tuple[float, float]:
    """As `faster_by_positions`, by the way between two rows alone; (0, inf) where either has no fresh place."""
    fresh = np.isfinite(track.along_m) & ~position_repeats(track)
    passed = float(track.time_s[last] - track.time_s[first])
    if not (fresh[first] and fresh[last]) or passed <= 0:
        return 0.0, math.inf
    pace = track.sign * float(track.along_m[last] - track.along_m[first]) / passed
    doubt = math.sqrt(2.0) * max(place_noise(track), settings.flat_place_m) / passed
    return pace - speed_mps, max(settings.flat_speed_mps, settings.flat_place_sd * doubt)


def equal_runs(value: Array, fewest: int) -> list[tuple[int, int]]:
    """First and last index of every run of at least `fewest` equal values."""
    same = np.concatenate([[False], value[1:] == value[:-1], [False]])
    edges = np.flatnonzero(np.diff(same))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(int(a), int(b)) for a, b in pairs if b - a + 1 >= fewest]
