"""What each source measures, and how noisily: the observations of the state.

Noise is taken from the data where they can tell it: third differences of the Doppler speed (their
variance is 20 times that of white noise, and a car's own motion hardly enters at 5 Hz and more);
the position against the integral of the Doppler speed, at two lags, parts white noise (which does
not grow with the lag) from wander (which does).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.motion import ACCEL, ALONG, SPEED, Layout
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

    @property
    def speed_lag_s(self) -> float:
        """By how much the speed trails on a steady ramp, whatever makes it late."""
        return self.speed_delay_s + self.speed_filter_s


@dataclass(frozen=True, eq=False)
class WheelSource:
    """One wheel log's part of the pass on the common clock. Arrays are (N,).

    True speed = tread * (scale + growth * tread²) + slip * tread * acceleration, with `tread` the
    nominal speed of the wheel.
    """

    time_s: Array
    tread_mps: Array
    scale: float
    growth_s2_m2: float
    slip_s2_m: float
    offset_u_s: float  # standard uncertainty of its clock's offset

    def speed_of(self, tread_mps: Array) -> Array:
        """Speed by scale and growth alone: slip needs the acceleration."""
        return np.asarray(tread_mps * (self.scale + self.growth_s2_m2 * tread_mps**2))


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
    third = third[third != 0] if np.mean(third == 0) > 0.3 else third  # standing still on one value
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


@dataclass(frozen=True, eq=False)
class Observations:
    """n scalar observations of the state, sorted by time; `channel` says which noise they share."""

    time_s: Array
    row: Array
    value: Array
    variance: Array
    channel: NDArray[np.int64]

    def places(self, layout: Layout) -> Mask:
        """(n,) which are positions; the others are speeds."""
        return np.asarray((self.channel < 2 * layout.gnss) & (self.channel % 2 == 1))


def observe(
    gnss: list[GnssSource],
    noises: list[Noise],
    wheels: list[WheelSource],
    layout: Layout,
    settings: FusionSettings,
) -> Observations:
    """All usable readings as observations. Channels: 2i speed and 2i + 1 place of logger i, then the wheels."""
    parts: list[tuple[Array, Array, Array, Array, int]] = []
    for i, (source, noise) in enumerate(zip(gnss, noises, strict=True)):
        ok = source.speed_ok
        row = np.zeros((int(ok.sum()), layout.size))
        # behind a filter of its own a logger shows the filter's state, not the car's
        row[:, layout.filtered(i) if layout.filters_s[i] else SPEED] = row[:, layout.speed_drift(i)] = 1.0
        parts.append(
            (
                source.time_s[ok] - source.speed_delay_s,
                row,
                source.speed_mps[ok],
                np.full(len(row), noise.speed_mps**2),
                2 * i,
            )
        )
        ok = source.place_ok
        row = np.zeros((int(ok.sum()), layout.size))
        row[:, ALONG] = row[:, layout.place_drift(i)] = 1.0
        parts.append(
            (source.time_s[ok], row, source.travel_m[ok], np.full(len(row), noise.place_m**2), 2 * i + 1)
        )
    for i, wheel in enumerate(wheels):
        value = wheel.speed_of(wheel.tread_mps)
        row = np.zeros((len(value), layout.size))
        row[:, SPEED] = 1.0
        row[:, ACCEL] = -wheel.slip_s2_m * wheel.tread_mps
        row[:, layout.wheel_scale(i)] = -value
        accel = np.abs(np.gradient(value, wheel.time_s)) if len(value) > 1 else np.zeros(len(value))
        sd = np.hypot(settings.wheel_noise_floor_mps, settings.wheel_noise_share * value)
        sd = np.hypot(sd, np.minimum(accel, 20.0) * wheel.offset_u_s)
        parts.append((wheel.time_s, row, value, sd**2, 2 * layout.gnss + i))
    time = np.concatenate([part[0] for part in parts])
    order = np.argsort(time, kind="stable")
    return Observations(
        time[order],
        np.concatenate([part[1] for part in parts])[order],
        np.concatenate([part[2] for part in parts])[order],
        np.concatenate([part[3] for part in parts])[order],
        np.concatenate([np.full(len(part[2]), part[4]) for part in parts])[order],
    )
