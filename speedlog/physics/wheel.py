"""Wheel speed from motor turns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def wheel_speed(rpm: NDArray[np.float64], diameter_m: float, gear_ratio: float) -> NDArray[np.float64]:
    """(N,) m/s of a wheel's tread: v = pi D n / 60 / gear.

    Args:
        rpm: (N,) motor turns a minute.
        diameter_m: of the wheel.
        gear_ratio: motor turns per wheel turn.
    """
    return np.asarray(np.pi * diameter_m * rpm / 60.0 / gear_ratio, dtype=float)


def grip_used(
    speed_mps: NDArray[np.float64],
    accel_mps2: NDArray[np.float64],
    drag_per_m: float,
    rolling_mps2: float,
    downforce_per_m2: float,
) -> NDArray[np.float64]:
    """(N,) m/s²: the tyres' force along the car for each kg, over how far downforce loads them.

    Force / mass = dv/dt + r + k v² (`speedlog.physics.roadload`); load / weight = 1 + c v². At small slip,
    slip goes with force over load (the linear part of any tyre curve; SAE J670 for the terms).
    """
    force = accel_mps2 + rolling_mps2 + drag_per_m * np.square(speed_mps)
    return np.asarray(force / (1 + downforce_per_m2 * np.square(speed_mps)))
