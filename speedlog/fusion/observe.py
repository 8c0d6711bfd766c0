"""The readings of all sources as observations of the state, one row each."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import GnssSource, Noise, WheelSource, used_by
from speedlog.fusion.motion import Layout
from speedlog.physics.sampling import twice_filtered
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Observations:
    """n scalar readings, sorted by time, as sums of parts of the state and of constants of the pass.

    Attributes:
        time_s, value, variance: (n,).
        looseness: (n,) by how much a reading's standard deviation is more than its channel's.
        channel: (n,) which noise they share: 2i the speed, 2i + 1 the place of logger i, then the wheels.
        motion: (n, 3) factors of along, speed and acceleration.
        drift_at, drift_factor: (n,) place of the slow error in a knot's state, and its factor.
        filter_at: (n,) place of the filter's state, for readings that show it; -1 for the others.
        constant: (n, C) factors of the constants; constant_mean, constant_sd: (C,) before any reading.
    """

    time_s: Array
    value: Array
    variance: Array
    looseness: Array
    channel: Ints
    motion: Array
    drift_at: Ints
    drift_factor: Array
    filter_at: Ints
    constant: Array
    constant_mean: Array
    constant_sd: Array

    def places(self, layout: Layout) -> Mask:
        """(n,) which are positions."""
        return np.asarray((self.channel < 2 * layout.gnss) & (self.channel % 2 == 1))

    def speeds(self, layout: Layout) -> Mask:
        """(n,) which are speeds, a logger's or a wheel's."""
        return ~self.places(layout)


@dataclass(frozen=True, eq=False)
class Reference:
    """A motion not far off, round which products of unknowns are taken to the first order. Arrays are (K,)."""

    time_s: Array
    accel_mps2: Array

    def accel_at(self, time_s: Array) -> Array:
        return np.asarray(np.interp(time_s, self.time_s, self.accel_mps2))

    def twice_filtered_at(self, time_s: Array, constant_s: float) -> Array:
        """The acceleration behind two filters of this time constant.

        A filter f' = (v - f) / T shows df/dT = g with g' = -(g + f') / T: the acceleration, filtered to f'
        and filtered again.
        """
        return twice_filtered(self.time_s, self.accel_mps2, time_s, constant_s)


WHEEL_CONSTANTS = 4  # of each wheel log: scale, growth, slip, clock


def observe(
    gnss: list[GnssSource], noises: list[Noise], wheels: list[WheelSource], layout: Layout,
    reference: Reference | None, late: tuple[int, ...], settings: FusionSettings,
) -> Observations:  # fmt: skip
    """All usable readings as observations.

    Constants: first what is left of the lag of each logger in `late`, then of each wheel log scale,
    growth, slip and clock. Without a reference motion there are none.
    """
    parts = []
    count = 0 if reference is None else len(late) + WHEEL_CONSTANTS * len(wheels)
    mean, sd = np.zeros(count), np.ones(count)
    for i, (source, noise) in enumerate(zip(gnss, noises, strict=True)):
        speed, place = _gnss_readings(i, source, noise, layout, count, settings)
        if reference is not None and i in late:
            at = late.index(i)
            speed.constant[:, at] = -reference.twice_filtered_at(speed.time_s, source.speed_filter_s)
            mean[at], sd[at] = -source.speed_lag_s, settings.lag_sd_s
        parts += [speed, place]
    for i, wheel in enumerate(wheels):
        first = len(late) + WHEEL_CONSTANTS * i
        part = _wheel_readings(i, wheel, layout, reference, first, count, settings)
        if reference is not None:
            own = slice(first, first + WHEEL_CONSTANTS)
            mean[own], sd[own] = wheel.constants_before(settings)
        parts.append(part)
    order = np.argsort(np.concatenate([part.time_s for part in parts]), kind="stable")
    of_readings = [item.name for item in fields(Observations) if item.name not in _OF_PASS]
    columns = {name: np.concatenate([getattr(part, name) for part in parts])[order] for name in of_readings}
    return Observations(constant_mean=mean, constant_sd=sd, **columns)


_OF_PASS = ("constant_mean", "constant_sd")


def _part(
    time: Array, value: Array, variance: Array | float, channel: int, motion: tuple[float, float, float],
    drift_at: int, constants: int, filter_at: int = -1, looseness: Array | float = 1.0,
) -> Observations:  # fmt: skip
    """The readings of one channel."""
    n = len(time)
    return Observations(
        time, value, np.asarray(variance * np.square(looseness) * np.ones(n)),
        np.asarray(looseness * np.ones(n)), np.full(n, channel),
        np.tile(np.array(motion), (n, 1)), np.full(n, drift_at), np.ones(n), np.full(n, filter_at),
        np.zeros((n, constants)), np.zeros(constants), np.ones(constants),
    )  # fmt: skip


def _gnss_readings(
    i: int, source: GnssSource, noise: Noise, layout: Layout, constants: int, settings: FusionSettings
) -> tuple[Observations, Observations]:
    loose = np.ones(len(source.time_s))
    if source.weak is not None:
        loose[source.weak] = settings.poor_fix_looseness
    ok = source.speed_ok
    behind = layout.filters_s[i] > 0  # of a filter of its own: the logger shows the filter's state
    speed = _part(
        source.time_s[ok] - source.speed_delay_s, source.speed_mps[ok], noise.speed_mps**2, 2 * i,
        (0.0, 0.0 if behind else 1.0, 0.0), layout.speed_drift(i), constants,
        layout.filtered(i) if behind else -1, loose[ok],
    )  # fmt: skip
    ok = source.place_ok
    place = _part(
        source.time_s[ok], source.travel_m[ok], noise.place_m**2, 2 * i + 1, (1.0, 0.0, 0.0),
        layout.place_drift(i), constants, -1, loose[ok],
    )  # fmt: skip
    return speed, place


def _wheel_readings(
    i: int, wheel: WheelSource, layout: Layout, reference: Reference | None, first: int, constants: int,
    settings: FusionSettings,
) -> Observations:  # fmt: skip
    tread = wheel.tread_mps
    value = wheel.speed_of(tread, 0.0, settings)
    light = used_by(tread, 1.0, settings) - used_by(tread, 0.0, settings)  # grip used for each m/s²
    sd = np.hypot(settings.wheel_noise_floor_mps, settings.wheel_noise_share * value)
    part = _part(
        wheel.time_s, value, sd**2, 2 * layout.gnss + i, (0.0, 1.0, 0.0), layout.wheel_scale(i), constants
    )
    part.motion[:, 2] = -wheel.slip_s2_m * tread * light
    part.drift_factor[:] = -value
    if reference is not None:
        accel = reference.accel_at(wheel.time_s)
        top = max(float(np.max(tread, initial=0.0)), 1.0)
        part.constant[:, first] = -value
        part.constant[:, first + 1] = -value * (tread / top) ** 2
        part.constant[:, first + 2] = -wheel.scale * tread * used_by(tread, accel, settings)
        part.constant[:, first + 3] = accel
    return part
