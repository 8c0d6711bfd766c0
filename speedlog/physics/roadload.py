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


def carried(
    along_m: Array, speed_mps: Array, accel_mps2: Array, extra_mps2: Array, drag_per_m: float, rolling_mps2: float,
    pull_law: float, start: float = 0.0,
) -> Array:  # fmt: skip
    """(N,) m²/s²: by how much v²/2 would differ at each place, had a little more acceleration been there.

    To first order, with e = v²/2 and pull F ~ v^-p: d(de)/dx = extra - de (2 k + p F / v²), F = a + r + k v². A pull
    of constant power (p = 1) forgets a push sooner than one of constant force (p = 0). At a terminal speed without
    rolling resistance a head wind w takes w off the latter and 2 w / 3 off the former.

    Args:
        along_m: (N,) distance, rising. speed_mps, accel_mps2: the pass as it was.
        extra_mps2: (N,) added acceleration. start: the difference at the first place.
    """
    square = np.maximum(np.square(speed_mps), 1.0)
    pull = np.maximum(accel_mps2 + rolling_mps2 + drag_per_m * np.square(speed_mps), 0.0)
    rate = 2 * drag_per_m + pull_law * pull / square
    out = np.empty(len(along_m))
    out[0] = held = start
    step = np.diff(along_m)
    # each step exact for a rate and an extra that are constant within it
    mid_rate, mid_extra = 0.5 * (rate[1:] + rate[:-1]), 0.5 * (extra_mps2[1:] + extra_mps2[:-1])
    keep = np.exp(-mid_rate * step)
    gained = mid_extra * np.where(
        mid_rate * step > 1e-9, -np.expm1(-mid_rate * step) / np.maximum(mid_rate, 1e-15), step
    )
    for k, (share, more) in enumerate(zip(keep.tolist(), gained.tolist(), strict=True)):
        held = share * held + more
        out[k + 1] = held
    return out


def coast_down(
    start_mps: float, time_s: Array, drag_per_m: float, rolling_mps2: float
) -> tuple[Array, Array]:
    """(N,) speed and distance of a car without power from `start_mps`, in closed form; (0, ·) once it stands.

    With b = sqrt(r/k), g = sqrt(r k), p = atan(v0/b): v = b tan(p - g t),
    x = ln(cos(p - g t) / cos p) / k (the two-term road load of SAE J1263, integrated).
    """
    b, g = np.sqrt(rolling_mps2 / drag_per_m), np.sqrt(rolling_mps2 * drag_per_m)
    phase = np.arctan(start_mps / b)
    left = np.maximum(phase - g * np.asarray(time_s, dtype=float), 0.0)
    return b * np.tan(left), np.log(np.cos(left) / np.cos(phase)) / drag_per_m


def coasting_distance(start_mps: float, end_mps: float, drag_per_m: float, rolling_mps2: float) -> float:
    """Metres from one speed to a lower one without power: ln((r + k v0²) / (r + k v1²)) / 2k."""
    top = rolling_mps2 + drag_per_m * start_mps**2
    return float(np.log(top / (rolling_mps2 + drag_per_m * end_mps**2)) / (2 * drag_per_m))


def run_up_at_constant_power(
    start_mps: float, end_mps: float, power_w_per_kg: float, drag_per_m: float
) -> float:
    """Metres from one speed to a higher one at constant power against drag alone.

    v² dv/dx = p - k v³, so x = ln((p - k v0³) / (p - k v1³)) / 3k.
    """
    left = power_w_per_kg - drag_per_m * end_mps**3
    return float(np.log((power_w_per_kg - drag_per_m * start_mps**3) / left) / (3 * drag_per_m))


def terminal_speed_at_constant_power(
    power_w_per_kg: float, drag_per_m: float, rolling_mps2: float, head_mps: float = 0.0
) -> float:
    """m/s at which p = (r + k (v + w)|v + w|) v."""
    from scipy.optimize import brentq

    def spare(v: float) -> float:
        return power_w_per_kg - (rolling_mps2 + drag_per_m * (v + head_mps) * abs(v + head_mps)) * v

    high = 1.0
    while spare(high) > 0:
        high *= 2
    return float(brentq(spare, 0.0, high, xtol=1e-12))
