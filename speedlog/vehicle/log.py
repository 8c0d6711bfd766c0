"""The controller's log of a pass, beside the motion that all logs gave: what every part here begins with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.results import LoggerTrace, Pass, Trace
from speedlog.settings.vehicle import VehicleSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class CarLog:
    """One controller's rows of a pass. Arrays are (N,), NaN where missing.

    Attributes:
        channels: columns of the common table.
        speed_mps, accel_mps2, along_m: the estimate at the rows' times; NaN outside of it.
        launch_s, lift_s: when the car got under way, and the end of the last power before the shutdown.
    """

    file: str
    time_s: Array
    speed_mps: Array
    accel_mps2: Array
    along_m: Array
    channels: Mapping[str, Array] = field(default_factory=dict)
    launch_s: float = 0.0
    lift_s: float = 0.0

    def channel(self, name: str) -> Array | None:
        """A column, or None where it holds nothing."""
        found = self.channels.get(name)
        return found if found is not None and bool(np.isfinite(found).any()) else None

    @property
    def powered_span(self) -> Flags:
        """(N,) from the launch to the lift."""
        return np.asarray((self.time_s >= self.launch_s) & (self.time_s <= self.lift_s))


def car_log(pass_: Pass, settings: VehicleSettings) -> CarLog | None:
    """The log that holds current (else heat, else turns), with most rows; None where no log does."""
    trace = pass_.trace
    if trace is None:
        return None
    for names in (("current_a",), ("motor_temp_c", "controller_temp_c", "voltage_v"), ("rpm",)):
        found = [item for item in trace.loggers if any(_filled(item, name) for name in names)]
        if found:
            return _made(max(found, key=lambda item: len(item.time_s)), trace, settings)
    return None


def _filled(item: LoggerTrace, name: str) -> bool:
    values = item.channels.get(name)
    return values is not None and bool(np.isfinite(values).any())


def _made(item: LoggerTrace, trace: Trace, settings: VehicleSettings) -> CarLog:
    time = np.asarray(item.time_s, dtype=float)

    def at(values: Array) -> Array:
        return np.asarray(np.interp(time, trace.time_s, values, left=np.nan, right=np.nan))

    moving = trace.time_s[trace.speed_mps > settings.moving_mps]
    launch = float(moving[0]) if len(moving) else float(trace.time_s[0])
    top = float(trace.time_s[int(np.argmax(trace.speed_mps))])
    current = item.channels.get("current_a")
    return CarLog(
        item.file, time, at(trace.speed_mps), at(trace.accel_mps2), at(trace.along_m), item.channels, launch,
        _lift(time, current, top, settings),
    )  # fmt: skip


def _lift(time: Array, current: Array | None, top_s: float, settings: VehicleSettings) -> float:
    """The end of the last power near the fastest moment; that moment itself without a current."""
    if current is None or not np.isfinite(current).any():
        return top_s
    floor = settings.power_share * float(np.nanmax(np.abs(current)))
    on = np.flatnonzero(np.nan_to_num(np.abs(current)) > floor)
    return float(time[on[-1]]) if len(on) else top_s


def coasting(log: CarLog, settings: VehicleSettings) -> Flags:
    """(N,) rows after the lift without power or brake.

    Throttle neutral and no current, from the lift on, until the car loses speed quicker than drag does, which
    falls with the square of speed from what it was just after the lift: anything more is a brake.
    """
    after = log.time_s > log.lift_s
    throttle, current = log.channel("throttle"), log.channel("current_a")
    idle = after & np.isfinite(log.accel_mps2) & (log.speed_mps > settings.moving_mps)
    if throttle is not None:
        idle &= ~(np.abs(throttle) > settings.neutral_throttle)
    if current is not None:
        idle &= ~(np.abs(current) > settings.power_share * float(np.nanmax(np.abs(current))))
    if throttle is None and current is None:
        return np.zeros(len(log.time_s), dtype=bool)
    rows = np.flatnonzero(idle)
    if len(rows) < 2:
        return np.zeros(len(log.time_s), dtype=bool)
    losing = -log.accel_mps2[rows]
    # while the throttle closes, each row loses speed quicker than the one before
    settled = int(np.argmax(np.diff(losing) < settings.coast_rise_mps2))
    first = float(np.median(losing[settled : settled + 3])) - settings.rolling_mps2
    slower = np.square(log.speed_mps[rows[settled:]] / log.speed_mps[rows[settled]])
    by_drag = settings.rolling_mps2 + max(first, 0.0) * slower
    quicker = np.flatnonzero(losing[settled:] > by_drag + settings.coast_rise_mps2)
    end = settled + (int(quicker[0]) if len(quicker) else len(rows) - settled)
    found = np.zeros(len(log.time_s), dtype=bool)
    found[rows[settled:end]] = True
    return found


def reading_noise(values: Array) -> float:
    """Standard deviation of a channel's own noise, from its third differences (curves drop out of them)."""
    known = values[np.isfinite(values)]
    if len(known) < 5:
        return 0.0
    third = np.diff(known, 3)
    return float(1.4826 * np.median(np.abs(third - np.median(third))) / np.sqrt(20.0))


def correlation_factor(residual: Array) -> float:
    """How many correlated rows weigh as one: 1 + 2 sum of autocorrelations, up to the first at or below 0.

    (Geyer, "Practical Markov chain Monte Carlo", Statistical Science 7, 1992: initial positive sequence.)
    """
    if len(residual) < 4:
        return 1.0
    r = residual - residual.mean()
    power = float(r @ r)
    if power <= 0:
        return 1.0
    total = 1.0
    for lag in range(1, len(r) // 2):
        rho = float(r[:-lag] @ r[lag:]) / power
        if rho <= 0:
            break
        total += 2 * rho
    return total
