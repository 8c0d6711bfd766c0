"""What the logs of one pass say of the run-up: the readings that the fit is held to, and what the driver did."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.air import (
    STANDARD_K,
    STANDARD_PA,
    air_density,
    wind_share,
)  # fmt: skip
from speedlog.results import LoggerTrace, Pass, Trace
from speedlog.results_car import CurrentOf
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.current import drawn, scale_of, whose_current
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import car_log

Array = NDArray[np.float64]
_SITE = VehicleSettings()
_LATE_S = 0.03


@dataclass(frozen=True, eq=False)
class Channel:
    """Readings of one kind: times (N,) since the pass's start, values, noise, and slow error with its length."""

    kind: str  # "speed", "rpm", "current", "voltage"
    time_s: Array
    value: Array
    sd: Array
    slow_sd: Array
    slow_s: float

    def whitener(self, white: float = 1.0, slow: float = 1.0) -> Array:
        """(N, N) W with W C Wᵀ = 1, C the covariance of white noise and of an error that fades as exp(-dt/τ).

        `white` and `slow` are factors of the two.
        """
        apart = np.abs(self.time_s[:, None] - self.time_s[None, :])
        fading = np.outer(self.slow_sd, self.slow_sd) * np.exp(-apart / self.slow_s) * slow**2
        return np.asarray(np.linalg.inv(np.linalg.cholesky(fading + np.diag(np.square(white * self.sd)))))


@dataclass(frozen=True, eq=False)
class Observed:
    """One pass as the fit sees it.

    Attributes:
        start_s: the throttle begins to open (pass time). lift_s: the last moment at which it is surely open.
        throttle: (times since the start, shares) as logged; None where no log has it.
        heading_sign: +1 outbound, -1 return: two directions share one wind.
        entry_m, exit_m: driven metres from the launch to both beams; None without a trap.
        trap_mps: the estimate between the beams. rest_v: of the pack before the launch, as logged or by hand.
        current_of: whose current; `assumed` notes what nobody said.
    """

    name: str
    facts: CarFacts
    start_s: float
    lift_s: float
    throttle: tuple[Array, Array] | None
    channels: tuple[Channel, ...]
    head_mps: float
    head_u_mps: float
    density_kgm3: float
    density_share_u: float
    heading_sign: int
    entry_m: float | None
    exit_m: float | None
    trap_mps: float | None
    trap_u_mps: float | None
    rest_v: float | None
    current_of: str = "pack"
    motor_temp_c: tuple[float, float] | None = None  # before the launch, highest
    controller_temp_c: tuple[float, float] | None = None
    assumed: tuple[str, ...] = field(default=())
    launch_along_m: float = 0.0
    by_charge: Quantity95 | None = None  # true current over logged, by the charge put back

    @property
    def speed_sd_mps(self) -> float:
        """Of the speed readings, noise and slow error together (root mean square); 0 without any."""
        squares = [item.sd**2 + item.slow_sd**2 for item in self.channels if item.kind == "speed"]
        return float(np.sqrt(np.mean(np.concatenate(squares)))) if squares else 0.0


def observe(
    found: Pass, facts: CarFacts, settings: ForecastSettings, name: str | None = None
) -> Observed | None:
    """The run-up of a pass; None where there is no motion to look at."""
    trace = found.trace
    if trace is None or len(trace.time_s) < 10:
        return None
    log = controller(trace)
    assumed: list[str] = []
    start, lift = _start_and_lift(trace, log, settings)
    if lift - start < 1.0:
        return None
    if facts.mass_kg is None:
        assumed.append("mass")
    head, head_u = head_wind(found, facts, settings, assumed)
    density, density_u = air(facts, settings, assumed)
    whose = facts.current_of
    if log is not None and "current_a" in log.channels and whose is None:
        whose = _whose(found, facts)
        assumed.append("current_of" if whose is None else f"current_of_{whose}")
    channels = speed_channels(trace, start, lift, settings)
    if log is not None:
        channels += _electric(log, start, lift, facts, settings)
    beams = _beams(found, trace, start)
    trap = found.trap
    known = trap is not None and trap.estimate_mps is not None and trap.interval95_mps is not None
    return Observed(
        name or str(found.number), facts, start, lift, _throttle(log, start, settings), tuple(channels), head, head_u,
        density, density_u, -1 if found.outbound is False else 1, *beams,
        trap.estimate_mps if known and trap else None,
        (trap.interval95_mps[1] - trap.interval95_mps[0]) / 3.92 if known and trap and trap.interval95_mps else None,
        _rest(log, start, facts), whose or "pack", _temperatures(log, start, "motor_temp_c"),
        _temperatures(log, start, "controller_temp_c"), tuple(assumed),
        float(np.interp(start, trace.time_s, trace.along_m)), _by_charge(found, facts, whose),
    )  # fmt: skip


def _whose(found: Pass, facts: CarFacts) -> CurrentOf | None:
    """Whose current is logged, by pull and power; None where they don't tell."""
    log = car_log(found, _SITE)
    return None if log is None else whose_current(log, facts, _SITE)[0]


def _by_charge(found: Pass, facts: CarFacts, whose: CurrentOf | None) -> Quantity95 | None:
    """True over logged current of the pack, where the charge put back was noted."""
    log = car_log(found, _SITE) if facts.charge_put_back_ah and whose != "motor" else None
    current = None if log is None else drawn(log, _SITE)
    return None if current is None else scale_of(current, facts, _SITE).by_charge


def controller(trace: Trace) -> LoggerTrace | None:
    """The controller's log of a pass: the one that has most of current, voltage, throttle and turns."""
    names = ("current_a", "voltage_v", "throttle", "rpm")
    best = max(trace.loggers, key=lambda item: sum(name in item.channels for name in names), default=None)
    return best if best is not None and any(name in best.channels for name in names) else None


def head_wind(
    found: Pass, facts: CarFacts, settings: ForecastSettings, assumed: list[str]
) -> tuple[float, float]:
    """(head wind at the car's height, its standard uncertainty) m/s."""
    speed = facts.wind_speed_mps
    if found.wind is not None:
        head = found.wind.head_mps
    elif speed is not None and facts.wind_from_deg is not None:
        head = speed * math.cos(math.radians(facts.wind_from_deg - found.heading_deg))
    elif speed is not None and facts.wind_side in ("head", "tail"):
        head = speed if facts.wind_side == "head" else -speed
    else:
        assumed.append("wind")
        return 0.0, settings.wind_unknown_mps
    height = facts.wind_height_m or 2.0
    share = (
        min(wind_share(_SITE.car_height_m, height, _SITE.roughness_m), 1.0)
        if height > _SITE.car_height_m
        else 1.0
    )
    blowing = abs(head) if speed is None else max(speed * 0.5, abs(head))
    return share * head, math.hypot(settings.wind_share * share * blowing, settings.wind_least_mps)


def air(facts: CarFacts, settings: ForecastSettings, assumed: list[str]) -> tuple[float, float]:
    """(density, its standard uncertainty as a share)."""
    if facts.temperature_k is None and facts.pressure_pa is None:
        assumed.append("weather")
        return air_density(STANDARD_K, STANDARD_PA, 0.5), settings.density_unknown
    density = air_density(
        facts.temperature_k or STANDARD_K, facts.pressure_pa or STANDARD_PA,
        0.5 if facts.humidity is None else facts.humidity,
    )  # fmt: skip
    whole = facts.temperature_k is not None and facts.pressure_pa is not None and not facts.pressure_assumed
    return density, settings.density_share if whole else settings.density_unknown / 2


def _start_and_lift(trace: Trace, log: LoggerTrace | None, settings: ForecastSettings) -> tuple[float, float]:
    """When the throttle begins to open, and the last moment before it closes."""
    top = float(trace.time_s[int(np.argmax(trace.speed_mps))])
    moving = trace.speed_mps > 0.1 * trace.speed_mps.max()
    began = float(trace.time_s[int(np.argmax(moving))])
    opened = None if log is None else log.channels.get("throttle")
    if log is None or opened is None or not np.nanmax(opened) > 0.3:
        accel = max(float(np.nanmax(trace.accel_mps2[trace.time_s <= top])), 1.0)
        launch = began - float(np.interp(began, trace.time_s, trace.speed_mps)) / accel
        return max(launch - 0.3, float(trace.time_s[0])), top - settings.settle_s
    time, share = log.time_s, np.nan_to_num(opened)
    shut = time[(share <= settings.neutral_throttle) & (time < began)]
    start = float(shut[-1]) if len(shut) else float(time[0])
    full = time[(share >= min(settings.full_throttle, share.max() - 0.01)) & (time <= top + 1.0)]
    return start, float(full[-1]) if len(full) else top - settings.settle_s


def _throttle(
    log: LoggerTrace | None, start: float, settings: ForecastSettings
) -> tuple[Array, Array] | None:
    opened = None if log is None else log.channels.get("throttle")
    if log is None or opened is None or not np.nanmax(opened) > 0.3:
        return None
    good = np.isfinite(opened) & (log.time_s >= start - 1e-9)
    share = np.clip(opened[good], 0.0, 1.0)
    return log.time_s[good] - start, np.where(share <= settings.neutral_throttle / 4, 0.0, share)


def _white(values: Array) -> float:
    """Standard deviation of white noise on a smooth curve: from second differences, by their median."""
    if len(values) < 5:
        return 0.0
    bend = values[2:] - 2 * values[1:-1] + values[:-2]
    return 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(6.0)


def _binned(time: Array, value: Array, width: float) -> tuple[Array, Array, Array]:
    """Means of times and values within bins, and how many are in each."""
    place = np.floor((time - time[0]) / width).astype(int) if len(time) else np.zeros(0, dtype=int)
    count = np.bincount(place)
    kept = count > 0
    mean = [np.bincount(place, part)[kept] / count[kept] for part in (time, value)]
    return mean[0], mean[1], count[kept].astype(np.float64)


def speed_channels(trace: Trace, start: float, end: float, settings: ForecastSettings) -> list[Channel]:
    """GNSS speeds of a stretch, each logger put in step with the estimate where it is late."""
    found = []
    for item in trace.loggers:
        if item.kind != "gnss":
            continue
        good = item.used & np.isfinite(item.speed_mps) & (item.time_s >= start) & (item.time_s <= end)
        if good.sum() < 5:
            continue
        time, speed = item.time_s[good], item.speed_mps[good]
        off = speed - np.interp(time, trace.time_s, trace.speed_mps)
        accel = np.interp(time, trace.time_s, trace.accel_mps2)
        late = -float(np.sum(off * accel) / max(np.sum(accel**2), 1e-9))
        if abs(late) > _LATE_S:
            time = time - late
            off = speed - np.interp(time, trace.time_s, trace.speed_mps)
        white = max(
            1.4826 * float(np.median(np.abs(np.diff(off)))) / math.sqrt(2), settings.least_speed_sd_mps
        )
        at, mean, count = _binned(time, speed, settings.bin_s)
        n = len(at)
        found.append(
            Channel(
                "speed", at, mean, white / np.sqrt(count), np.full(n, settings.drift_mps), settings.drift_s
            )
        )
    return found


def _electric(
    log: LoggerTrace, start: float, lift: float, facts: CarFacts, settings: ForecastSettings
) -> list[Channel]:
    """Turns, current and voltage from the launch to the lift."""
    found = []
    inside = (log.time_s >= start) & (log.time_s <= lift)
    for kind, name in (("rpm", "rpm"), ("current", "current_a"), ("voltage", "voltage_v")):
        values = log.channels.get(name)
        if values is None:
            continue
        good = inside & np.isfinite(values)
        if good.sum() < 5:
            continue
        least = {"rpm": settings.rpm_sd, "current": settings.current_sd_a, "voltage": settings.voltage_sd_v}[
            kind
        ]
        share = (facts.pole_pairs or 1) if kind == "rpm" else 1
        series = values[good] / share
        sd = max(_white(series), least)
        at, mean, count = _binned(log.time_s[good], series, settings.bin_s)
        slow = settings.model_share * (np.abs(mean) + 0.1 * mean.max())
        if kind == "rpm":  # turns of a wheel that has just left the line tell nothing of the rest
            kept = mean > 0.1 * mean.max()
            at, mean, count, slow = at[kept], mean[kept], count[kept], slow[kept]
        elif kind == "voltage":
            slow = np.full(len(mean), settings.voltage_sd_v)
        found.append(Channel(kind, at, mean, sd / np.sqrt(count), slow, settings.model_s))
    return found


def _beams(found: Pass, trace: Trace, start: float) -> tuple[float | None, float | None]:
    """Driven metres from the launch to the first and to the second beam."""
    if found.trap is None:
        return None, None
    launch = float(np.interp(start, trace.time_s, trace.along_m))
    driven = sorted(abs(beam - launch) for beam in (found.trap.entry_m, found.trap.exit_m))
    return driven[0], driven[1]


def _rest(log: LoggerTrace | None, start: float, facts: CarFacts) -> float | None:
    volts = None if log is None else log.channels.get("voltage_v")
    if log is not None and volts is not None:
        before = volts[(log.time_s < start) & np.isfinite(volts)]
        if len(before) >= 3:
            return float(np.median(before))
    return None


def _temperatures(log: LoggerTrace | None, start: float, name: str) -> tuple[float, float] | None:
    """(before the launch, highest) °C of a channel."""
    heat = None if log is None else log.channels.get(name)
    if log is None or heat is None or not np.isfinite(heat).any():
        return None
    before = heat[(log.time_s <= start + 0.3) & np.isfinite(heat)]
    return (float(before[-1]) if len(before) else float(heat[np.isfinite(heat)][0])), float(np.nanmax(heat))
