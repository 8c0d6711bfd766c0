"""Through the trap and to the peak: times, speeds and intervals from the posterior of the motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from speedlog.fusion.estimate import Motion
from speedlog.fusion.motion import ACCEL, ALONG, SPEED

Array = NDArray[np.float64]
_TAIL = 0.025
_LONGEST_SAMPLING_S = 1.0


@dataclass(frozen=True)
class Passage:
    """The trap by the estimate: mean speed (length over time), its interval, the beams' times."""

    speed_mps: float
    low_mps: float
    high_mps: float
    entry_s: float
    exit_s: float
    exit_accel_mps2: float


@dataclass(frozen=True)
class Top:
    """The fastest moment by the estimate."""

    speed_mps: float
    low_mps: float
    high_mps: float
    time_s: float
    travel_m: float


def trap_passage(
    motion: Motion, entry_m: float, exit_m: float, place_u_m: float, widening: float = 1.0
) -> Passage | None:
    """Mean speed between two beams, at `entry_m` and `exit_m` of travel; None where the motion misses one.

    Each hypothesis gives its own crossing times, and the variance of their difference by the first
    order: a position off by ds crosses ds / v early (GUM, JCGM 100:2008, 5.1.2 and 5.2.2, the
    covariance of both crossings included). The interval is the mixture's own, not a sum of widths.

    Args:
        entry_m, exit_m: travel at the beams.
        place_u_m: standard uncertainty of where the trap lies in the logs' frame.
        widening: of the interval, for what the model leaves out.
    """
    found, length = motion.smoothed, exit_m - entry_m
    rows: list[tuple[float, float, float, float, float, float]] = []
    for h in range(len(found.weight)):
        into = _crossing(motion.time_s, found.mean[:, h], entry_m)
        out = _crossing(motion.time_s, found.mean[:, h], exit_m)
        if into is None or out is None or out.time_s <= into.time_s:
            continue
        lasting = out.time_s - into.time_s
        speed = length / lasting
        spread = _variance_of_difference(motion, h, into, out)
        # the trap stands elsewhere than the course says: both beams move together
        shift = place_u_m * (1 / out.speed_mps - 1 / into.speed_mps)
        sd = speed / lasting * np.sqrt(spread + shift**2)
        rows.append((found.weight[h], speed, sd, into.time_s, out.time_s, out.accel_mps2))
    if not rows:
        return None
    weight, speed, sd, entry_s, exit_s, accel = np.array(rows).T
    weight = weight / weight.sum()
    mean, low, high = _centre_and_interval(weight, speed, sd, widening)
    return Passage(mean, low, high, float(weight @ entry_s), float(weight @ exit_s), float(weight @ accel))


def top_speed(motion: Motion, widening: float = 1.0) -> Top:
    """The fastest node of each hypothesis, as a mixture.

    A sharp peak hides between two epochs: with speed rising at a and falling at b, sampling loses
    up to a b h / (a + b) of it over an interval h, evenly likely (sd: over sqrt 12). How much the
    estimate wins back of that hangs on the lift's exact moment, so all of it counts as uncertain.
    Over a gap the hypotheses themselves hold the question open, so no more than a second counts.
    """
    found = motion.smoothed
    speed, every = found.mean[:, :, SPEED], np.arange(len(found.weight))
    at = np.argmax(speed, axis=0)
    value = speed[at, every]
    hidden = np.array([_hidden_in_sampling(motion, h, int(k)) for h, k in enumerate(at)])
    sd = np.sqrt(found.cov[at, every, SPEED, SPEED] + hidden**2)
    mean, low, high = _centre_and_interval(found.weight, value, sd, widening)
    return Top(
        mean, low, high,
        float(found.weight @ motion.time_s[at]), float(found.weight @ found.mean[at, every, ALONG]),
    )  # fmt: skip


def _hidden_in_sampling(motion: Motion, h: int, peak: int) -> float:
    """Standard deviation of what sampling may hide of a peak, m/s."""
    moment = float(motion.time_s[peak])
    after = int(np.clip(np.searchsorted(motion.heard_s, moment), 1, len(motion.heard_s) - 1))
    interval = min(float(motion.heard_s[after] - motion.heard_s[after - 1]), _LONGEST_SAMPLING_S)
    accel = motion.smoothed.mean[:, h, ACCEL]
    first, last = np.searchsorted(motion.time_s, [moment - interval, moment + interval])
    rising = max(float(accel[max(int(first) - 1, 0)]), 0.0)
    falling = max(-float(accel[min(int(last) + 1, len(accel) - 1)]), 0.0)
    loss = rising * falling / (rising + falling) * interval if rising and falling else 0.0
    return loss / float(np.sqrt(12))


def _centre_and_interval(
    weight: Array, value: Array, sd: Array, widening: float
) -> tuple[float, float, float]:
    """Mean of the mixture and its interval, widened round it.

    A hypothesis of little weight far off can drag the mean out of the interval; it is held inside.
    """
    low, high = mixture_interval(weight, value, sd)
    mean = float(np.clip(weight @ value, low, high))
    return mean, mean + widening * (low - mean), mean + widening * (high - mean)


def mixture_interval(weight: Array, mean: Array, sd: Array) -> tuple[float, float]:
    """The central 95 % of a mixture of normals, by bisection of its distribution function."""
    sd = np.maximum(sd, 1e-12)

    def quantile(share: float) -> float:
        low, high = float((mean - 10 * sd).min()), float((mean + 10 * sd).max())
        for _ in range(80):
            middle = (low + high) / 2
            if float(weight @ ndtr((middle - mean) / sd)) < share:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    return quantile(_TAIL), quantile(1 - _TAIL)


@dataclass(frozen=True)
class _Crossing:
    node: int  # the crossing lies between this node and the next
    share: float  # how far along that step
    time_s: float
    speed_mps: float
    accel_mps2: float


def _crossing(time: Array, state: Array, at_m: float) -> _Crossing | None:
    """Where one hypothesis passes `at_m` for the first time at speed; between nodes a cubic."""
    travel, speed, accel = state[:, ALONG], state[:, SPEED], state[:, ACCEL]
    after = np.flatnonzero((travel[1:] >= at_m) & (travel[:-1] < at_m) & (speed[1:] > 0))
    if not len(after):
        return None
    # the car may creep over a beam while it is set down: the crossing at speed is the fastest one
    k = int(after[np.argmax(speed[after])])
    step = float(time[k + 1] - time[k])
    x = float((at_m - travel[k]) / (travel[k + 1] - travel[k]))
    for _ in range(4):  # Newton on the Hermite cubic through both nodes' places and speeds
        place, slope = _hermite(x, step, travel[k : k + 2], speed[k : k + 2])
        x = float(np.clip(x - (place - at_m) / max(slope * step, 1e-9), 0.0, 1.0))
    _, slope = _hermite(x, step, travel[k : k + 2], speed[k : k + 2])
    return _Crossing(
        k, x, float(time[k] + x * step), max(slope, 0.1), float((1 - x) * accel[k] + x * accel[k + 1])
    )


def _hermite(x: float, step: float, place: Array, speed: Array) -> tuple[float, float]:
    """Place and speed at share x of a step, by the cubic through both ends' places and speeds."""
    gone = float(place[1] - place[0])
    v0, v1 = float(speed[0]) * step, float(speed[1]) * step
    c2, c3 = 3 * gone - 2 * v0 - v1, v0 + v1 - 2 * gone
    return float(place[0]) + x * (v0 + x * (c2 + x * c3)), (v0 + x * (2 * c2 + 3 * x * c3)) / step


def _variance_of_difference(motion: Motion, h: int, into: _Crossing, out: _Crossing) -> float:
    """Variance of exit time minus entry time, s²."""
    points = [
        (into.node, -(1 - into.share) / into.speed_mps), (into.node + 1, -into.share / into.speed_mps),
        (out.node, (1 - out.share) / out.speed_mps), (out.node + 1, out.share / out.speed_mps),
    ]  # fmt: skip
    total = 0.0
    for one, weight_one in points:
        for two, weight_two in points:
            total += weight_one * weight_two * _along_covariance(motion, h, min(one, two), max(one, two))
    return max(total, 0.0)


def _along_covariance(motion: Motion, h: int, one: int, two: int) -> float:
    """Covariance of the places at two nodes: cov(x_j, x_k) = G_j … G_{k-1} P_k."""
    found = motion.smoothed
    row = np.zeros(found.mean.shape[2])
    row[ALONG] = 1.0
    for k in range(one, two):
        row = row @ found.gain[k, h]
    return float(row @ found.cov[two, h, :, ALONG])
