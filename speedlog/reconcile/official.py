"""The trap figure as the timekeeper gave it, with the uncertainty that comes with it.

A trap measures a time between two beams over a length: v = L / dt. Each beam's stamp is rounded to
the timer's step q, so dt is off by a triangle of half-width q (u = q / sqrt 6); the length has the
tape's uncertainty; the figure read out is rounded once more to the digits quoted (a rectangle).
Source: GUM (JCGM 100:2008) 4.3.7 and 4.3.9; the interval is that of the convolution (JCGM 101:2008)
rather than of a normal law.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError, plain
from speedlog.results import Official
from speedlog.units import find_unit, parse_quantity

_POINTS = 201  # of each rounding's distribution; 401 change the interval by under 1e-5 of its width
_FASTEST_MPS = 400.0
_SLOWEST_MPS = 1.0


def official_figure(text: str, course: Course, time_unit_shown: str = "km/h") -> Official:
    """Read "187.5 mph" or "0.311 s" and give it its 95 % interval.

    Args:
        text: a speed, or the time between the beams.
        course: trap length, and what is known of timer and tape.
        time_unit_shown: the speed unit for pages when a time was given.

    Raises:
        SpeedlogError: neither a speed nor a time with a unit, or out of all reason for this trap.
    """
    if find_unit(unit_part(text), "time"):
        given = parse_quantity(text, "time", "trap time")
        if given.value <= 0:
            raise SpeedlogError(f'trap time: "{plain(text)}" is not above zero', todo="Check the figure.")
        speed, shown = course.length_m / given.value, time_unit_shown
        time_step, speed_step = given.step, 0.0
    else:
        given = parse_quantity(text, "speed", "trap figure")
        if given.value <= 0:
            raise SpeedlogError(f'trap figure: "{plain(text)}" is not above zero', todo="Check the figure.")
        speed, shown = given.value, given.unit.symbol
        time_step, speed_step = 0.0, given.step
    if not _SLOWEST_MPS <= speed <= _FASTEST_MPS:
        raise SpeedlogError(
            f'trap figure: "{plain(text)}" means {speed:.1f} m/s over {course.length_m:g} m',
            todo="Check figure and unit.",
        )
    interval = official_interval(
        speed, course.length_m, course.length_u_m, course.timer_resolution_s, time_step, speed_step
    )
    return Official(speed, interval, plain(text), shown, _assumptions(course))


def unit_part(text: str) -> str:
    """What stands behind the number: "mph" of "187.5 mph"."""
    return text.strip().lstrip("+-0123456789.,eE ").strip()


def official_interval(
    speed_mps: float,
    length_m: float,
    length_u_m: float,
    timer_step_s: float,
    time_quoted_s: float,
    speed_quoted_mps: float,
) -> tuple[float, float]:
    """The central 95 % of the true speed, m/s, given what was read out.

    Args:
        timer_step_s: step of each beam's stamp.
        time_quoted_s: step of the last digit where a time was quoted, else 0; rounding counts only
            as far as it is coarser than the timer's own.
        speed_quoted_mps: step of the last digit where a speed was quoted, else 0.
    """
    time_s = length_m / speed_mps
    parts = [_triangle(min(timer_step_s, 0.5 * time_s))]
    if time_quoted_s > 1.5 * timer_step_s:
        parts.append(_rectangle(time_quoted_s / 2))
    if speed_quoted_mps:
        parts.append(_rectangle(speed_quoted_mps / 2 / speed_mps * time_s))
    error = parts[0]
    for part in parts[1:]:
        error = np.add.outer(error, part).ravel()
        error = np.quantile(error, (np.arange(_POINTS) + 0.5) / _POINTS)
    centre = length_m / np.maximum(time_s + error, 1e-6)
    sd = np.maximum(centre * length_u_m / length_m, 1e-9)

    def quantile(share: float) -> float:
        low, high = float(centre.min() - 6 * sd.max()), float(centre.max() + 6 * sd.max())
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (
                (middle, high) if float(np.mean(ndtr((middle - centre) / sd))) < share else (low, middle)
            )
        return (low + high) / 2

    return quantile(0.025), quantile(0.975)


def _rectangle(half_width: float) -> NDArray[np.float64]:
    """Evenly likely points of a rectangular distribution."""
    share = (np.arange(_POINTS) + 0.5) / _POINTS
    return np.asarray(half_width * (2 * share - 1))


def _triangle(half_width: float) -> NDArray[np.float64]:
    """Evenly likely points of a symmetric triangular distribution."""
    share = (np.arange(_POINTS) + 0.5) / _POINTS
    rising = np.sqrt(2 * np.minimum(share, 1 - share)) - 1
    return np.asarray(half_width * np.where(share < 0.5, rising, -rising))


def _assumptions(course: Course) -> tuple[str, ...]:
    told = {
        "timer_resolution_s": f"beam stamps taken as rounded to {course.timer_resolution_s * 1000:g} ms (not stated)",
        "length_u_m": f"trap length taken as good to {course.length_u_m * 1000:g} mm (not stated)",
        "place_u_m": f"the trap's place taken as good to {course.place_u_m:g} m in the logs' frame (not stated)",
    }
    return tuple(told[name] for name in course.defaulted if name in told)
