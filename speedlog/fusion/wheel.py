"""A wheel log against the motion that the GNSS loggers saw: its clock, its scale, its slip.

The offset is found twice: coarsely, by the correlation of both speeds over everything the logs
hold (Pearson's, over the overlap, so that no scale is needed and a log of several passes falls into
place by their pattern), then finely, by least squares together with scale, growth and slip. A
straight ramp would fix the offset only together with the scale; a pass has both rise and fall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import WheelSource, used_by
from speedlog.fusion.spin import spinning
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CoarseOffset:
    """Seconds to add to the wheel log's time, the correlation there, and the best elsewhere."""

    offset_s: float
    correlation: float
    runner_up: float


@dataclass(frozen=True, eq=False)
class WheelFit:
    """A wheel log on the common clock, with how well it follows the GNSS speed."""

    source: WheelSource
    offset_s: float
    residual_mps: float


def coarse_offset(
    wheel_time: Array, tread_mps: Array, time: Array, speed_mps: Array, settings: FusionSettings
) -> CoarseOffset | None:
    """Where the wheel's speed looks most like the GNSS speed; None where nothing overlaps enough.

    Args:
        wheel_time, tread_mps: (N,) on the wheel log's clock; any constant factor in the speed.
        time, speed_mps: (M,) on the common clock; NaN speed between passes.
    """
    hz = settings.wheel_grid_hz
    wheel, wheel_known = _on_grid(wheel_time, tread_mps, hz)
    gnss, gnss_known = _on_grid(time, speed_mps, hz)
    over_overlap = _correlated
    count = over_overlap(gnss_known, wheel_known)

    with np.errstate(divide="ignore", invalid="ignore"):
        mean_g, mean_w = over_overlap(gnss, wheel_known) / count, over_overlap(gnss_known, wheel) / count
        var_g = over_overlap(gnss**2, wheel_known) / count - mean_g**2
        var_w = over_overlap(gnss_known, wheel**2) / count - mean_w**2
        likeness = (over_overlap(gnss, wheel) / count - mean_g * mean_w) / np.sqrt(var_g * var_w)
    # the overlap must hold most of what can overlap, and most of the GNSS speed's ups and downs
    enough = count > settings.wheel_least_overlap * min(wheel_known.sum(), gnss_known.sum())
    enough &= var_g > settings.wheel_least_variance * np.var(gnss[gnss_known > 0])
    likeness = np.where(enough & np.isfinite(likeness) & (var_w > 1e-9), likeness, -1.0)
    best = int(np.argmax(likeness))
    if likeness[best] < settings.wheel_least_likeness:
        return None
    shift = (best - (len(wheel) - 1)) / hz
    far = np.abs(np.arange(len(likeness)) - best) > settings.wheel_rival_s * hz
    rival = float(likeness[far].max()) if far.any() else -1.0
    return CoarseOffset(float(time[0] + shift - wheel_time[0]), float(likeness[best]), rival)


def _correlated(one: Array, two: Array) -> Array:
    """(N + M - 1,) sums of products at every shift of `two` along `one`, by the fast Fourier transform.

    The same as scipy.signal.correlate; that module alone takes longer to import than a pass to review.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    count = len(one) + len(two) - 1
    size = next_fast_len(count, real=True)
    return np.asarray(irfft(rfft(one, size) * rfft(two[::-1], size), size)[:count])


def _on_grid(time: Array, values: Array, hz: float) -> tuple[Array, Array]:
    """(values on an even grid with 0 where unknown, 1 where known)."""
    at = np.rint((time - time[0]) * hz).astype(np.int64)
    known = np.isfinite(values)
    size = int(at[-1]) + 1
    total = np.bincount(at[known], weights=values[known], minlength=size)
    count = np.bincount(at[known], minlength=size)
    grid = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    # a log slower than the grid leaves holes: bridged up to a second, no further
    filled, have = np.arange(size), np.flatnonzero(count > 0)
    line = np.interp(filled, have, grid[have])
    nearest = np.minimum(
        filled - have[np.maximum(np.searchsorted(have, filled, "right") - 1, 0)],
        have[np.minimum(np.searchsorted(have, filled, "left"), len(have) - 1)] - filled,
    )
    mask = (np.abs(nearest) <= hz / 2).astype(float)
    return line * mask, mask


def fit_wheel(
    wheel_time: Array, tread_mps: Array, offset_s: float, time: Array, speed_mps: Array, accel_mps2: Array,
    trusted: NDArray[np.bool_], settings: FusionSettings,
) -> WheelFit | None:  # fmt: skip
    """Offset, scale, growth and slip of a wheel log over one pass, by robust least squares.

    Args:
        wheel_time, tread_mps: (N,) the log around the pass, on its own clock.
        offset_s: coarse offset.
        time, speed_mps, accel_mps2: (M,) the motion by GNSS.
        trusted: (M,) where GNSS readings stand behind the motion (not inside a gap).
    """
    from scipy.optimize import minimize_scalar

    moving = speed_mps > settings.wheel_fit_from * float(np.max(speed_mps))
    if (moving & trusted).sum() < 10:
        return None
    t, v, a = time[moving & trusted], speed_mps[moving & trusted], accel_mps2[moving & trusted]

    def misfit(offset: float) -> float:
        return _scale_at(offset, wheel_time, tread_mps, t, v, a, settings)[1]

    reach = settings.wheel_search_s
    grid = offset_s + np.linspace(-reach, reach, 25)
    cost = np.array([misfit(x) for x in grid])
    at = int(np.argmin(cost))
    step = grid[1] - grid[0]
    found = minimize_scalar(misfit, bounds=(grid[at] - step, grid[at] + step), method="bounded",
                            options={"xatol": 1e-4})  # fmt: skip
    offset = float(found.x)
    (scale, growth, slip), residual = _scale_at(offset, wheel_time, tread_mps, t, v, a, settings)
    if not scale > 0:
        return None
    # misfits follow one another, so the textbook uncertainty is widened
    offset_u = settings.wheel_offset_widening * residual / max(float(np.sqrt(np.sum(a**2))), 1e-6)
    inside = (wheel_time + offset > time[0]) & (wheel_time + offset < time[-1])
    thin_time, thin_tread = _thinned(wheel_time[inside] + offset, tread_mps[inside], settings)
    sound = ~spinning(thin_time, scale * thin_tread, settings)
    thin_time, thin_tread = thin_time[sound], thin_tread[sound]
    if len(thin_time) < 4:
        return None
    source = WheelSource(thin_time, thin_tread, scale, growth, slip, min(float(offset_u), 0.05))
    return WheelFit(source, offset, residual)


def _scale_at(
    offset: float, wheel_time: Array, tread: Array, t: Array, v: Array, a: Array, settings: FusionSettings
) -> tuple[tuple[float, float, float], float]:
    """Scale, growth and slip that fit best at this offset, and the misfit (root mean square, m/s)."""
    w = np.interp(t - offset, wheel_time, tread, left=np.nan, right=np.nan)
    ok = np.isfinite(w) & (w > 0)
    if ok.sum() < 10:
        return (0.0, 0.0, 0.0), np.inf
    w, v, a = w[ok], v[ok], a[ok]
    first = float(np.median(v / w))
    top = float(w.max())
    design = np.column_stack([w, w**3, w * used_by(w, a, settings)])
    # a pass can't tell growth from scale when its speeds are alike: both are held to what tyres do
    prior = np.array(
        [1e-6, 1 / (settings.wheel_growth_sd * first / top**2), 1 / (settings.wheel_slip_sd * first)]
    )
    target = v
    weight = np.ones(len(v))
    best = np.array([first, 0.0, 0.0])
    for _ in range(4):
        spread = max(float(np.sqrt(np.average((target - design @ best) ** 2, weights=weight))), 0.02)
        left = np.vstack([design * np.sqrt(weight)[:, None] / spread, np.diag(prior)])
        right = np.concatenate([target * np.sqrt(weight) / spread, [first * 1e-6, 0.0, 0.0]])
        best = np.linalg.lstsq(left, right, rcond=None)[0]
        misfit = np.abs(target - design @ best)
        limit = 1.5 * max(float(np.median(misfit)) / 0.6745, 0.02)
        weight = np.minimum(1.0, limit / np.maximum(misfit, 1e-9))
    residual = float(np.sqrt(np.average((target - design @ best) ** 2, weights=weight)))
    return (float(best[0]), float(best[1]), float(best[2])), residual


def _thinned(time: Array, values: Array, settings: FusionSettings) -> tuple[Array, Array]:
    """Means over blocks, so that a fast log costs no more nodes than a GNSS logger."""
    block = (
        np.floor((time - time[0]) * settings.wheel_thin_hz + 1e-3).astype(np.int64)
        if len(time)
        else time.astype(int)
    )
    known = np.isfinite(values)
    if not known.any():
        return time[:0], values[:0]
    block, time, values = block[known], time[known], values[known]
    _, at, count = np.unique(block, return_inverse=True, return_counts=True)
    return np.bincount(at, weights=time) / count, np.bincount(at, weights=values) / count
