"""Road load: from the shutdown coast, several passes and both directions together, and from the run-up.

After SAE J1263 and ISO 10521-1: F = F0 + F2 (v + w)² with F0 = Crr m g and F2 = rho CdA / 2, w the head wind. Only the
method is theirs: both are written for road cars below 115 km/h and for a whole coast-down. Without power u = v + w
has a closed form (`physics.roadload.coast_down`), to which the speeds are fitted, with what is usually known of
rolling resistance as a prior: a second of coasting can't tell it from drag.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from speedlog.physics.drive import G_MPS2
from speedlog.physics.roadload import coast_down
from speedlog.results import LoggerTrace, Pass
from speedlog.results_car import RoadLoad
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import PART, Array
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.fit import Fitted
from speedlog.vehicle.observed import Channel, Observed, controller, speed_channels

_WIDE = 1.0  # spread of ln CdA before any coast: a factor of three either way


@dataclass(frozen=True, eq=False)
class Coast:
    """A stretch without power: speeds of each logger, wind, air, and whether it is surely without motor braking."""

    channels: tuple[Channel, ...]
    start_s: float
    end_s: float
    head_mps: float
    head_u_mps: float
    density_kgm3: float
    density_share_u: float
    inertia_kg: float
    mass_kg: float
    sign: int
    neutral: bool


def coast_of(found: Pass, seen: Observed, facts: CarFacts, settings: ForecastSettings) -> Coast | str:
    """The coast of a pass, or a sentence on why there is none."""
    trace = found.trace
    assert trace is not None
    log = controller(trace)
    start = seen.lift_s + settings.settle_s
    neutral = False
    shut = _shut(log, seen.lift_s, settings)
    if shut is not None:
        start, neutral = shut
        start += settings.settle_s
    end = _brake_on(trace.time_s, trace.accel_mps2, start, settings)
    if end - start < settings.least_coast_s:
        return f"the coast between lift and brake lasted {max(end - start, 0.0):.1f} s: too short to tell drag from it"
    channels = tuple(speed_channels(trace, start, end, settings))
    if not channels:
        return "no GNSS speed was logged while the car coasted"
    mass = facts.mass_kg or PART["mass_kg"].guess
    return Coast(
        channels, start, end, seen.head_mps, seen.head_u_mps, seen.density_kgm3, seen.density_share_u,
        mass + PART["rotating_kg"].guess, mass, seen.heading_sign, neutral,
    )  # fmt: skip


def _shut(log: LoggerTrace | None, lift_s: float, settings: ForecastSettings) -> tuple[float, bool] | None:
    """(when the throttle is neutral, whether the current is about zero from then on)."""
    if log is None or "throttle" not in log.channels:
        return None
    share = log.channels["throttle"]
    closed = (log.time_s > lift_s) & (share <= settings.neutral_throttle)
    if not closed.any():
        return None
    start = float(log.time_s[int(np.argmax(closed))])
    current = log.channels.get("current_a")
    if current is None:
        return start, False
    soon = (log.time_s >= start + settings.settle_s) & (log.time_s <= start + settings.settle_s + 1.0)
    calm = np.abs(current[soon & np.isfinite(current)])
    return start, bool(len(calm)) and float(np.median(calm)) <= settings.no_current_a


def _brake_on(time: Array, accel: Array, start: float, settings: ForecastSettings) -> float:
    """When the deceleration first grows: a coasting car's only falls."""
    after = np.flatnonzero(time >= start)
    least = np.inf
    for k in after:
        least = min(least, float(-accel[k]))
        if -accel[k] > least + settings.brake_step_mps2:
            return float(time[max(k - 1, after[0])])
        if accel[k] > -0.05 and time[k] > start + 1.0:  # it stands, or nearly
            return float(time[k])
    return float(time[-1])


def road_load(coasts: Sequence[Coast], settings: ForecastSettings) -> RoadLoad:
    """CdA and rolling resistance of coasts together; both directions share one wind along the line."""
    if not coasts:
        return RoadLoad(why_not={"": "no pass coasted long enough"})
    guess, spread = PART["drag_area_m2"].guess, PART["rolling"].spread
    both = len({item.sign for item in coasts})
    count = 3 + len(
        coasts
    )  # ln CdA, Crr, wind along the line, and each pass's speed at the start of its coast
    begun = [float(item.channels[0].value[0]) for item in coasts]
    whiteners = [[channel.whitener() for channel in item.channels] for item in coasts]
    wind_u = float(np.mean([item.head_u_mps for item in coasts]))

    def residual(u: Array) -> Array:
        drag, rolling = guess * np.exp(_WIDE * u[0]), PART["rolling"].guess + spread * u[1]
        parts = [u[:3]]
        for k, item in enumerate(coasts):
            head = item.head_mps + item.sign * wind_u * u[2]
            per_m = 0.5 * item.density_kgm3 * drag / item.inertia_kg
            slow = max(rolling, 1e-4) * G_MPS2 * item.mass_kg / item.inertia_kg
            for channel, white in zip(item.channels, whiteners[k], strict=True):
                speed, _ = coast_down(begun[k] + u[3 + k] + head, channel.time_s - item.start_s, per_m, slow)
                parts.append(white @ (channel.value - (speed - head)))
        return np.concatenate(parts)

    u = np.zeros(count)
    jacobian = _slopes(residual, u)
    for _ in range(settings.iterations):
        jacobian = _slopes(residual, u)
        step = np.clip(-np.linalg.lstsq(jacobian, residual(u), rcond=None)[0], -1.0, 1.0)
        u = u + step
        if np.abs(step).max() < 1e-6:
            break
    covariance: Array = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
    return _load(coasts, u, covariance, guess, spread, both, wind_u)


def _slopes(residual: object, u: Array) -> Array:
    assert callable(residual)
    base = residual(u)
    columns = []
    for k in range(len(u)):
        moved = u.copy()
        moved[k] += 1e-5
        columns.append((residual(moved) - base) / 1e-5)
    return np.asarray(np.array(columns).T)


def _load(
    coasts: Sequence[Coast], u: Array, covariance: Array, guess: float, spread: float, both: int, wind_u: float
) -> RoadLoad:  # fmt: skip
    sd = np.sqrt(np.diag(covariance))
    # mass and air go into CdA as they are: their shares are added
    more = np.hypot(PART["mass_kg"].spread, max(item.density_share_u for item in coasts))
    half = 1.96 * float(np.hypot(_WIDE * sd[0], more))
    drag = float(guess * np.exp(_WIDE * u[0]))
    head = float(np.mean([item.head_mps + item.sign * wind_u * u[2] for item in coasts]))
    return RoadLoad(
        source="coast" if all(item.neutral for item in coasts) else "braked coast",
        drag_area_m2=Quantity95(drag, drag * float(np.exp(-half)), drag * float(np.exp(half))),
        rolling=Quantity95.spread(PART["rolling"].guess + spread * float(u[1]), spread * float(sd[1])),
        correlation=float(covariance[0, 1] / (sd[0] * sd[1])),
        head_wind_mps=Quantity95.spread(head, wind_u * float(sd[2])) if len(coasts) == 1 else None,
        air_density_kgm3=Quantity95.spread(
            coasts[-1].density_kgm3, coasts[-1].density_kgm3 * coasts[-1].density_share_u
        ),
        directions=both,
    )  # fmt: skip


def run_up_load(fitted: Fitted) -> RoadLoad:
    """Road load as the powered run-up shows it, with the power that was logged."""
    logged = any(channel.kind == "current" for item in fitted.passes for channel in item.observed.channels)
    if not logged:
        return RoadLoad(
            why_not={"": "no current was logged, so the run-up can't tell drag from a weaker motor"}
        )
    one, other = fitted.names.index("drag_area_m2"), fitted.names.index("rolling")
    c = fitted.covariance
    last = fitted.passes[-1]
    density = last.observed.density_kgm3
    return RoadLoad(
        source="run-up", drag_area_m2=fitted.quantity("drag_area_m2"), rolling=fitted.quantity("rolling"),
        correlation=float(c[one, other] / np.sqrt(c[one, one] * c[other, other])),
        head_wind_mps=Quantity95.spread(last.head_mps, last.head_u_mps),
        air_density_kgm3=Quantity95.spread(density, density * last.observed.density_share_u),
        directions=len({item.observed.heading_sign for item in fitted.passes}),
    )  # fmt: skip
