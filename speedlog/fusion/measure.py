"""What each source of a pass holds, and how noisily.

Noise is taken from the data where they can tell it: third differences of the Doppler speed (their
variance is 20 times that of white noise, and a car's own motion hardly enters at 5 Hz and more);
the position against the integral of the Doppler speed, at two lags, parts white noise (which does
not grow with the lag) from wander (which does).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.wheel import grip_used
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_MEDIAN_OF_SQUARE = 0.4549364  # median of chi-square with one degree of freedom
_NOISE_FASTER_THAN_S = 0.26  # slower logs: the car's own motion fills the third difference


@dataclass(frozen=True, eq=False)
class GnssSource:
    """One logger's part of the pass, in the direction of travel. Arrays are (N,)."""

    time_s: Array
    travel_m: Array  # along in the direction of travel; NaN without a position
    speed_mps: Array  # Doppler; NaN where missing
    place_ok: Mask
    speed_ok: Mask
    interval_s: float
    speed_delay_s: float = 0.0  # by which the speed is late against the positions
    speed_filter_s: float = 0.0  # time constant of the logger's own first-order filter on the speed
    weak: Mask | None = None  # epochs of a poor fix: they count, but for less; None for none

    @property
    def speed_lag_s(self) -> float:
        """By how much the speed trails on a steady ramp, whatever makes it late."""
        return self.speed_delay_s + self.speed_filter_s


@dataclass(frozen=True, eq=False)
class WheelSource:
    """One wheel log's part of the pass on the common clock. Arrays are (N,).

    True speed = tread * (scale + growth * tread² + slip * grip used), with `tread` the nominal speed of
    the wheel and the grip used as in `speedlog.physics.wheel`; slip is negative: driven, a wheel
    turns faster than the car goes.
    """

    time_s: Array
    tread_mps: Array
    scale: float
    growth_s2_m2: float
    slip_s2_m: float
    offset_u_s: float  # standard uncertainty of its clock's offset
    clock_s: float = 0.0  # by which its times were moved since that offset was found
    scale_change: float = 0.0  # ln, by which the scale was moved since

    def constants_before(self, settings: FusionSettings) -> tuple[Array, Array]:
        """(4,) mean and (4,) sd of what is left of scale, growth, slip and clock, before any reading."""
        top = max(float(np.max(self.tread_mps, initial=0.0)), 1.0)
        grown = self.growth_s2_m2 * top**2 / self.scale
        mean = np.array([-self.scale_change, -grown, -self.slip_s2_m / self.scale, -self.clock_s])
        sd = np.array(
            [
                settings.wheel_scale_sd,
                settings.wheel_growth_sd,
                settings.wheel_slip_sd,
                settings.wheel_clock_sd_s,
            ]
        )
        return mean, sd

    def moved(self, constants: Array) -> WheelSource:
        """The source with what was found of scale, growth, slip and clock taken in."""
        top = max(float(np.max(self.tread_mps, initial=0.0)), 1.0)
        more, growth, slip, clock = (float(item) for item in constants)
        return replace(
            self, time_s=self.time_s + clock, scale=self.scale * (1 + more),
            growth_s2_m2=(self.growth_s2_m2 + growth * self.scale / top**2) * (1 + more),
            slip_s2_m=self.slip_s2_m + slip * self.scale, clock_s=self.clock_s + clock,
            scale_change=self.scale_change + more,
        )  # fmt: skip

    def wander(self, settings: FusionSettings) -> float:
        """Standard deviation of what growth and slip leave of the scale: part of what they explain, and a little.

        What they explain is how far they spread the scale over this pass: where speed and pull hardly change,
        growth, slip and scale may stand for one another, and large ones that cancel explain nothing.
        """
        top = max(float(np.max(self.tread_mps, initial=0.0)), 1.0)
        fast = self.tread_mps > settings.wheel_fit_from * top
        if fast.sum() < 3:
            return settings.wheel_wander_sd
        accel = np.gradient(self.tread_mps, self.time_s)[fast]
        tread = self.tread_mps[fast]
        told = self.growth_s2_m2 * tread**2 + self.slip_s2_m * used_by(tread, accel, settings)
        explained = float(np.std(told)) / self.scale
        return float(np.hypot(settings.wheel_wander_sd, settings.wheel_wander_share * explained))

    def speed_of(self, tread_mps: Array, accel_mps2: Array | float, settings: FusionSettings) -> Array:
        """(N,) speed of the car."""
        free = tread_mps * (self.scale + self.growth_s2_m2 * tread_mps**2)
        return np.asarray(free + self.slip_s2_m * tread_mps * used_by(tread_mps, accel_mps2, settings))


def used_by(tread_mps: Array, accel_mps2: Array | float, settings: FusionSettings) -> Array:
    """(N,) the grip used of a car of usual drag and downforce; what this one has otherwise, growth takes up."""
    accel = np.broadcast_to(np.asarray(accel_mps2, dtype=float), tread_mps.shape)
    return grip_used(tread_mps, accel, settings.drag_per_m, settings.rolling_mps2, settings.downforce_per_m2)


@dataclass(frozen=True)
class Noise:
    """Standard deviations of one logger, epoch by epoch, and its position's wander."""

    speed_mps: float
    place_m: float
    place_drift_m2_s: float


def third_difference_sd(values: Array, time_s: Array, interval_s: float) -> tuple[float, int]:
    """Robust standard deviation of white noise on a smooth signal, and how many differences told it."""
    if len(values) < 4 or interval_s > _NOISE_FASTER_THAN_S:
        return float("nan"), 0
    steps = np.diff(time_s)
    even = np.abs(steps - interval_s) < 0.25 * interval_s
    run = even[:-2] & even[1:-1] & even[2:]
    third = np.diff(values, 3)[run]
    if len(third) and np.mean(third == 0) > 0.3:  # standing still on one value
        third = third[third != 0]
    if len(third) < 8:
        return float("nan"), 0
    return float(np.sqrt(np.median(third**2) / _MEDIAN_OF_SQUARE / 20.0)), len(third)


def measure_noise(source: GnssSource, settings: FusionSettings) -> Noise:
    """First figures for a logger's noise; fusion refines them by its own residuals."""
    moving = source.speed_ok & (np.nan_to_num(source.speed_mps) > 5 * settings.standing_mps)
    found, count = third_difference_sd(source.speed_mps[moving], source.time_s[moving], source.interval_s)
    weight = settings.speed_noise_weight
    prior = settings.speed_noise_mps**2
    speed_var = (weight * prior + count * found**2) / (weight + count) if count else prior
    place_sd, drift = _place_noise(source, settings)
    return Noise(max(float(np.sqrt(speed_var)), settings.speed_noise_floor_mps), place_sd, drift)


def driven(source: GnssSource, ok: Mask) -> Array:
    """(n,) metres driven by the logged speed since the first of these epochs, its lag put right.

    A first-order filter is undone exactly: v = u + T du/dt, so its integral is that of u plus T u.
    """
    time, speed = source.time_s[ok], source.speed_mps[ok]
    late = np.interp(time + source.speed_delay_s, time, speed)
    run = np.concatenate([[0.0], np.cumsum(np.diff(time) * (late[1:] + late[:-1]) / 2)])
    return np.asarray(run + source.speed_filter_s * (late - late[0]))


def _place_noise(source: GnssSource, settings: FusionSettings) -> tuple[float, float]:
    ok = source.place_ok & source.speed_ok
    if ok.sum() < 12:
        found, count = third_difference_sd(
            source.travel_m[source.place_ok], source.time_s[source.place_ok], source.interval_s
        )
        sd = found if count else settings.place_noise_m
        return max(sd, settings.place_noise_floor_m), settings.place_drift_m2_s
    time, place = source.time_s[ok], source.travel_m[ok]
    error, near = place - driven(source, ok), 1.6 * source.interval_s
    far_epochs = max(3, round(1.0 / source.interval_s))
    short = _variogram(error, time, 1, near)
    far = _variogram(error, time, far_epochs, far_epochs * source.interval_s * 1.2)
    if np.isnan(short) or np.isnan(far):
        return settings.place_noise_m, settings.place_drift_m2_s
    span = (far_epochs - 1) * source.interval_s
    drift = max((far - short) / span, settings.place_noise_floor_m**2)
    white = (short - drift * source.interval_s) / 2
    return max(float(np.sqrt(max(white, 0.0))), settings.place_noise_floor_m), float(drift)


def _variogram(error: Array, time: Array, lag: int, longest_s: float) -> float:
    """Robust mean square of error[k + lag] - error[k] over unbroken stretches."""
    step = error[lag:] - error[:-lag]
    step = step[(time[lag:] - time[:-lag]) <= longest_s]
    return float(np.median(step**2) / _MEDIAN_OF_SQUARE) if len(step) >= 8 else float("nan")
