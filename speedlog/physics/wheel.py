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
