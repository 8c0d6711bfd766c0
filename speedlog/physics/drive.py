"""What drives the car: motor, controller, pack, traction. Floats or arrays; SI units, turns in rpm.

The brushless motor and its controller as the equivalent DC machine (any text on electric drives, for one
A. Hughes and B. Drury, "Electric Motors and Drives"): V = I R + ke w and T = ke (I - I0) with
ke = 60 / (2 pi kv). The pack is an open voltage behind a constant resistance, V = E - I R.
"""

from __future__ import annotations

from typing import Any

import numpy as np

G_MPS2 = 9.80665  # standard gravity, exact by definition (CGPM 1901)
TURNS = 2 * np.pi / 60.0  # rad/s of one rpm
GROWTH_RPM = 20_000.0  # wheel turns at which growth and the bend of ke are stated


def torque_constant(kv_rpm_per_v: Any) -> Any:
    """ke, V s/rad and N m/A: 60 / (2 pi kv)."""
    return 1.0 / (TURNS * kv_rpm_per_v)


def open_voltage(full_v: Any, fall_v_per_ah: Any, used_as: Any) -> Any:
    """V of the pack without load, after `used_as` ampere-seconds."""
    return full_v - fall_v_per_ah * used_as / 3600.0


def pack_current(open_v: Any, pack_ohm: Any, power_w: Any) -> Any:
    """A that a pack gives for a power at its terminals: the smaller root of P = I (E - I R)."""
    left = np.maximum(open_v * open_v - 4 * pack_ohm * power_w, 0.0)
    # 2 P / (E + root) and not (E - root) / 2 R: no difference of nearly equal numbers, and R = 0 is allowed
    return 2 * power_w / (open_v + np.sqrt(left))


def current_at_full_voltage(open_v: Any, emf_v: Any, winding_ohm: Any, pack_ohm: Any) -> Any:
    """A in the motor with all of the pack's voltage on it: (E - ke w) / (R + R pack)."""
    return (open_v - emf_v) / (winding_ohm + pack_ohm)


def current_at_pack_limit(open_v: Any, emf_v: Any, winding_ohm: Any, pack_ohm: Any, limit_a: Any) -> Any:
    """A in the motor when the pack gives its limit: the root of I (ke w + I R) = L (E - L R pack)."""
    power = limit_a * (open_v - limit_a * pack_ohm)
    left = np.sqrt(np.maximum(emf_v * emf_v + 4 * winding_ohm * power, 0.0))
    return 2 * power / np.maximum(emf_v + left, 1e-9)


def motor_efficiency(voltage_v: Any, current_a: Any, winding_ohm: Any, idle_a: Any) -> Any:
    """Shaft power over electric power: (V - I R)(I - I0) / (V I)."""
    return (voltage_v - current_a * winding_ohm) * (current_a - idle_a) / (voltage_v * current_a)


def best_current(voltage_v: Any, winding_ohm: Any, idle_a: Any) -> Any:
    """A at which the efficiency is greatest: sqrt(I0 V / R)."""
    return np.sqrt(idle_a * voltage_v / winding_ohm)


def traction_limit(
    weight_n: Any, downforce_n: Any, friction: Any, driven_share: Any, lever: Any
) -> Any:  # fmt: skip
    """N that the driven tyres hold, with the load that acceleration moves to the rear.

    The driven (rear) axle carries N = s W + F h / L, and F = mu N; so F = mu s W / (1 - mu h / L). With all
    wheels driven (s = 1) what one axle gains the other loses: F = mu W (T. D. Gillespie, "Fundamentals of
    Vehicle Dynamics", on traction-limited acceleration).

    Args:
        driven_share: s, share of the load on the driven wheels at rest; 1 with all driven.
        lever: h / L, height of the centre of mass over the wheelbase.
    """
    moved = np.where(np.asarray(driven_share) < 1.0, friction * lever, 0.0)
    held = friction * driven_share * (weight_n + downforce_n) / np.maximum(1.0 - moved, 0.1)
    return np.minimum(held, friction * (weight_n + downforce_n))  # then the front wheels are in the air


def wheel_rpm(speed_mps: Any, standing_radius_m: Any, growth: Any) -> Any:
    """Turns a minute of a free-rolling wheel whose radius grows as r0 (1 + g (n / 20,000)²).

    Solves n (1 + g (n / 20,000)²) = v / (2 pi r0) by Newton's method, n <- (2 g n³ + b) / (1 + 3 g n²), from the bare
    turns b: four steps leave 1e-12 of n where the wheel grows by a quarter. It is the most often asked of all.
    """
    bare = speed_mps / (standing_radius_m * (TURNS * GROWTH_RPM))
    turns = bare
    for _ in range(4):
        grown = growth * turns * turns
        turns = (2.0 * grown * turns + bare) / (1.0 + 3.0 * grown)
    return GROWTH_RPM * turns
