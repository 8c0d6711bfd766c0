"""A first-order thermal model, exact for power in steps.

C dT/dt = P - (T - T_air) / R, so with tau = R C: T = T_air + P R (1 - exp(-t / tau)) + (T0 - T_air) exp(-t / tau)
(any text on heat transfer, "lumped capacitance").
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def filtered(value: Array, step_s: float, time_constant_s: Array, start: float) -> Array:
    """(N, ...) y of tau dy/dt = u - y on an even grid, y[0] = `start`; u holds `value[k]` from k to k + 1.

    Exact for such steps: y[k+1] = y[k] keep + u[k] (1 - keep), keep = exp(-step / tau).

    Args:
        value: (N, ...) any shape that broadcasts with the time constants'.
        time_constant_s: (...) one or many at once.
    """
    keep = np.exp(-step_s / np.asarray(time_constant_s))
    taken = -np.expm1(-step_s / np.asarray(time_constant_s))
    out = np.empty((len(value), *np.broadcast_shapes(value.shape[1:], keep.shape)))
    out[0] = start
    for k in range(len(value) - 1):
        out[k + 1] = keep * out[k] + taken * value[k]
    return out


def following(value: Array, step_s: float, time_constant_s: Array, start: float) -> Array:
    """(N, ...) the same for a value that goes in a straight line from each grid point to the next.

    With the slope s, y = u1 - s tau + (y0 - u0 + s tau) exp(-h / tau). (Holding the value instead would delay it by
    half a step.)
    """
    tau = np.asarray(time_constant_s)
    keep = np.exp(-step_s / tau)
    out = np.empty((len(value), *np.broadcast_shapes(value.shape[1:], keep.shape)))
    out[0] = start
    for k in range(len(value) - 1):
        trail = (value[k + 1] - value[k]) / step_s * tau
        out[k + 1] = value[k + 1] - trail + keep * (out[k] - value[k] + trail)
    return out


def warmed(power: Array, step_s: float, tau_s: Array) -> Array:
    """(N, ...) warming in K of heat that comes at `power` (N,) K/s and leaves with tau: dT/dt = p - T / tau."""
    tau = np.asarray(tau_s)
    return filtered(power.reshape(-1, *(1,) * tau.ndim) * tau, step_s, tau, 0.0)


def soaking(winding: Array, sensor: Array, after_s: Array, tau_s: Array, lag_s: Array) -> Array:
    """Excess over the air that a sensor shows after the heating ended; all arguments broadcast.

    The winding cools as w exp(-t / tau); a sensor with the lag l that begins at s shows
    w tau / (tau - l) (exp(-t / tau) - exp(-t / l)) + s exp(-t / l).
    """
    apart = (
        np.abs(tau_s - lag_s) > 1e-6 * tau_s
    )  # equal constants have a limit; near it, the same to a millionth
    lag_s = np.where(apart, lag_s, tau_s * (1.0 - 1e-6))
    slow, quick = np.exp(-after_s / tau_s), np.exp(-after_s / lag_s)
    return np.asarray(winding * tau_s / (tau_s - lag_s) * (slow - quick) + sensor * quick)
