"""The state of a car on its line and how it moves: white jerk, and slow errors of each source.

State: along, speed, acceleration (metres and seconds in the direction of travel); then for each
GNSS logger the drift of its speed and of its position; then for each wheel log the logarithm of
its remaining scale; then, for each GNSS logger that filters its speed, the filter's state.
White-jerk process noise: Bar-Shalom, Li, Kirubarajan (2001), section 6.2.3; the drifts are
first-order Gauss-Markov processes (ibid., section 8.2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
ALONG, SPEED, ACCEL = 0, 1, 2
_FILTER_FLOOR_MPS = 1e-3  # keeps the covariance sound where the filter follows the place exactly


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in the state."""

    gnss: int
    wheels: int
    filters_s: tuple[float, ...] = ()  # time constant of each GNSS logger's filter; 0 without one

    def __post_init__(self) -> None:
        if not self.filters_s:
            object.__setattr__(self, "filters_s", (0.0,) * self.gnss)

    @property
    def size(self) -> int:
        return 3 + 2 * self.gnss + self.wheels + sum(1 for item in self.filters_s if item)

    def speed_drift(self, logger: int) -> int:
        return 3 + 2 * logger

    def place_drift(self, logger: int) -> int:
        return 4 + 2 * logger

    def wheel_scale(self, wheel: int) -> int:
        return 3 + 2 * self.gnss + wheel

    def filtered(self, logger: int) -> int:
        return 3 + 2 * self.gnss + self.wheels + sum(1 for item in self.filters_s[:logger] if item)


def white_jerk(step_s: Array) -> tuple[Array, Array]:
    """(K, 3, 3) transition, and (K, 3, 3) noise for a power spectral density of 1 m²/s⁵.

    Args:
        step_s: (K,) seconds from each node to the next.
    """
    t = np.asarray(step_s, dtype=float)
    transition = np.broadcast_to(np.eye(3), (len(t), 3, 3)).copy()
    transition[:, 0, 1] = transition[:, 1, 2] = t
    transition[:, 0, 2] = t**2 / 2
    noise = np.empty((len(t), 3, 3))
    noise[:, 0, 0] = t**5 / 20
    noise[:, 0, 1] = noise[:, 1, 0] = t**4 / 8
    noise[:, 0, 2] = noise[:, 2, 0] = t**3 / 6
    noise[:, 1, 1] = t**3 / 3
    noise[:, 1, 2] = noise[:, 2, 1] = t**2 / 2
    noise[:, 2, 2] = t
    return transition, noise


def jump_within(step_s: Array) -> Array:
    """(K, 3, 3) covariance at a step's end of a unit jump of acceleration somewhere inside the step.

    A jump J that happened u before the end has moved the state by J (u²/2, u, 1); u is evenly
    likely between 0 and the step, so that E[u], E[u²], E[u³], E[u⁴] are t/2, t²/3, t³/4, t⁴/5.
    Were it put on the node, a lift could be up to a step late, and the speed wrong by J t.
    """
    t = np.asarray(step_s, dtype=float)
    out = np.empty((len(t), 3, 3))
    out[:, ALONG, ALONG] = t**4 / 20
    out[:, ALONG, SPEED] = out[:, SPEED, ALONG] = t**3 / 8
    out[:, ALONG, ACCEL] = out[:, ACCEL, ALONG] = t**2 / 6
    out[:, SPEED, SPEED] = t**2 / 3
    out[:, SPEED, ACCEL] = out[:, ACCEL, SPEED] = t / 2
    out[:, ACCEL, ACCEL] = 1.0
    return out


def dynamics(
    step_s: Array, layout: Layout, place_drift_rate: Array, settings: FusionSettings
) -> tuple[Array, Array, Array, Array]:
    """Transition, noise at each level, jump covariance and jump probability for these steps.

    Args:
        step_s: (K-1,) seconds.
        place_drift_rate: (gnss,) m²/s by which each logger's position wanders.

    Returns:
        (K-1, d, d), (L, K-1, d, d), (K-1, d, d), (K-1,).
    """
    count, d = len(step_s), layout.size
    motion, unit_noise = white_jerk(step_s)
    transition = np.broadcast_to(np.eye(d), (count, d, d)).copy()
    transition[:, :3, :3] = motion
    noise = np.zeros((len(settings.jerk_psd_m2_s5), count, d, d))
    for level, density in enumerate(settings.jerk_psd_m2_s5):
        noise[level, :, :3, :3] = density * unit_noise
    for logger in range(layout.gnss):
        at = layout.speed_drift(logger)
        keep = np.exp(-step_s / settings.speed_drift_time_s)
        transition[:, at, at] = keep
        noise[:, :, at, at] = settings.speed_drift_sd_mps**2 * (1 - keep**2)
        at = layout.place_drift(logger)
        noise[:, :, at, at] = place_drift_rate[logger] * step_s
    jump = np.zeros((count, d, d))
    jump[:, :3, :3] = settings.accel_jump_sd_mps2**2 * jump_within(step_s)
    for wheel in range(layout.wheels):
        at = layout.wheel_scale(wheel)
        noise[:, :, at, at] = settings.wheel_scale_rate_per_s * step_s
        jump[:, at, at] = settings.wheel_scale_jump_sd**2  # slip changes where the drive force does
    for logger, constant in enumerate(layout.filters_s):
        if constant:
            at = layout.filtered(logger)
            _add_filter(transition, at, constant, step_s)
            for spread in (*noise, jump):
                _share_with_filter(spread, at, constant)
    chance = 1 - np.exp(-settings.jumps_per_s * step_s)
    return transition, noise, jump, chance


def _add_filter(transition: Array, at: int, constant_s: float, step_s: Array) -> None:
    """A first-order filter f of the speed: f' = (v - f) / T, exact for a steady acceleration in the step."""
    keep = np.exp(-step_s / constant_s)
    transition[:, at, at] = keep
    transition[:, at, SPEED] = 1 - keep
    transition[:, at, ACCEL] = step_s - constant_s * (1 - keep)


def _share_with_filter(spread: Array, at: int, constant_s: float) -> None:
    """What moves the place by ds within a step moves the filter by ds / T (to the first order in the step)."""
    spread[:, at, :3] = spread[:, ALONG, :3] / constant_s
    spread[:, :3, at] = spread[:, :3, ALONG] / constant_s
    spread[:, at, at] = spread[:, ALONG, ALONG] / constant_s**2 + _FILTER_FLOOR_MPS**2


def start(layout: Layout, along_m: float, speed_mps: float, settings: FusionSettings) -> tuple[Array, Array]:
    """(d,) mean and (d, d) covariance before the first observation: wide, but for the known drifts."""
    mean, sd = np.zeros(layout.size), np.empty(layout.size)
    mean[ALONG], mean[SPEED] = along_m, speed_mps
    sd[:3] = settings.start_along_sd_m, settings.start_speed_sd_mps, settings.start_accel_sd_mps2
    for logger in range(layout.gnss):
        sd[layout.speed_drift(logger)] = settings.speed_drift_sd_mps
        sd[layout.place_drift(logger)] = settings.place_sd_m
        if layout.filters_s[logger]:
            mean[layout.filtered(logger)] = speed_mps
            sd[layout.filtered(logger)] = settings.start_speed_sd_mps
    for wheel in range(layout.wheels):
        sd[layout.wheel_scale(wheel)] = settings.wheel_scale_sd
    return mean, np.diag(sd**2)
