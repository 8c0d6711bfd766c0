"""Through the trap and to the peak: times, speeds and intervals from the posterior of the motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from speedlog.fusion.estimate import Motion, Paths
from speedlog.fusion.motion import ACCEL, ALONG, SPEED

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_TAIL = 0.025


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

    Each path gives its own crossing times, and the variance of their difference by the first order: a
    position off by ds crosses ds / v early (GUM, JCGM 100:2008, 5.1.2 and 5.2.2, the covariance of
    both crossings included). The interval is the mixture's own, not a sum of widths.

    Args:
        entry_m, exit_m: travel at the beams.
        place_u_m: standard uncertainty of where the trap lies in the logs' frame.
        widening: of the interval, for what the model leaves out.
    """
    best: Array | None = None
    for stretch in motion.stretches:
        found = [
            rows for paths in stretch if (rows := _through(paths, entry_m, exit_m, place_u_m)) is not None
        ]
        if not found:
            continue
        rows = np.concatenate(found)
        # the car may creep over the beams while it is set down: the passage at speed is the fastest one
        if (
            best is None
            or rows[:, 0] @ rows[:, 1] / rows[:, 0].sum() > best[:, 0] @ best[:, 1] / best[:, 0].sum()
        ):
            best = rows
    if best is None:
        return None
    weight, speed, sd, entry_s, exit_s, accel = best.T
    weight = weight / weight.sum()
    mean, low, high = _centre_and_interval(weight, speed, sd, widening)
    return Passage(mean, low, high, float(weight @ entry_s), float(weight @ exit_s), float(weight @ accel))


def _through(paths: Paths, entry_m: float, exit_m: float, place_u_m: float) -> Array | None:
    """(H', 6) weight, speed, its sd, both times and the exit's acceleration of each path that crosses both."""
    into, out = _crossings(paths, entry_m), _crossings(paths, exit_m)
    ok = into.found & out.found & (out.time_s > into.time_s)
    if not ok.any():
        return None
    into, out = into.only(ok), out.only(ok)
    lasting = out.time_s - into.time_s
    speed = (exit_m - entry_m) / lasting
    spread = _variance_of_difference(paths, np.flatnonzero(ok), into, out)
    # the trap stands elsewhere than the course says: both beams move together
    shift = place_u_m * (1 / out.speed_mps - 1 / into.speed_mps)
    sd = speed / lasting * np.sqrt(spread + shift**2)
    return np.stack([paths.weight[ok], speed, sd, into.time_s, out.time_s, out.accel_mps2], axis=1)


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Where each path passes a place at speed: after which knot, at which share of the step."""

    found: NDArray[np.bool_]
    knot: Ints
    share: Array
    time_s: Array
    speed_mps: Array
    accel_mps2: Array

    def only(self, ok: NDArray[np.bool_]) -> _Crossings:
        return _Crossings(
            self.found[ok], self.knot[ok], self.share[ok], self.time_s[ok], self.speed_mps[ok],
            self.accel_mps2[ok],
        )  # fmt: skip


def _crossings(paths: Paths, at_m: float) -> _Crossings:
    travel, speed, accel = (paths.state[:, :, i] for i in (ALONG, SPEED, ACCEL))
    up = (travel[:, 1:] >= at_m) & (travel[:, :-1] < at_m) & (speed[:, 1:] > 0)
    k = np.argmax(np.where(up, speed[:, 1:], -np.inf), axis=1)
    every = np.arange(len(k))
    step = paths.time_s[k + 1] - paths.time_s[k]
    gone = travel[every, k + 1] - travel[every, k]
    v0, v1 = speed[every, k] * step, speed[every, k + 1] * step
    c2, c3 = 3 * gone - 2 * v0 - v1, v0 + v1 - 2 * gone  # the cubic through both places and speeds
    need = at_m - travel[every, k]
    x = np.clip(need / np.where(gone > 0, gone, 1.0), 0.0, 1.0)
    for _ in range(4):  # Newton
        slope = v0 + x * (2 * c2 + 3 * x * c3)
        x = np.clip(x - (x * (v0 + x * (c2 + x * c3)) - need) / np.maximum(slope, 1e-9), 0.0, 1.0)
    slope = v0 + x * (2 * c2 + 3 * x * c3)
    return _Crossings(
        np.asarray(up.any(axis=1)), k, x, paths.time_s[k] + x * step, np.maximum(slope / step, 0.1),
        (1 - x) * accel[every, k] + x * accel[every, k + 1],
    )  # fmt: skip


def _variance_of_difference(paths: Paths, which: Ints, into: _Crossings, out: _Crossings) -> Array:
    """(H,) variance of exit time minus entry time, s²."""
    knots = np.unique(np.concatenate([into.knot, into.knot + 1, out.knot, out.knot + 1]))
    rows, every = np.zeros((len(which), len(knots))), np.arange(len(which))
    for cross, sign in ((into, -1.0), (out, 1.0)):
        for later, share in ((0, 1 - cross.share), (1, cross.share)):
            at = np.searchsorted(knots, cross.knot + later)
            np.add.at(rows, (every, at), sign * share / cross.speed_mps)
    cov = _place_covariance(paths, knots)
    total = np.einsum("hi,ij,hj->h", rows, cov, rows)
    moved = np.einsum("hn,nhi->hi", rows, paths.response[knots, ALONG][:, paths.event[which]])
    total = total + np.einsum("hi,hij,hj->h", moved, paths.change_cov[which], moved)
    return np.asarray(np.maximum(total, 0.0))


def _place_covariance(paths: Paths, knots: Ints) -> Array:
    """(n, n) covariance of the places at some knots with no change, constants included."""
    d = paths.chain.diagonal.shape[1]
    at = (paths.first + knots) * d + ALONG
    right = np.zeros((paths.chain.diagonal.shape[0] * d, len(knots)))
    right[at, np.arange(len(knots))] = 1.0
    reach = paths.reach[at]
    return np.asarray(paths.chain.solve(right)[at] + reach @ paths.constant_cov @ reach.T)


def top_speed(motion: Motion, widening: float = 1.0) -> Top:
    """The fastest moment of each path, as a mixture.

    A path that lifts has its top at the lift, between two knots: it is taken where the pull ends.
    """
    tops = [np.concatenate([_tops(paths) for paths in stretch]) for stretch in motion.stretches]
    rows = max(tops, key=lambda item: float(np.average(item[:, 1], weights=item[:, 0])))
    weight, speed, sd, time, travel = rows.T
    weight = weight / weight.sum()
    mean, low, high = _centre_and_interval(weight, speed, sd, widening)
    return Top(mean, low, high, float(weight @ time), float(weight @ travel))


def _tops(paths: Paths) -> Array:
    """(H, 5) weight, speed, its sd, time and travel of the fastest moment of each path."""
    speed, every = paths.state[:, :, SPEED], np.arange(len(paths.weight))
    at = np.argmax(speed, axis=1)
    value, time = speed[every, at], paths.time_s[at].copy()
    travel = paths.state[every, at, ALONG].copy()
    for which in range(2):
        begins = paths.event_s[:, which] - paths.width_s[:, which] / 2
        before = np.searchsorted(paths.time_s, np.nan_to_num(begins, nan=paths.time_s[0]), side="right") - 1
        before = np.clip(before, 0, len(paths.time_s) - 2)
        near = np.isfinite(begins) & (np.abs(before - at) <= 2)
        pull = paths.state[every, np.maximum(before - 1, 0), ACCEL]
        after = paths.state[every, np.minimum(before + 3, speed.shape[1] - 1), ACCEL]
        gone = np.where(near, begins - paths.time_s[before], 0.0)
        # until the lift the pull holds; then it fades over the lift's width, and the top is where it is nothing
        fading = (
            np.maximum(pull, 0.0) / np.maximum(pull - after, 1e-6) * np.nan_to_num(paths.width_s[:, which])
        )
        top = speed[every, before] + pull * (gone + fading / 2)
        better = near & (pull > 0) & (after < 0) & (top > value)
        later = gone + fading
        there = paths.state[every, before, ALONG] + later * (speed[every, before] + pull * later / 2)
        value, time = np.where(better, top, value), np.where(better, paths.time_s[before] + later, time)
        travel = np.where(better, there, travel)
    sd = np.sqrt(np.maximum(_speed_variance_at(paths, at), 0.0))
    return np.stack([paths.weight, value, sd, time, travel], axis=1)


def _speed_variance_at(paths: Paths, at: Ints) -> Array:
    """(H,) variance of each path's speed at its own knot."""
    knots, where = np.unique(at, return_inverse=True)
    d = paths.chain.diagonal.shape[1]
    rows = (paths.first + knots) * d + SPEED
    right = np.zeros((paths.chain.diagonal.shape[0] * d, len(knots)))
    right[rows, np.arange(len(knots))] = 1.0
    reach = paths.reach[rows]
    held = np.diag(paths.chain.solve(right)[rows]) + np.einsum(
        "ki,ij,kj->k", reach, paths.constant_cov, reach
    )
    moved = paths.response[at[:, None], SPEED, paths.event]
    return np.asarray(held[where] + np.einsum("hi,hij,hj->h", moved, paths.change_cov, moved))


def _centre_and_interval(
    weight: Array, value: Array, sd: Array, widening: float
) -> tuple[float, float, float]:
    """Mean of the mixture and its interval, widened round it.

    A path of little weight far off can drag the mean out of the interval; it is held inside.
    """
    low, high = mixture_interval(weight, value, sd)
    mean = float(np.clip(weight @ value, low, high))
    return mean, mean + widening * (low - mean), mean + widening * (high - mean)


def mixture_interval(weight: Array, mean: Array, sd: Array) -> tuple[float, float]:
    """The central 95 % of a mixture of normals, by bisection of its distribution function."""
    sd = np.maximum(sd, 1e-12)

    def quantile(share: float) -> float:
        low, high = float((mean - 10 * sd).min()), float((mean + 10 * sd).max())
        for _ in range(60):
            middle = (low + high) / 2
            if float(weight @ ndtr((middle - mean) / sd)) < share:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    return quantile(_TAIL), quantile(1 - _TAIL)
