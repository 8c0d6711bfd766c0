"""The speed of a pass over the distance run, and what it took to reach a speed; pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.results import Pass

Array = NDArray[np.float64]
Origin = Literal["launch", "trap", "peak"]


@dataclass(frozen=True, eq=False)
class Run:
    """The estimate of a pass in the order of time. Arrays are (N,).

    Attributes:
        travel_m: distance run, never falling, from anywhere. low_mps, high_mps: 95 % band of the speed.
        half_m: half of the 95 % interval of the distance: what the speed's band comes to since the origin, were it
            wrong by all of it one way, and the origin's own. Zero before the distance is counted from anywhere.
        places: where the distance may be counted from, and the time there: the launch (the last moment before the
            peak at which it passed the speed of a launch), the first beam, the fastest moment; those that are known.
        trap_m: the two beams in the order passed, on the same distance; None without a course.
    """

    time_s: Array
    travel_m: Array
    speed_mps: Array
    low_mps: Array
    high_mps: Array
    accel_mps2: Array
    half_m: Array
    places: dict[Origin, tuple[float, float]]
    trap_m: tuple[float, float] | None

    def from_(self, origin: Origin, place_u95_m: float = 0.0) -> Run:
        """The same with distance and time counted from a place, itself known to `place_u95_m`."""
        there, then = self.places[origin]
        half = (self.high_mps - self.low_mps) / 2
        gone = np.r_[0.0, np.cumsum(np.diff(self.time_s) * (half[1:] + half[:-1]) / 2)]
        half_m = np.hypot(gone - np.interp(then, self.time_s, gone), place_u95_m)
        return replace(
            self,
            time_s=self.time_s - then,
            travel_m=self.travel_m - there,
            half_m=half_m,
            places={name: (at - there, time - then) for name, (at, time) in self.places.items()},
            trap_m=None if self.trap_m is None else (self.trap_m[0] - there, self.trap_m[1] - there),
        )


@dataclass(frozen=True)
class Reached:
    """What it took to reach a speed. Halves are of 95 %, carried over from the speed's band; None: unknown."""

    time_s: float
    time_half_s: float | None
    distance_m: float
    distance_half_m: float | None


def run_of(found: Pass, launch_mps: float) -> Run | None:
    """The run of a reviewed pass; None without an estimate."""
    trace = found.trace
    if trace is None or len(trace.time_s) < 2:
        return None
    sign = 1.0 if trace.along_m[-1] >= trace.along_m[0] else -1.0
    travel = np.maximum.accumulate(sign * trace.along_m)
    places: dict[Origin, tuple[float, float]] = {}
    top = int(np.argmax(trace.speed_mps))
    launched = crossed(trace.time_s[: top + 1], trace.speed_mps[: top + 1], launch_mps, last=True)
    if launched is not None:
        places["launch"] = float(np.interp(launched, trace.time_s, travel)), launched
    trap = None
    if found.trap is not None:
        beams = sorted((sign * found.trap.entry_m, sign * found.trap.exit_m))
        trap = (beams[0], beams[1])
        if travel[0] < beams[0] < travel[-1]:
            places["trap"] = beams[0], float(np.interp(beams[0], travel, trace.time_s))
    if 0 < top < len(travel) - 1:  # at an end of the log it was faster still, outside
        places["peak"] = float(travel[top]), float(trace.time_s[top])
    low, high = trace.speed_low_mps, trace.speed_high_mps
    none = np.zeros(len(travel))
    return Run(trace.time_s, travel, trace.speed_mps, low, high, trace.accel_mps2, none, places, trap)


def crossed(time_s: Array, speed_mps: Array, mark_mps: float, *, last: bool = False) -> float | None:
    """When the speed rises through a mark for the first (or last) time, by straight lines; None where it never does.

    Args:
        time_s, speed_mps: (N,) in the order of time.
    """
    rises = np.flatnonzero((speed_mps[:-1] < mark_mps) & (speed_mps[1:] >= mark_mps))
    if not len(rises):
        return None
    k = int(rises[-1 if last else 0])
    share = (mark_mps - speed_mps[k]) / (speed_mps[k + 1] - speed_mps[k])
    return float(time_s[k] + share * (time_s[k + 1] - time_s[k]))


def common_origin(runs: Sequence[Run]) -> Origin | None:
    """From where the distance of all can be counted: the launch, else the trap, else the fastest moment."""
    names: tuple[Origin, ...] = ("launch", "trap", "peak")
    return next((name for name in names if all(name in run.places for run in runs)), None)


def common_grid(runs: Sequence[Run], step_m: float) -> Array:
    """(M,) distances that all runs cover, whole steps from the origin."""
    start = max(float(run.travel_m[0]) for run in runs)
    if "launch" in runs[0].places and runs[0].places["launch"][0] == 0:
        start = max(start, 0.0)
    end = min(float(run.travel_m[-1]) for run in runs)
    first, last = np.ceil(start / step_m - 1e-9), np.floor(end / step_m + 1e-9)
    return np.asarray(step_m * (first + np.arange(max(last - first + 1, 0.0)) + 0.0))


def at_places(run: Run, distance_m: Array) -> tuple[Array, Array, Array, Array]:
    """(M,) speed, low and high end of its band, and time at distances of the run.

    The band is wider than that of the speed at a time, as the distance has its own: dv/dx = a / v.
    """
    moving = np.r_[True, np.diff(run.travel_m) > 0]
    half = (run.high_mps - run.low_mps) / 2
    slope = run.accel_mps2 / np.maximum(run.speed_mps, 1.0)
    columns = (run.speed_mps, np.hypot(half, slope * run.half_m), run.time_s)
    speed, wide, time = (np.interp(distance_m, run.travel_m[moving], values[moving]) for values in columns)
    return speed, np.maximum(speed - wide, 0.0), speed + wide, time


def reached(run: Run, mark_mps: float, launch_mps: float) -> Reached | None:
    """Time and distance from the launch (the run's origin) to a speed; None where it never got there."""
    after = run.time_s >= 0
    if not after.any() or "launch" not in run.places:
        return None
    first = max(int(np.argmax(after)) - 1, 0)
    time = run.time_s[first:]
    at = crossed(time, run.speed_mps[first:], mark_mps)
    if at is None:
        return None
    # a speed that is higher throughout is there sooner, and was launched sooner as well
    ends = [crossed(time, band[first:], mark_mps) for band in (run.high_mps, run.low_mps)]
    starts = [crossed(run.time_s, band, launch_mps) for band in (run.high_mps, run.low_mps)]
    place = float(np.interp(at, run.time_s, run.travel_m))
    early, late = ends
    if early is None or late is None:
        return Reached(at, None, place, None)
    began = 0.0 if starts[0] is None or starts[1] is None else max(starts[1] - starts[0], 0.0) / 2
    gone = [float(np.interp(moment, run.time_s, run.travel_m)) for moment in (early, late)]
    run_half = float(np.interp(at, run.time_s, run.half_m))
    return Reached(
        at,
        float(np.hypot((late - early) / 2, began)),
        place,
        float(np.hypot((gone[1] - gone[0]) / 2, run_half)),
    )
