"""Bursts of wheelspin in a wheel log: a hump on its speed that no car can drive.

A driven wheel that loses its grip speeds up and falls back within half a second. A hump (sine squared)
is fitted beside a parabola to every short stretch, by least squares, as one correlation a width. A lift, a
kink in the speed, leaves a small hump beside a parabola too: the acceptable size grows with that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def spinning(time_s: Array, speed_mps: Array, settings: FusionSettings) -> Mask:
    """(N,) readings within a burst of wheelspin, of a wheel's speed at a nearly even rate."""
    found = np.zeros(len(time_s), dtype=bool)
    if len(time_s) < 8:
        return found
    step = float(np.median(np.diff(time_s)))
    noise = _noise(speed_mps)
    for _ in range(settings.spin_most):
        best = max(
            (_highest(speed_mps, found, step, width, noise, settings) for width in settings.spin_widths_s),
            key=lambda item: item[0],
        )
        excess, first, last = best
        if excess <= 1.0:
            break
        found[first:last] = True
    return found


def _noise(values: Array) -> float:
    """Robust standard deviation of white noise: third differences have 20 times its variance."""
    third = np.diff(values, 3)
    return float(max(np.median(np.abs(third)) / 0.6745 / np.sqrt(20.0), 1e-3))


def _highest(
    speed: Array, known: Mask, step: float, width_s: float, noise: float, settings: FusionSettings
) -> tuple[float, int, int]:
    """The clearest hump of one width: its height over the acceptable one, and its readings [first, last)."""
    hump = max(round(width_s / step), 2) + 1
    side = max(round(settings.spin_side_s / step), 3)
    length = hump + 2 * side
    if len(speed) < length:
        return 0.0, 0, 0
    probe = _probe(hump, side)
    height = np.correlate(speed, probe, mode="valid")
    clear = np.correlate(known.astype(float), np.ones(length), mode="valid") < 0.5
    kink = settings.spin_kink_mps2 * step * _kink(probe)
    limit = kink + settings.spin_sds * noise * float(np.linalg.norm(probe))
    excess = np.where(clear, height / limit, 0.0)
    at = int(np.argmax(excess))
    return float(excess[at]), at + side, at + side + hump


def _kink(probe: Array) -> float:
    """The hump that a kink of the speed by 1 a step, anywhere in the stretch, stands beside a parabola, in steps."""
    at = np.arange(len(probe))
    bent = -np.abs(at[:, None] - at[None, :]) / 2
    return float(np.max(bent @ probe))


def _probe(hump: int, side: int) -> Array:
    """(n,) weights that give the height of the hump beside a parabola, by least squares."""
    t = np.linspace(-1.0, 1.0, hump + 2 * side)
    shape = np.zeros(len(t))
    shape[side : side + hump] = np.sin(np.pi * (np.arange(hump) + 0.5) / hump) ** 2
    design = np.column_stack([np.ones_like(t), t, t**2, shape])
    return np.asarray(np.linalg.pinv(design)[3])
