"""A pass driven and known exactly: the equations of motion integrated, both beams timed.

The motion is integrated by an eighth-order Runge-Kutta method (`integrate`, relative tolerance
1e-10) in phases that begin and end where the driver does something, so that no step runs across a
kink of the driver's. Against steps of a millisecond the trap speed stands within 2e-6 m/s and the place
within 2e-5 m, which is what the kinks of the current limits cost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from speedlog.demo.car import Air, Car
from speedlog.demo.integrate import Rate, Solution, State, integrate

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
    solution: Solution


class _Pass:
    """What the driver does when, and the equations of motion: dx/dt = v, dv/dt = F/m, dq/dt = I."""

    def __init__(self, car: Car, driver: Driver, air: Air) -> None:
        self.car, self.driver, self.air = car, driver, air
        self.lift_s = math.inf

    def throttle(self, time_s: Array) -> Array:
        """(N,) share of full throttle: a smooth squeeze, full, then shut at the lift."""
        share = np.clip(time_s / self.driver.squeeze_s, 0.0, 1.0)
        shut = np.clip(1.0 - (time_s - self.lift_s) / self.driver.close_s, 0.0, 1.0)
        return np.where(time_s >= self.lift_s, shut, share * share * (3.0 - 2.0 * share))

    def brake_s(self) -> float:
        return self.lift_s + max(self.driver.coast_s, self.driver.close_s)

    def rate(self) -> Rate:
        """The right-hand side as it stands, for plain floats (the same as `throttle` and `Car` have)."""
        car, driver, density = self.car, self.driver, self.air.density_kgm3
        lift, brake = self.lift_s, self.brake_s()
        squeeze, close, held, ramp = driver.squeeze_s, driver.close_s, driver.brake_mps2, driver.brake_ramp_s
        head, push, inertia = self.air.quick_head(), car.drive.quick(), car.inertia_kg
        grip_of, resist = car.quick_grip(density), car.quick_resistance(density)

        def rate(time_s: float, travel: float, speed: float, used: float) -> State:
            if time_s < lift:
                share = time_s / squeeze
                throttle = share * share * (3.0 - 2.0 * share) if share < 1.0 else 1.0
            else:
                throttle = max(0.0, 1.0 - (time_s - lift) / close)
            force, current = push(speed, throttle, used, grip_of(travel, speed))
            against = resist(speed, head(time_s))
            if speed <= 0.0 and against > force:
                against = force
            accel = (force - against) / inertia
            if held is not None and time_s > brake:
                accel = min(accel, -held * min((time_s - brake) / ramp, 1.0))
            return speed, accel, current

        return rate


def _phases(run: _Pass) -> list[_Phase]:
    driver, found = run.driver, list[_Phase]()
    longest = 0.02 if run.car.bump else 0.2
    state: State = (0.0, 0.0, 0.0)

    def drive(end: float, until: tuple[int, float]) -> State:
        start = found[-1].end if found else 0.0
        solution, stop, after = integrate(run.rate(), start, state, end, longest_s=longest, until=until)
        found.append(_Phase(start, stop, solution))
        return after

    state = drive(min(driver.squeeze_s, 120.0), (0, driver.lift_m))
    if state[0] < driver.lift_m - 1e-6:
        state = drive(300.0, (0, driver.lift_m))
    run.lift_s = found[-1].end
    marks = [run.lift_s + driver.close_s, run.brake_s()]
    marks += [] if driver.brake_mps2 is None else [run.brake_s() + driver.brake_ramp_s]
    for mark in [*marks, 3600.0]:
        if mark <= found[-1].end:
            continue
        state = drive(mark, (1, 0.0))
        if state[1] <= 1e-9:
            break
    return found


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
        inside = slice(*np.searchsorted(time, [phase.start, phase.end]))
        travel[inside], speed[inside], used[inside] = phase.solution(time[inside])
    after = slice(int(np.searchsorted(time, phases[-1].end)), None)
    last = phases[-1].solution.at(phases[-1].end)
    travel[after], used[after] = last[0], last[2]
    speed = np.maximum(speed, 0.0)
    accel[1:-1] = (speed[2:] - speed[:-2]) / (2 * GRID_S)
    return travel, speed, accel, used


def _crossing(phases: list[_Phase], at_m: float) -> float:
    """Time at which the travelled distance reaches a beam [s]."""
    for phase in phases:
        if phase.solution.at(phase.end)[0] >= at_m:
            ahead = lambda t, phase=phase: phase.solution.at(t)[0] - at_m  # noqa: E731
            return float(brentq(ahead, phase.start, phase.end, xtol=1e-12))
    raise ValueError("the car never reaches the beam")


def _slow(
    run: _Pass, slow: Array, time: Array, travel: Array, speed: Array, accel: Array, used: Array, heat: Heat
) -> dict[str, Array]:
    """Throttle, current, voltage, wheel speed and heat, every 10 ms."""
    step = round(HEAT_STEP_S / GRID_S)
    v, density, drive = speed[::step], run.air.density_kgm3, run.car.drive
    grip = run.car.grip_n(travel[::step], v, density)
    throttle = run.throttle(slow)
    point = drive.at(v, throttle, used[::step], grip)
    # what the tyres do, driving or braking: all that moves the car but air and rolling
    at_tyre = run.car.inertia_kg * accel[::step] + run.car.resistance_n(v, run.air.head_at(slow), density)
    copper = getattr(getattr(drive, "motor", None), "resistance_ohm", 0.0)
    switch = getattr(drive, "controller_ohm", 0.0)
    power = point.motor_current_a**2
    return {
        "throttle": throttle, "current": point.pack_current_a, "voltage": point.pack_voltage_v,
        "motor": warm(
            slow, power * copper, heat.motor_start_c, heat.air_c, heat.motor_jpk, heat.motor_kpw
        ),
        "controller": warm(
            slow, power * switch * 2.0, heat.controller_start_c, heat.air_c, heat.controller_jpk,
            heat.controller_kpw,
        ),
        "wheel": wheel_rpm(run.car, v, at_tyre / np.maximum(grip, 1.0)),
    }  # fmt: skip


def warm(time: Array, power: Array, start: float, air: float, capacity: float, resistance: float) -> Array:
    """First-order heating, exact for a power that is constant over each step."""
    keep = math.exp(-(time[1] - time[0]) / (capacity * resistance))
    held = start
    found = [held]
    for settled in (air + power[:-1] * resistance).tolist():
        held = settled + (held - settled) * keep
        found.append(held)
    return np.array(found)


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
