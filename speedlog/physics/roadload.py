"""What holds a car back, and how its pull fades while it gathers speed.

Along a line, m dv/dt = F - F0 - F2 v² with m the mass and the turning parts' share (the two-term
road load of SAE J1263). Divided by m: dv/dt = f - r - k v², with r = F0 / m in m/s² and
k = F2 / m = rho CdA / (2 m) in 1/m.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def coasting_accel(speed_mps: Array, drag_per_m: float, rolling_mps2: float) -> Array:
    """(N,) m/s² of a car without power: -(r + k v²)."""
    return np.asarray(-(rolling_mps2 + drag_per_m * np.square(speed_mps)))


def fading_at_constant_power(
    speed_mps: float, accel_mps2: float, drag_per_m: float, rolling_mps2: float
) -> float:
    """1/s by which the acceleration falls off, -(da/dt)/a, at constant power.

    With a = p / v - r - k v², da/dt = (-p / v² - 2 k v) a, and p / v = a + r + k v².
    """
    pull = accel_mps2 + rolling_mps2 + drag_per_m * speed_mps**2
    return float(pull / speed_mps + 2 * drag_per_m * speed_mps)


def fading_at_constant_force(speed_mps: float, drag_per_m: float) -> float:
    """1/s by which the acceleration falls off at constant drive force: 2 k v."""
    return float(2 * drag_per_m * speed_mps)
