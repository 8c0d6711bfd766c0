"""Forward and backward pass over a linear state model with a few things undecided; nothing else.

The motion of a car is smooth but for a handful of instants (launch, lift, brakes). So the filter
carries several hypotheses at once: which level of process noise holds (`labels`), and at which
nodes the state jumped; each path also drops the readings that it can't believe. Each is an ordinary
Kalman filter with a Rauch-Tung-Striebel smoother; all run side by side as stacked arrays, weighted
by their likelihood, the least likely dropped. With one label, no jumps and no wild readings it is
the textbook filter and smoother, and is tested as such.

Sources: Rauch, Tung, Striebel, AIAA Journal 3 (1965) 1445-1450; mixture filter with pruning after
Bar-Shalom, Li, Kirubarajan, "Estimation with Applications to Tracking and Navigation" (2001), ch. 11.

Convention, said once: `transition[k]` and `noise[:, k]` lead from node k to node k + 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Wild:
    """Readings that say nothing: a path may hold a reading for wild, at a price, and go on without it.

    Wild readings come in runs, so each path remembers of every channel whether its last one was.

    Attributes:
        begins: probability that a reading is wild after a sound one. lasts: after a wild one.
        sd: (C,) of each channel's wild readings.
    """

    begins: float
    lasts: float
    sd: Array


@dataclass(frozen=True, eq=False)
class LinearModel:
    """K nodes, d states, L noise levels, n scalar observations sorted by node.

    Attributes:
        transition: (K-1, d, d).
        noise: (L, K-1, d, d) process covariance of each level.
        jump_noise: (K-1, d, d) covariance added where the state jumps.
        jump_probability: (K-1,) prior probability of a jump between node k and k + 1.
        start_mean: (d,), start_cov: (d, d): before the first observation.
        node: (n,) node of each observation; row: (n, d); value: (n,); variance: (n,).
        channel: (n,) which observations come from one instrument, 0 … C-1.
        wild: how often a reading is wild, and how far off it then is; None where none ever is.
    """

    transition: Array
    noise: Array
    jump_noise: Array
    jump_probability: Array
    start_mean: Array
    start_cov: Array
    node: Ints
    row: Array
    value: Array
    variance: Array
    channel: Ints
    wild: Wild | None = None


@dataclass(frozen=True, eq=False)
class Smoothed:
    """The posterior as a weighted mixture of H Gaussian paths.

    Attributes:
        weight: (H,) sums to 1. label: (H,) the noise level. jumps: (H,) how many jumps.
        mean: (K, H, d), cov: (K, H, d, d): given all observations.
        gain: (K-1, H, d, d): cov(x_j, x_k) = gain_j gain_{j+1} … gain_{k-1} cov_k.
        log_likelihood: of the observations, over all hypotheses.
    """

    weight: Array
    label: Ints
    jumps: Ints
    mean: Array
    cov: Array
    gain: Array
    log_likelihood: float


@dataclass(frozen=True, eq=False)
class _Forward:
    filtered_mean: list[Array]
    filtered_cov: list[Array]
    predicted_mean: list[Array]
    predicted_cov: list[Array]
    parent: list[Ints]
    log_weight: Array
    label: Ints
    jumps: Ints
    log_likelihood: float


def smooth(model: LinearModel, most_hypotheses: int) -> Smoothed:
    """Filter forward, smooth backward; at most `most_hypotheses` paths are kept."""
    return _backward(model, _forward(model, most_hypotheses))


def _forward(model: LinearModel, most: int) -> _Forward:
    nodes, levels = len(model.transition) + 1, len(model.noise)
    first = np.searchsorted(model.node, np.arange(nodes + 1))
    mean = np.repeat(model.start_mean[None], levels, axis=0)
    cov = np.repeat(model.start_cov[None], levels, axis=0)
    label, jumps = np.arange(levels), np.zeros(levels, dtype=np.int64)
    log_weight = np.full(levels, -np.log(levels))
    astray = np.zeros((levels, int(model.channel.max(initial=0)) + 1), dtype=bool)
    total = 0.0
    out = _Forward([], [], [], [], [], log_weight, label, jumps, 0.0)
    for k in range(nodes):
        if k:
            mean, cov, log_weight, label, jumps, parent = _step(
                model, k - 1, mean, cov, log_weight, label, jumps, most
            )
            out.parent.append(parent)
            astray = astray[parent]
        out.predicted_mean.append(mean)
        out.predicted_cov.append(cov)
        for i in range(first[k], first[k + 1]):
            fresh_mean, fresh_cov, gained, wide = _update(
                mean, cov, model.row[i], model.value[i], model.variance[i]
            )
            if model.wild is not None:
                c = model.channel[i]
                ignored, gained = _sound_or_wild(gained, *wide, astray[:, c], model.wild, model.wild.sd[c])
                fresh_mean = np.where(ignored[:, None], mean, fresh_mean)
                fresh_cov = np.where(ignored[:, None, None], cov, fresh_cov)
                astray[:, c] = ignored
            mean, cov, log_weight = fresh_mean, fresh_cov, log_weight + gained
        peak = float(log_weight.max())
        scale = peak + float(np.log(np.exp(log_weight - peak).sum()))
        total, log_weight = total + scale, log_weight - scale
        out.filtered_mean.append(mean)
        out.filtered_cov.append(cov)
    return _Forward(
        out.filtered_mean, out.filtered_cov, out.predicted_mean, out.predicted_cov, out.parent,
        log_weight, label, jumps, total,
    )  # fmt: skip


def _step(
    model: LinearModel,
    k: int,
    mean: Array,
    cov: Array,
    log_weight: Array,
    label: Ints,
    jumps: Ints,
    most: int,
) -> tuple[Array, Array, Array, Ints, Ints, Ints]:
    """Predict to the next node; every path may jump or not; the least likely are dropped."""
    transition, chance = model.transition[k], model.jump_probability[k]
    mean = mean @ transition.T
    cov = transition @ cov @ transition.T + model.noise[label, k]
    parent = np.arange(len(mean))
    if chance > 0:
        parent = np.concatenate([parent, parent])
        jumped = np.repeat([False, True], len(mean))
        log_weight = np.concatenate([log_weight + np.log1p(-chance), log_weight + np.log(chance)])
        if len(parent) > most:
            best = np.argpartition(-log_weight, most - 1)[:most]
            parent, jumped, log_weight = parent[best], jumped[best], log_weight[best]
        mean, cov, label, jumps = mean[parent], cov[parent], label[parent], jumps[parent] + jumped
        cov = cov + jumped[:, None, None] * model.jump_noise[k]
    return mean, cov, log_weight, label, jumps, parent


def _update(
    mean: Array, cov: Array, row: Array, value: float, variance: float
) -> tuple[Array, Array, Array, tuple[Array, Array]]:
    """One scalar observation, Joseph form.

    Returns:
        Mean, covariance, the log-likelihood that each path gains; and the surprise with its variance.
    """
    with_row = cov @ row
    spread = with_row @ row + variance
    gain = with_row / spread[:, None]
    surprise = value - mean @ row
    mean = mean + gain * surprise[:, None]
    # Joseph form written out for a scalar: symmetric and positive whatever the rounding
    cross = gain[:, :, None] * with_row[:, None, :]
    cov = cov - cross - cross.transpose(0, 2, 1) + (spread[:, None] * gain)[:, :, None] * gain[:, None, :]
    return mean, cov, _log_normal(surprise, spread), (surprise, spread)


def _sound_or_wild(
    sound: Array, surprise: Array, spread: Array, astray: Flags, wild: Wild, wild_sd: float
) -> tuple[Flags, Array]:
    """Each path's likelier account of a reading: (which paths hold it for wild, what each gains)."""
    chance = np.where(astray, wild.lasts, wild.begins)
    sound = sound + np.log1p(-chance)
    as_wild = _log_normal(surprise, spread + wild_sd**2) + np.log(chance)
    return as_wild > sound, np.maximum(sound, as_wild)


def _log_normal(deviation: Array, variance: Array) -> Array:
    return np.asarray(-0.5 * (np.log(2 * np.pi * variance) + deviation**2 / variance))


def _backward(model: LinearModel, forward: _Forward) -> Smoothed:
    nodes, paths = len(forward.filtered_mean), np.arange(len(forward.log_weight))
    d = len(model.start_mean)
    mean = np.empty((nodes, len(paths), d))
    cov = np.empty((nodes, len(paths), d, d))
    gain = np.empty((max(nodes - 1, 0), len(paths), d, d))
    mean[-1], cov[-1] = forward.filtered_mean[-1], forward.filtered_cov[-1]
    for k in range(nodes - 2, -1, -1):
        predicted_mean, predicted_cov = (
            forward.predicted_mean[k + 1][paths],
            forward.predicted_cov[k + 1][paths],
        )
        paths = forward.parent[k][paths]
        filtered_mean, filtered_cov = forward.filtered_mean[k][paths], forward.filtered_cov[k][paths]
        # G = P_k F' P_{k+1|k}^-1, by solving with the symmetric predicted covariance
        back = np.linalg.solve(predicted_cov, model.transition[k] @ filtered_cov).transpose(0, 2, 1)
        gain[k] = back
        mean[k] = filtered_mean + (back @ (mean[k + 1] - predicted_mean)[..., None])[..., 0]
        cov[k] = filtered_cov + back @ (cov[k + 1] - predicted_cov) @ back.transpose(0, 2, 1)
    weight = np.exp(forward.log_weight - forward.log_weight.max())
    return Smoothed(
        weight / weight.sum(), forward.label, forward.jumps, mean, cov, gain, forward.log_likelihood
    )
