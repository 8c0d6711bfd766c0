"""The simulated car: motor, pack, tyres and body. SI units; floats or arrays.

What the integrator asks thousands of times (head wind, push of the drive) has a twin on plain floats,
a function with its constants worked out once (`quick_head`, `Drive.quick`); a test holds them equal.

Equations: the standard DC machine (torque from current, back-EMF from speed), a pack of constant
resistance whose open voltage falls with the charge used, quadratic drag on air speed, constant
rolling resistance, a friction limit. Written here separately from `speedlog.physics`, on purpose.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

# (speed, throttle, charge used, grip) -> (force at the tyre [N], pack current [A])
Push = Callable[[float, float, float, float], tuple[float, float]]
GRAVITY_MPS2 = 9.80665


@dataclass(frozen=True)
class Air:
    """Density [kg/m³], mean head wind [m/s], gusts as (amplitude m/s, frequency Hz, phase rad)."""

    density_kgm3: float = 1.2
    head_wind_mps: float = 0.0
    gusts: tuple[tuple[float, float, float], ...] = ()

    def head_at(self, time_s: Any) -> Any:
        """Head wind at a time, or at times (N,) [m/s]."""
        gusts = (a * np.sin(2 * math.pi * f * time_s + p) for a, f, p in self.gusts)
        return sum(gusts, self.head_wind_mps + 0.0 * time_s)

    def quick_head(self) -> Callable[[float], float]:
        """`head_at` for one plain float."""
        mean, sine, turn = self.head_wind_mps, math.sin, 2 * math.pi
        if len(self.gusts) != 3:
            return lambda time_s: float(self.head_at(time_s))
        (a, f, p), (b, g, q), (c, h, r) = self.gusts
        f, g, h = turn * f, turn * g, turn * h
        return lambda t: mean + a * sine(f * t + p) + b * sine(g * t + q) + c * sine(h * t + r)


@dataclass(frozen=True)
class Motor:
    """A DC machine: V = I R + ke w, torque = ke (I - I0), ke = 60 / (2 pi kv)."""

    kv_rpm_per_v: float = 520.0
    resistance_ohm: float = 0.008
    idle_current_a: float = 5.0

    @property
    def ke(self) -> float:
        """Back-EMF and torque constant [V s/rad, N m/A]."""
        return 60.0 / (2 * math.pi * self.kv_rpm_per_v)

    def current_at(self, voltage_v: float, omega_rad_s: float) -> float:
        """Current that a voltage drives at a speed [A]."""
        return (voltage_v - self.ke * omega_rad_s) / self.resistance_ohm

    def torque(self, current_a: float) -> float:
        """Shaft torque [N m]."""
        return self.ke * (current_a - self.idle_current_a)


@dataclass(frozen=True)
class Pack:
    """Open voltage when full, resistance, and the fall of the open voltage with charge used."""

    open_v: float = 49.8
    resistance_ohm: float = 0.006
    fall_v_per_ah: float = 0.9


@dataclass(frozen=True)
class DrivePoint:
    """What the drive does at one moment: force at the tyre, currents, pack voltage."""

    force_n: Any
    motor_current_a: Any
    pack_current_a: Any
    pack_voltage_v: Any


class Drive(Protocol):
    """Anything that pushes the car."""

    def at(self, speed_mps: Any, throttle: Any, used_as: Any, grip_n: Any) -> DrivePoint:
        """The working point at one moment or at many, (N,); charge used [A s], what the tyres hold [N]."""

    def quick(self) -> Push:
        """Force and pack current alone, for plain floats."""


@dataclass(frozen=True)
class ElectricDrive:
    """Motor, pack and speed controller, through a gear and the driven wheels.

    The controller holds the motor current below `phase_limit_a` and the pack current below
    `pack_limit_a`; throttle scales both. Where the tyres can't hold it, the driver's traction
    control cuts the motor current to what they hold.
    """

    motor: Motor = field(default_factory=Motor)
    pack: Pack = field(default_factory=Pack)
    gear_ratio: float = 1.0
    wheel_radius_m: float = 0.046
    efficiency: float = 0.95
    phase_limit_a: float = 260.0
    pack_limit_a: float = 240.0
    controller_ohm: float = 0.0015

    @property
    def pull_npa(self) -> float:
        """Force at the tyre per ampere in the motor [N/A]."""
        return self.motor.ke * self.gear_ratio * self.efficiency / self.wheel_radius_m

    def at(self, speed_mps: Any, throttle: Any, used_as: Any, grip_n: Any) -> DrivePoint:
        motor, pack = self.motor, self.pack
        open_v = pack.open_v - pack.fall_v_per_ah * used_as / 3600.0
        emf = motor.ke * speed_mps / self.wheel_radius_m * self.gear_ratio
        loss = motor.resistance_ohm + self.controller_ohm
        limit_a = self.pack_limit_a * np.maximum(throttle, 0.0)
        power = limit_a * (open_v - limit_a * pack.resistance_ohm)
        limits = (
            self.phase_limit_a * throttle,
            (open_v - emf) / (loss + pack.resistance_ohm),
            (np.sqrt(emf * emf + 4 * loss * power) - emf) / (2 * loss),
            grip_n / self.pull_npa + motor.idle_current_a,
        )
        current = np.maximum(np.minimum.reduce(np.broadcast_arrays(*limits)), 0.0)
        current = np.where(np.greater(throttle, 0.0), current, 0.0)
        drawn = current * (emf + current * loss)
        root = open_v * open_v - 4 * pack.resistance_ohm * drawn
        from_pack = (open_v - np.sqrt(np.maximum(root, 0.0))) / (2 * pack.resistance_ohm)
        force = self.pull_npa * np.maximum(current - motor.idle_current_a, 0.0)
        return DrivePoint(force, current, from_pack, open_v - from_pack * pack.resistance_ohm)

    def quick(self) -> Push:
        full_v, fall, ohm = self.pack.open_v, self.pack.fall_v_per_ah / 3600.0, self.pack.resistance_ohm
        back = self.motor.ke / self.wheel_radius_m * self.gear_ratio
        loss, idle, pull = (
            self.motor.resistance_ohm + self.controller_ohm,
            self.motor.idle_current_a,
            self.pull_npa,
        )
        phase, limit, root = self.phase_limit_a, self.pack_limit_a, math.sqrt

        def push(speed: float, throttle: float, used: float, grip: float) -> tuple[float, float]:
            if throttle <= 0.0:
                return 0.0, 0.0
            open_v = full_v - fall * used
            emf = back * speed
            limit_a = limit * throttle
            current = phase * throttle
            least = (open_v - emf) / (loss + ohm)
            if least < current:
                current = least
            least = (root(emf * emf + 4 * loss * limit_a * (open_v - limit_a * ohm)) - emf) / (2 * loss)
            if least < current:
                current = least
            least = grip / pull + idle
            if least < current:
                current = least
            if current <= 0.0:
                return 0.0, 0.0
            left = open_v * open_v - 4 * ohm * current * (emf + current * loss)
            from_pack = (open_v - (root(left) if left > 0.0 else 0.0)) / (2 * ohm)
            return (pull * (current - idle) if current > idle else 0.0), from_pack

        return push


@dataclass(frozen=True)
class Tow:
    """A constant force: a car towed to speed, and a case with a closed form."""

    force_n: float

    def at(self, speed_mps: Any, throttle: Any, used_as: Any, grip_n: Any) -> DrivePoint:
        force = np.minimum(self.force_n * throttle, grip_n)
        return DrivePoint(force, 0.0 * force, 0.0 * force, 0.0 * force)

    def quick(self) -> Push:
        full = self.force_n
        return lambda speed, throttle, used, grip: (min(full * throttle, grip), 0.0)


@dataclass(frozen=True)
class Tyre:
    """Wheel and tyre as the wheel log shows them.

    Radius grows as standing radius * (1 + growth * (n / 20000 rpm)²); slip under power is
    `slip_at_limit` times the share of the grip that is used.
    """

    standing_radius_m: float = 0.044
    growth: float = 0.04
    slip_at_limit: float = 0.05


@dataclass(frozen=True)
class Bump:
    """A place where the driven wheels lose the ground: they push less, and spin up."""

    at_m: float
    length_m: float = 6.0
    unloading: float = 0.8
    spin: float = 0.12

    def depth(self, travel_m: Any) -> Any:
        """How far the wheels are unloaded there, 0 to `unloading`."""
        return self.unloading * np.exp(-0.5 * ((travel_m - self.at_m) / (self.length_m / 2.5)) ** 2)


@dataclass(frozen=True)
class Car:
    """Mass, the rotating parts' equivalent mass, drag area, rolling coefficient, grip, drive, tyre."""

    mass_kg: float = 8.0
    rotating_kg: float = 0.5
    drag_area_m2: float = 0.012
    rolling: float = 0.02
    friction: float = 1.05
    driven_share: float = 1.0
    down_area_m2: float = 0.008
    drive: Drive = field(default_factory=ElectricDrive)
    tyre: Tyre = field(default_factory=Tyre)
    bump: Bump | None = None

    @property
    def inertia_kg(self) -> float:
        return self.mass_kg + self.rotating_kg

    def resistance_n(self, speed_mps: Any, head_mps: Any, density_kgm3: float) -> Any:
        """Drag and rolling resistance, against the car's motion [N]."""
        air = speed_mps + head_mps
        return (
            0.5 * density_kgm3 * self.drag_area_m2 * air * abs(air)
            + self.rolling * self.mass_kg * GRAVITY_MPS2
        )

    def grip_n(self, travel_m: Any, speed_mps: Any, density_kgm3: float) -> Any:
        """The greatest force that the driven tyres hold [N]."""
        load = self.driven_share * self.mass_kg * GRAVITY_MPS2
        load += 0.5 * density_kgm3 * self.down_area_m2 * speed_mps * speed_mps
        return self.friction * load * (1.0 - (self.bump.depth(travel_m) if self.bump else 0.0))

    def quick_resistance(self, density_kgm3: float) -> Callable[[float, float], float]:
        """`resistance_n` at a density, for plain floats."""
        drag, roll = 0.5 * density_kgm3 * self.drag_area_m2, self.rolling * self.mass_kg * GRAVITY_MPS2
        return lambda speed, head: drag * (speed + head) * abs(speed + head) + roll

    def quick_grip(self, density_kgm3: float) -> Callable[[float, float], float]:
        """`grip_n` at a density, for plain floats."""
        still = self.friction * self.driven_share * self.mass_kg * GRAVITY_MPS2
        lift = self.friction * 0.5 * density_kgm3 * self.down_area_m2
        bump, exp = self.bump, math.exp
        if bump is None:
            return lambda travel, speed: still + lift * speed * speed
        centre, width, most = bump.at_m, bump.length_m / 2.5, bump.unloading

        def grip(travel: float, speed: float) -> float:
            left = 1.0 - most * exp(-0.5 * ((travel - centre) / width) ** 2)
            return (still + lift * speed * speed) * left

        return grip
