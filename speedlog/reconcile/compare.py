"""What one logger says of the trap, by its own readings alone: like with like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.results import Interval
from speedlog.settings import VerdictSettings

Array = NDArray[np.float64]
_K = 1.96  # half-width of a normal law's central 95 %


@dataclass(frozen=True)
class Reading:
    """A logger's own figures for one pass. `trap_u_mps` is half the 95 % interval of its trap reading."""

    peak_mps: float | None
    trap_mps: float | None
    trap_u_mps: float | None
    coverage: float
    flat_topped_in_trap: bool


def own_reading(
    travel_m: Array, speed_mps: Array, usable: NDArray[np.bool_], flat: NDArray[np.bool_], beams_m: tuple[float, float],
    coverage: float, noise_mps: float, settings: VerdictSettings,
) -> Reading:  # fmt: skip
    """The logger's highest usable reading and its mean over the trap.

    The mean is length over time, as the trap's own figure is: dt = integral of ds / v over the
    readings, joined by straight lines; None below the least coverage.

    Args:
        travel_m, speed_mps: (N,) place and reading of each sample in the direction of travel; a place may be
            the estimate's where the logger had none.
        usable: (N,) outside faults (flat-topped readings stay in: they read low, but they were logged).
        flat: (N,) flat-topped.
        beams_m: travel at the beams.
        noise_mps: standard deviation of one reading.
    """
    ok = usable & np.isfinite(speed_mps)
    peak = float(speed_mps[ok].max()) if ok.any() else None
    ok &= np.isfinite(travel_m)
    entry, leave = beams_m
    inside = (travel_m >= entry) & (travel_m <= leave)
    if coverage < settings.least_coverage or ok.sum() < 2:
        return Reading(peak, None, None, coverage, bool((flat & inside).any()))
    order = np.argsort(travel_m[ok], kind="stable")
    place, speed = travel_m[ok][order], np.maximum(speed_mps[ok][order], 0.1)
    grid = np.linspace(entry, leave, 401)
    mean = float((leave - entry) / np.trapezoid(1 / np.interp(grid, place, speed), grid))
    # epochs that shape the mean: those inside, and the one on either side
    first, last = np.searchsorted(place, entry), np.searchsorted(place, leave)
    near = speed[max(first - 1, 0) : last + 1]
    # a straight line between two epochs can miss by about a quarter of how far they lie apart
    between = float(np.max(np.abs(np.diff(near)), initial=0.0)) / settings.interpolation_divisor
    # and where the speed rises before and falls after, the peak between them can be cut off
    between = max(between, _cut_off(speed[max(first - 2, 0) : last + 2]))
    # a logger that sees itself a metre off takes its mean a metre off, on a slope of speed over distance
    entered, left = np.interp([entry, leave], place, speed)
    elsewhere = settings.logger_place_m * abs(left - entered) / (leave - entry)
    noise = noise_mps**2 / max(len(near) - 1, 1)
    sd = np.sqrt(noise + settings.logger_drift_mps**2 + elsewhere**2 + (between / _K) ** 2)
    return Reading(peak, mean, float(_K * sd), coverage, bool((flat & inside).any()))


def _cut_off(speed_mps: Array) -> float:
    """The most that a straight line between two epochs can lie under a peak between them, m/s.

    Rising by r an interval before and falling by f an interval after, a sharp peak stands up to
    r f / (r + f) above the line (closed form of sampling, as in `speedlog.physics.sampling`).
    """
    if len(speed_mps) < 4:
        return 0.0
    step = np.diff(speed_mps)
    rise, fall = np.maximum(step[:-2], 0.0), np.maximum(-step[2:], 0.0)
    return float(np.max(rise * fall / np.maximum(rise + fall, 1e-9)))


def normalised_error(value: float, u: float, other: float, other_u: float) -> float:
    """En = (x - X) / sqrt(U_x² + U_X²), both U half a 95 % interval (ISO/IEC 17043)."""
    return float((value - other) / max(np.hypot(u, other_u), 1e-12))


def half_width(interval: Interval) -> float:
    return (interval[1] - interval[0]) / 2
