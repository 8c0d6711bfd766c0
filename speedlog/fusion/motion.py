"""The state of a car on its line and how it moves between two knots.

State: along, speed, acceleration and excess jerk (metres and seconds in the direction of travel);
then for each GNSS logger the drift of its speed and of its position; then for each wheel log the
wander of its scale and the trend of that; then, for each GNSS logger that filters its speed, the filter's state.

A car under power follows its own force balance: its acceleration fades at a rate of about
`pull_fades_per_s` (`speedlog.physics.roadload`), and what this car does otherwise is an excess jerk
that changes slowly and is learned from the pass. All slow quantities are first-order Gauss-Markov
processes (Bar-Shalom, Li, Kirubarajan, "Estimation with Applications to Tracking and Navigation",
2001, section 8.2); their discrete noise by Van Loan, IEEE Transactions on Automatic Control 23
(1978) 395-404.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
ALONG, SPEED, ACCEL, EXCESS = 0, 1, 2, 3
_FILTER_DENSITY_M2_S3 = 1e-5  # of a filter's own noise: 3 mm/s in a second; keeps its covariance sound


@dataclass(frozen=True)
class Roughness:
    """How freely the acceleration may change: sd of the excess jerk, density of white jerk on top."""

    excess_mps3: float
    white_m2_s5: float


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in the state of a knot, and what each source adds of its own.

    Attributes:
        filters_s: time constant of each GNSS logger's filter; 0 without one.
        wander: standard deviation of each wheel's scale, as a logarithm, round its constant value.
    """

    gnss: int
    filters_s: tuple[float, ...] = ()
    wander: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not self.filters_s:
            object.__setattr__(self, "filters_s", (0.0,) * self.gnss)

    @property
    def wheels(self) -> int:
        return len(self.wander)

    @property
    def size(self) -> int:
        return 4 + 2 * self.gnss + 2 * self.wheels + sum(1 for item in self.filters_s if item)

    def speed_drift(self, logger: int) -> int:
        return 4 + 2 * logger

    def place_drift(self, logger: int) -> int:
        return 5 + 2 * logger

    def wheel_scale(self, wheel: int) -> int:
        return 4 + 2 * self.gnss + 2 * wheel

    def wheel_trend(self, wheel: int) -> int:
        return self.wheel_scale(wheel) + 1

    def filtered(self, logger: int) -> int:
        return 4 + 2 * self.gnss + 2 * self.wheels + sum(1 for item in self.filters_s[:logger] if item)


@dataclass(frozen=True, eq=False)
class Steps:
    """How the state moves over each of K-1 steps: s_{k+1} = F_k s_k + noise.

    Attributes:
        transition: (K-1, d, d). precision: (K-1, d, d), the inverse of the noise's covariance.
        log_determinant: of all noise covariances together.
    """

    transition: Array
    precision: Array
    log_determinant: float


def make_steps(
    step_s: Array,
    roughness: list[Roughness],
    layout: Layout,
    place_drift_s: Array,
    settings: FusionSettings,
) -> Steps:
    """The dynamics of each step.

    Args:
        step_s: (K-1,) seconds. roughness: one a step.
        place_drift_s: (gnss,) time constant of each logger's position drift.
    """
    count, d = len(step_s), layout.size
    transition, precision = np.zeros((count, d, d)), np.zeros((count, d, d))
    total = 0.0
    moving = [*range(4), *(layout.filtered(i) for i, item in enumerate(layout.filters_s) if item)]
    of_kind: dict[tuple[float, Roughness], list[int]] = {}
    for k, (length, rough) in enumerate(zip(np.round(step_s, 9).tolist(), roughness, strict=True)):
        of_kind.setdefault((length, rough), []).append(k)
    for (length, rough), where in of_kind.items():
        moved, inverse, log_det = _motion(length, rough, layout.filters_s, settings)
        block = np.ix_(where, moving, moving)
        transition[block], precision[block] = moved, inverse
        total += log_det * len(where)
    slow = [
        (layout.speed_drift(i), settings.speed_drift_time_s, settings.speed_drift_sd_mps)
        for i in range(layout.gnss)
    ]
    slow += [
        (layout.place_drift(i), float(place_drift_s[i]), settings.place_sd_m) for i in range(layout.gnss)
    ]
    for at, constant, sd in slow:
        keep = np.exp(-step_s / constant)
        spread = sd**2 * -np.expm1(-2 * step_s / constant)
        transition[:, at, at], precision[:, at, at] = keep, 1 / spread
        total += float(np.log(spread).sum())
    for i, sd in enumerate(layout.wander):
        total += _add_wander(transition, precision, layout.wheel_scale(i), sd, step_s, settings)
    return Steps(transition, precision, total)


def _add_wander(
    transition: Array, precision: Array, at: int, sd: float, step_s: Array, settings: FusionSettings
) -> float:
    """A wheel's scale wanders, and its wander has a trend that lasts: slip changes with speed in its own way."""
    lengths, which = np.unique(np.round(step_s, 9), return_inverse=True)
    total = 0.0
    for k, length in enumerate(lengths):
        moved, inverse, log_det = _wander(float(length), sd, settings)
        block = np.ix_(np.flatnonzero(which == k), np.arange(at, at + 2), np.arange(at, at + 2))
        transition[block], precision[block] = moved, inverse
        total += log_det * int((which == k).sum())
    return total


@lru_cache(maxsize=256)
def _wander(step: float, sd: float, settings: FusionSettings) -> tuple[Array, Array, float]:
    """Transition, precision and log-determinant of a wheel's wander and its trend."""
    constant, lasting = settings.wheel_wander_time_s, settings.wheel_trend_time_s
    rate = np.array([[-1 / constant, 1.0], [0.0, -1 / lasting]])
    trend = settings.wheel_trend_share_per_s * sd
    density = np.diag([2 * sd**2 / constant, 2 * trend**2 / lasting])
    return van_loan(rate, density, step)


@lru_cache(maxsize=256)
def _motion(
    step: float, rough: Roughness, filters_s: tuple[float, ...], settings: FusionSettings
) -> tuple[Array, Array, float]:
    """Transition, precision and log-determinant of along, speed, acceleration, excess jerk and filters."""
    constants = [item for item in filters_s if item]
    size = 4 + len(constants)
    rate, density = np.zeros((size, size)), np.zeros((size, size))
    rate[ALONG, SPEED] = rate[SPEED, ACCEL] = rate[ACCEL, EXCESS] = 1.0
    rate[ACCEL, ACCEL] = -settings.pull_fades_per_s
    rate[EXCESS, EXCESS] = -1 / settings.excess_time_s
    density[ACCEL, ACCEL] = rough.white_m2_s5
    density[EXCESS, EXCESS] = 2 * rough.excess_mps3**2 / settings.excess_time_s
    for i, constant in enumerate(constants, start=4):
        rate[i, SPEED], rate[i, i] = 1 / constant, -1 / constant
        density[i, i] = _FILTER_DENSITY_M2_S3
    return van_loan(rate, density, step)


def van_loan(rate: Array, density: Array, step_s: float) -> tuple[Array, Array, float]:
    """Transition, inverse noise covariance and its log-determinant for s' = rate s + noise over a step.

    From one matrix exponential (Van Loan 1978).

    Args:
        rate, density: (n, n); the noise is white with this spectral density.
    """
    size = len(rate)
    both = expm(np.block([[-rate, density], [np.zeros((size, size)), rate.T]]) * step_s)
    moved = both[size:, size:].T
    spread = moved @ both[:size, size:]
    scale = 1 / np.sqrt(np.diag(spread))  # the entries lie ten orders of magnitude apart
    even = (spread + spread.T) / 2 * scale[:, None] * scale
    inverse = np.linalg.inv(even) * scale[:, None] * scale
    return moved, (inverse + inverse.T) / 2, float(np.linalg.slogdet(even)[1] - 2 * np.log(scale).sum())


def ramps(
    knots_s: Array, first: int, last: int, middle_s: Array, width_s: float, layout: Layout, held: float
) -> Array:
    """(steps, d, M): what a unit change of acceleration does to the state at the end of each step.

    The acceleration changes evenly over `width_s` around each of `middle_s`. A change J that happened
    u before the end of the step has moved the state by J (u²/2, u, 1), a filter of time constant T by
    J (u - T (1 - exp(-u / T))); both averaged over the part of the ramp that lies in the step.

    Args:
        first, last: the steps from knot `first` to knot `last`.
        held: excess jerk that comes with it, 1/s: the fading rate where the new acceleration is held.
    """
    begin, end = knots_s[first:last, None], knots_s[first + 1 : last + 1, None]
    u1 = end - np.clip(middle_s - width_s / 2, begin, end)
    u0 = end - np.clip(middle_s + width_s / 2, begin, end)
    out = np.zeros((last - first, layout.size, len(middle_s)))
    out[:, ALONG] = (u1**3 - u0**3) / 6
    out[:, SPEED] = (u1**2 - u0**2) / 2
    out[:, ACCEL] = u1 - u0
    out[:, EXCESS] = held * out[:, ACCEL]
    for logger, constant in enumerate(layout.filters_s):
        if constant:
            gone = np.exp(-u1 / constant) - np.exp(-u0 / constant)
            out[:, layout.filtered(logger)] = (u1**2 - u0**2) / 2 - constant * (u1 - u0) - constant**2 * gone
    return np.asarray(out / width_s)


def start(layout: Layout, along_m: float, speed_mps: float, settings: FusionSettings) -> tuple[Array, Array]:
    """(d,) mean and (d,) standard deviation before the first reading: wide, but for the known drifts."""
    mean, sd = np.zeros(layout.size), np.empty(layout.size)
    mean[ALONG], mean[SPEED] = along_m, speed_mps
    sd[:4] = (
        settings.start_along_sd_m,
        settings.start_speed_sd_mps,
        settings.start_accel_sd_mps2,
        settings.start_excess_sd_mps3,
    )
    for logger in range(layout.gnss):
        sd[layout.speed_drift(logger)] = settings.speed_drift_sd_mps
        sd[layout.place_drift(logger)] = settings.place_sd_m
        if layout.filters_s[logger]:
            mean[layout.filtered(logger)] = speed_mps
            sd[layout.filtered(logger)] = settings.start_speed_sd_mps
    for wheel in range(layout.wheels):
        sd[layout.wheel_scale(wheel)] = layout.wander[wheel]
        sd[layout.wheel_trend(wheel)] = settings.wheel_trend_share_per_s * layout.wander[wheel]
    return mean, sd
