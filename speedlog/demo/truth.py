"""A pass driven and known exactly: the equations of motion integrated, both beams timed.

The motion is integrated by an eighth-order Runge-Kutta method (scipy DOP853, relative tolerance
1e-10) in phases that begin and end where the driver does something, so that no step runs across a
kink; the beams are crossed on its dense output, good to a nanosecond.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from speedlog.demo.car import Air, Car, DrivePoint

Array = NDArray[np.float64]
GRID_S = 1e-3
HEAT_STEP_S = 1e-2


@dataclass(frozen=True)
class Driver:
    """What the driver does. Distances are travelled metres from the launch point.

    Attributes:
        squeeze_s: how long the throttle takes from nothing to full.
        lift_m: where the driver lifts, at one instant; the throttle closes within `close_s`.
        coast_s: time from the lift to the brake.
        brake_mps2: deceleration held in the shutdown, drag included; None coasts to a stand.
        brake_ramp_s: how long the brake takes to come on.
    """

    squeeze_s: float = 0.8
    lift_m: float = 600.0
    close_s: float = 0.04
    coast_s: float = 0.4
    brake_mps2: float | None = 9.0
    brake_ramp_s: float = 0.3


@dataclass(frozen=True)
class Heat:
    """First-order heating, C dT/dt = P - (T - T_air) / R: motor, controller; start and air [°C]."""

    air_c: float = 20.0
    motor_start_c: float = 25.0
    motor_jpk: float = 260.0
    motor_kpw: float = 0.5
    controller_start_c: float = 25.0
    controller_jpk: float = 130.0
    controller_kpw: float = 0.4


@dataclass(frozen=True, eq=False)
class Truth:
    """The pass as it was. Arrays are (N,), every millisecond; `time_s` counts from the launch.

    `travel_m` is driven distance from the launch point. Heat, current and voltage stand on their own
    time axis `slow_s`, (M,), every 10 ms.
    """

    car: Car
    driver: Driver
    air: Air
    time_s: Array
    travel_m: Array
    speed_mps: Array
    accel_mps2: Array
    slow_s: Array
    throttle: Array
    pack_current_a: Array
    pack_voltage_v: Array
    motor_temp_c: Array
    controller_temp_c: Array
    wheel_rpm: Array
    lift_s: float
    brake_s: float
    stop_s: float
    entry_s: float
    exit_s: float
    entry_travel_m: float
    exit_travel_m: float
    peak_mps: float
    peak_s: float

    @property
    def trap_mps(self) -> float:
        """True mean speed through the trap: length over time between the beams."""
        return (self.exit_travel_m - self.entry_travel_m) / (self.exit_s - self.entry_s)

    def motion_at(self, time_s: Array) -> tuple[Array, Array, Array]:
        """(travel, speed, acceleration) at any times inside the pass: cubic between the milliseconds."""
        place = np.clip((time_s - self.time_s[0]) / GRID_S, 0, len(self.time_s) - 1 - 1e-9)
        k = place.astype(np.int64)
        u = place - k
        x0, x1 = self.travel_m[k], self.travel_m[k + 1]
        v0, v1 = self.speed_mps[k] * GRID_S, self.speed_mps[k + 1] * GRID_S
        slope, bend = x1 - x0, v0 + v1
        travel = x0 + u * (v0 + u * (3 * slope - v0 - bend + u * (bend - 2 * slope)))
        speed = self.speed_mps[k] * (1 - u) + self.speed_mps[k + 1] * u
        return travel, speed, self.accel_mps2[k] * (1 - u) + self.accel_mps2[k + 1] * u


@dataclass(frozen=True)
class _Phase:
    """One stretch of the pass and its dense solution over [start, end]: rows travel, speed, charge."""

    start: float
    end: float
    solution: Callable[[Any], Any]


class _Pass:
    """The right-hand side of the equations of motion: dx/dt = v, dv/dt = F/m, dq/dt = I."""

    def __init__(self, car: Car, driver: Driver, air: Air) -> None:
        self.car, self.driver, self.air = car, driver, air
        self.lift_s = math.inf

    def throttle(self, time_s: float) -> float:
        if time_s < 0:
            return 0.0
        if time_s >= self.lift_s:
            return max(0.0, 1.0 - (time_s - self.lift_s) / self.driver.close_s)
        share = min(time_s / self.driver.squeeze_s, 1.0)
        return share * share * (3.0 - 2.0 * share)

    def point(self, time_s: float, travel: float, speed: float, used: float) -> DrivePoint:
        grip = self.car.grip_n(travel, speed, self.air.density_kgm3)
        return self.car.drive.at(speed, self.throttle(time_s), used, grip)

    def brake_s(self) -> float:
        return self.lift_s + max(self.driver.coast_s, self.driver.close_s)

    def rate(self, time_s: float, state: Any) -> tuple[float, float, float]:
        travel, speed, used = state
        point = self.point(time_s, travel, speed, used)
        car, driver = self.car, self.driver
        resistance = car.resistance_n(speed, self.air.head_at(time_s), self.air.density_kgm3)
        if speed <= 0.0:
            resistance = min(resistance, point.force_n)
        accel = (point.force_n - resistance) / car.inertia_kg
        if driver.brake_mps2 is not None and time_s > self.brake_s():
            on = min((time_s - self.brake_s()) / driver.brake_ramp_s, 1.0)
            accel = min(accel, -driver.brake_mps2 * on)
        return (speed, accel, point.pack_current_a)


def _integrate(
    run: _Pass, start: float, state: Any, end: float, event: Callable[[float, Any], float] | None
) -> tuple[_Phase, Any]:
    """One phase, to `end` or to where `event` crosses zero."""
    longest = 0.02 if run.car.bump else 0.2
    if event is not None:
        event.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        run.rate, (start, end), state, method="DOP853", rtol=1e-10, atol=1e-10,
        max_step=longest, dense_output=True, events=event,
    )  # fmt: skip
    stop = float(found.t[-1])
    assert found.sol is not None
    return _Phase(start, stop, found.sol), found.y[:, -1]


def _phases(run: _Pass) -> list[_Phase]:
    driver, list_of = run.driver, []
    at, state = 0.0, np.zeros(3)
    phase, state = _integrate(run, at, state, min(driver.squeeze_s, 120.0), lambda t, y: y[0] - driver.lift_m)
    list_of.append(phase)
    if state[0] < driver.lift_m - 1e-6:
        phase, state = _integrate(run, phase.end, state, 300.0, lambda t, y: y[0] - driver.lift_m)
        list_of.append(phase)
    run.lift_s = phase.end
    marks = [run.lift_s + driver.close_s, run.brake_s()]
    marks += [] if driver.brake_mps2 is None else [run.brake_s() + driver.brake_ramp_s]
    for mark in [*marks, 3600.0]:
        if mark <= list_of[-1].end:
            continue
        phase, state = _integrate(run, list_of[-1].end, state, mark, lambda t, y: y[1])
        list_of.append(phase)
        if state[1] <= 1e-9:
            break
    return list_of


def drive_pass(
    car: Car, driver: Driver, air: Air, trap_m: tuple[float, float], *, heat: Heat | None = None,
    before_s: float = 2.0, after_s: float = 2.0,
) -> Truth:  # fmt: skip
    """Drive one pass from a stand to a stand.

    Args:
        trap_m: both beams, travelled metres from the launch point.
        before_s, after_s: standing, before the launch and after the stop.

    Raises:
        ValueError: the car never gets through the trap.
    """
    run = _Pass(car, driver, air)
    phases = _phases(run)
    stop = phases[-1].end
    count = round((stop + before_s + after_s) / GRID_S)
    time: Array = -before_s + GRID_S * np.arange(count + 1, dtype=np.float64)
    travel, speed, accel, used = _on_grid(phases, time)
    if travel[-1] < trap_m[1]:
        raise ValueError("the car stops before the second beam")
    entry, exit_ = (_crossing(phases, at) for at in trap_m)
    top = int(np.argmax(speed))
    slow = {"time": np.asarray(time[:: round(HEAT_STEP_S / GRID_S)])}
    slow |= _slow(run, slow["time"], time, travel, speed, accel, used, heat or Heat())
    return Truth(
        car=car, driver=driver, air=air, time_s=time, travel_m=travel, speed_mps=speed, accel_mps2=accel,
        slow_s=slow["time"], throttle=slow["throttle"], pack_current_a=slow["current"],
        pack_voltage_v=slow["voltage"], motor_temp_c=slow["motor"], controller_temp_c=slow["controller"],
        wheel_rpm=slow["wheel"], lift_s=run.lift_s, brake_s=run.brake_s(), stop_s=stop, entry_s=entry,
        exit_s=exit_, entry_travel_m=trap_m[0], exit_travel_m=trap_m[1], peak_mps=float(speed[top]),
        peak_s=float(time[top]),
    )  # fmt: skip


def _on_grid(phases: list[_Phase], time: Array) -> tuple[Array, Array, Array, Array]:
    travel, speed, accel, used = (np.zeros(len(time)) for _ in range(4))
    for phase in phases:
        inside = (time >= phase.start) & (time < phase.end)
        found = phase.solution(time[inside])
        travel[inside], speed[inside], used[inside] = found
    after = time >= phases[-1].end
    last = phases[-1].solution(phases[-1].end)
    travel[after], used[after] = last[0], last[2]
    speed = np.maximum(speed, 0.0)
    accel[1:-1] = (speed[2:] - speed[:-2]) / (2 * GRID_S)
    return travel, speed, accel, used


def _crossing(phases: list[_Phase], at_m: float) -> float:
    """Time at which the travelled distance reaches a beam [s]."""
    for phase in phases:
        if phase.solution(phase.end)[0] >= at_m:
            return float(
                brentq(lambda t, phase=phase: phase.solution(t)[0] - at_m, phase.start, phase.end, xtol=1e-12)
            )
    raise ValueError("the car never reaches the beam")


def _slow(
    run: _Pass, slow: Array, time: Array, travel: Array, speed: Array, accel: Array, used: Array, heat: Heat
) -> dict[str, Array]:
    """Throttle, current, voltage, wheel speed and heat, every 10 ms."""
    step = round(HEAT_STEP_S / GRID_S)
    x, v, q = travel[::step], speed[::step], used[::step]
    points = [
        run.point(float(t), float(a), float(b), float(c)) for t, a, b, c in zip(slow, x, v, q, strict=True)
    ]
    density = run.air.density_kgm3
    # what the tyres do, driving or braking: all that moves the car but air and rolling
    resist = [
        run.car.resistance_n(float(b), run.air.head_at(float(t)), density)
        for t, b in zip(slow, v, strict=True)
    ]
    at_tyre = run.car.inertia_kg * accel[::step] + np.array(resist)
    grip = np.array([run.car.grip_n(float(a), float(b), density) for a, b in zip(x, v, strict=True)])
    current = np.array([point.motor_current_a for point in points])
    drive = run.car.drive
    copper = getattr(getattr(drive, "motor", None), "resistance_ohm", 0.0)
    switch = getattr(drive, "controller_ohm", 0.0)
    return {
        "throttle": np.array([run.throttle(float(t)) for t in slow]),
        "current": np.array([point.pack_current_a for point in points]),
        "voltage": np.array([point.pack_voltage_v for point in points]),
        "motor": warm(
            slow, current**2 * copper, heat.motor_start_c, heat.air_c, heat.motor_jpk, heat.motor_kpw
        ),
        "controller": warm(
            slow,
            current**2 * switch * 2.0,
            heat.controller_start_c,
            heat.air_c,
            heat.controller_jpk,
            heat.controller_kpw,
        ),
        "wheel": wheel_rpm(run.car, v, at_tyre / np.maximum(grip, 1.0)),
    }


def warm(time: Array, power: Array, start: float, air: float, capacity: float, resistance: float) -> Array:
    """First-order heating, exact for a power that is constant over each step."""
    keep = math.exp(-(time[1] - time[0]) / (capacity * resistance))
    found = np.empty(len(time))
    found[0] = start
    for i in range(1, len(time)):
        settled = air + power[i - 1] * resistance
        found[i] = settled + (found[i - 1] - settled) * keep
    return found


def wheel_rpm(car: Car, speed_mps: Array, grip_used: Array) -> Array:
    """Turns of the wheel per minute: the tyre grows with n², slip grows with the grip used (-1 to 1).

    Solves n = 60 v (1 + slip) / (2 pi r(n)) by fixed-point steps (growth is a few per cent, so the
    error falls by about ten at each).
    """
    tyre = car.tyre
    bare = 60.0 * speed_mps / (2 * math.pi * tyre.standing_radius_m)
    turns = bare
    for _ in range(12):
        turns = bare / (1.0 + tyre.growth * (turns / 20_000.0) ** 2)
    return turns * (1.0 + tyre.slip_at_limit * np.clip(grip_used, -1.0, 1.0))
