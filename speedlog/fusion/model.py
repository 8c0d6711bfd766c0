"""All that is known of a pass as one quadratic form: readings, motion, and a few constants of the sources.

Unknown are the state at every knot (s) and constants of the whole pass (c: what is left of a lag, a
wheel's scale, growth, slip and clock). Readings: y = R s + B c + noise. Steps: s_{k+1} = F_k s_k + noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.knots import between, quintic
from speedlog.fusion.motion import Layout, Roughness, Steps, make_steps, start
from speedlog.fusion.observe import Observations
from speedlog.fusion.smoother import Chain, factored
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_BLOCK = 12  # readings: few knots of a pass have fewer beside them, and few of their places stay empty


@dataclass(frozen=True, eq=False)
class Rows:
    """Readings as rows over the knots before and after them.

    Attributes:
        before: (n,) the knot before each reading. row: (n, 2d) over both knots' states. value: (n,).
        constant: (n, C) over the constants; constant_mean, constant_sd: (C,) of them before any reading.
    """

    before: Ints
    row: Array
    value: Array
    constant: Array
    constant_mean: Array
    constant_sd: Array

    @cached_property
    def blocks(self) -> Blocks:
        return _blocks(self)


@dataclass(frozen=True, eq=False)
class Blocks:
    """The rows laid out in blocks of at most `_BLOCK` readings between the same two knots, filled up with nought.

    Attributes:
        at: (n,) place of each reading among all rows of the blocks. before: (m,) the knot before each block.
        rows: (m, _BLOCK, 2d + C) over both knots' states and the constants.
        knots: (j,) knots with readings after them. first: (j,) the first block of each.
    """

    at: Ints
    before: Ints
    rows: Array
    knots: Ints
    first: Ints

    def spread(self, values: Array) -> Array:
        """(m, _BLOCK) of (n,)."""
        out = np.zeros(self.rows.shape[0] * self.rows.shape[1])
        out[self.at] = values
        return out.reshape(self.rows.shape[:2])

    def summed(self, values: Array) -> Array:
        """(j, ...) sums of (m, ...) over the blocks after each knot; for large blocks quicker than `reduceat`."""
        count = np.diff(self.first, append=len(values))
        out = values[self.first]
        for turn in range(1, int(count.max())):
            more = np.flatnonzero(count > turn)
            out[more] += values[self.first[more] + turn]
        return out


@dataclass(frozen=True, eq=False)
class Gathered:
    """What all readings say, gathered by knots.

    Attributes:
        diagonal: (K, d, d) and beside: (K-1, d, d), their part of the precision.
        cross: (K d, C) with the constants; own: (C, C) of the constants alone, their prior included.
    """

    diagonal: Array
    beside: Array
    cross: Array
    own: Array


@dataclass(frozen=True, eq=False)
class Model:
    """K knots, n readings of weight 1 / variance, C constants.

    Attributes:
        knots_s: (K,). layout: of a knot's state. steps: the dynamics.
        start_mean, start_sd: (d,). rows: the readings. weight: (n,). gathered: both together.
    """

    knots_s: Array
    layout: Layout
    steps: Steps
    start_mean: Array
    start_sd: Array
    rows: Rows
    weight: Array
    gathered: Gathered


@dataclass(frozen=True, eq=False)
class Solved:
    """The posterior of a model.

    Attributes:
        chain: the factored precision of the states, constants held.
        mean: (K, d). constants: (C,).
        reach: (K d, C), A⁻¹ B: what the constants do to the states.
        constant_cov: (C, C).
        misfit: (n,) reading minus model.
        log_evidence: up to a term that only the readings and their number decide.
    """

    model: Model
    chain: Chain
    mean: Array
    constants: Array
    reach: Array
    constant_cov: Array
    misfit: Array
    log_evidence: float

    def variances(self) -> Array:
        """(K, d, d) covariance of each knot's state, the constants' uncertainty included."""
        count, d = self.mean.shape
        reach = self.reach.reshape(count, d, -1)
        return np.asarray(_held_variances(self) + reach @ self.constant_cov @ reach.transpose(0, 2, 1))


def make_rows(seen: Observations, knots_s: Array, layout: Layout) -> Rows:
    """Each reading by the quintic through the knots around it; slow errors by a straight line."""
    k, share, step = between(seen.time_s, knots_s)
    d = layout.size
    row = np.zeros((len(k), 2 * d))
    row[:, [0, 1, 2, d, d + 1, d + 2]] = np.einsum("nj,njm->nm", seen.motion, quintic(share, step))
    every = np.arange(len(k))
    for at, factor in ((seen.drift_at, seen.drift_factor), (seen.filter_at, np.ones(len(k)))):
        of = every[at >= 0]
        row[of, at[of]] += factor[of] * (1 - share[of])
        row[of, d + at[of]] += factor[of] * share[of]
    return Rows(k, row, seen.value, seen.constant, seen.constant_mean, seen.constant_sd)


def make_model(
    seen: Observations, knots_s: Array, roughness: list[Roughness], layout: Layout, place_drift_s: Array,
    weight: Array, settings: FusionSettings,
) -> Model:  # fmt: skip
    """The model of a pass from its readings."""
    steps = make_steps(np.diff(knots_s), roughness, layout, place_drift_s, settings)
    place = seen.places(layout)
    along = float(seen.value[place][0]) if place.any() else 0.0
    speed = seen.value[seen.speeds(layout)]
    mean, sd = start(layout, along, float(speed[0]) if len(speed) else 0.0, settings)
    rows = make_rows(seen, knots_s, layout)
    return Model(knots_s, layout, steps, mean, sd, rows, weight, gather(rows, weight, len(knots_s)))


def reweighed(model: Model, weight: Array) -> Model:
    """The same model with other weights of its readings."""
    gathered = gather(model.rows, weight, len(model.knots_s))
    return replace(model, weight=weight, gathered=gathered)


def gather(rows: Rows, weight: Array, knots: int) -> Gathered:
    """The readings' part of the normal equations."""
    d, blocks = rows.row.shape[1] // 2, rows.blocks
    product = (blocks.rows * blocks.spread(weight)[..., None]).mT @ blocks.rows
    product = blocks.summed(product)
    here, there = slice(d), slice(d, 2 * d)
    diagonal, beside = np.zeros((knots, d, d)), np.zeros((knots - 1, d, d))
    cross = np.zeros((knots, d, rows.constant.shape[1]))
    diagonal[blocks.knots] += product[:, here, here]
    diagonal[blocks.knots + 1] += product[:, there, there]
    beside[blocks.knots] += product[:, here, there]
    cross[blocks.knots] += product[:, here, 2 * d :]
    cross[blocks.knots + 1] += product[:, there, 2 * d :]
    own = product[:, 2 * d :, 2 * d :].sum(axis=0) + np.diag(1 / rows.constant_sd**2)
    return Gathered(diagonal, beside, cross.reshape(knots * d, cross.shape[2]), own)


def _blocks(rows: Rows) -> Blocks:
    before = rows.before
    every = np.arange(len(before))
    run = np.concatenate([[True], np.diff(before) > 0])
    in_run = every - every[run][np.cumsum(run) - 1]
    opens = in_run % _BLOCK == 0
    at = _BLOCK * (np.cumsum(opens) - 1) + in_run % _BLOCK
    filled = np.zeros((_BLOCK * int(opens.sum()), rows.row.shape[1] + rows.constant.shape[1]))
    filled[at] = np.concatenate([rows.row, rows.constant], axis=1)
    first = np.flatnonzero(run[opens])
    return Blocks(at, before[opens], filled.reshape(-1, _BLOCK, filled.shape[1]), before[opens][first], first)


def solve(model: Model, near: Array | None = None, rounds: int = 2) -> Solved:
    """The posterior mean, its factor, and the evidence.

    The mean is found as a correction to `near`, again and again, each time from residuals taken
    before they are weighed: precisions of 1e10 and more meet places of hundreds of metres, and
    one solution from scratch would lose the centimetres (iterative refinement, Higham, "Accuracy
    and Stability of Numerical Algorithms", 2nd ed. 2002, ch. 12).

    Args:
        near: (K, d) a trajectory not far off; the start carried on where there is none.
    """
    chain = _precision(model)
    reach, held = _constants(model, chain)
    cov = np.asarray(np.linalg.inv(held), dtype=np.float64)
    mean = (
        np.broadcast_to(model.start_mean, (len(model.knots_s), model.layout.size)) if near is None else near
    )
    constants = np.zeros(len(held))
    for _ in range(rounds + (near is None)):
        pull, pull_constants, _, _ = _gradient(model, mean, constants)
        more = cov @ (pull_constants - reach.T @ pull.ravel())
        mean = mean + (chain.solve(pull.ravel()) - reach @ more).reshape(mean.shape)
        constants = constants + more
    _, _, misfit, quadratic = _gradient(model, mean, constants)
    _, sign_less = np.linalg.slogdet(held * np.outer(model.rows.constant_sd, model.rows.constant_sd))
    evidence = -0.5 * (
        quadratic + chain.log_determinant + model.steps.log_determinant + float(sign_less)
        - float(np.log(model.weight).sum()) + 2 * float(np.log(model.start_sd).sum())
    )  # fmt: skip
    return Solved(model, chain, mean, constants, reach, cov, misfit, evidence)


def _held_variances(solved: Solved) -> Array:
    """(K, d, d) covariance of each knot's state, constants held, to many more digits than `Chain.variances`.

    There the motion's precision, 1e10 and more, is added and taken off again, and of what all places share
    five digits are left. Here what the past says of each knot is a sum of squares: start, readings and
    swerves of the past, each seen from the next knot by s_k = -G_k s_{k+1} (Joseph's form: Bucy, Joseph,
    "Filtering for Stochastic Processes with Applications to Guidance", 1968); errors of G enter squared.
    """
    model, chain = solved.model, solved.chain
    steps, blocks, d = model.steps, model.rows.blocks, model.layout.size
    gain = chain.gain
    swerve = np.eye(d) + steps.transition @ gain
    added = swerve.mT @ steps.precision @ swerve
    seen = blocks.rows[..., d : 2 * d] - blocks.rows[..., :d] @ gain[blocks.before]
    product = (seen * blocks.spread(model.weight)[..., None]).mT @ seen
    added[blocks.knots] += blocks.summed(product)
    past, turned = np.empty_like(chain.diagonal), gain.mT
    past[0] = np.diag(1 / model.start_sd**2)
    for k in range(len(gain)):
        past[k + 1] = added[k] + turned[k] @ past[k] @ gain[k]
    own = blocks.rows[..., :d]
    product = (own * blocks.spread(model.weight)[..., None]).mT @ own
    past[:-1] += steps.transition.mT @ steps.precision @ steps.transition
    past[blocks.knots] += blocks.summed(product)
    found = np.linalg.inv(past)
    gain = found[:-1] @ chain.beside
    for k in range(len(gain) - 1, -1, -1):
        found[k] += gain[k] @ found[k + 1] @ gain[k].T
    return np.asarray(found)


def _precision(model: Model) -> Chain:
    steps = model.steps
    back = steps.transition.transpose(0, 2, 1) @ steps.precision
    diagonal = model.gathered.diagonal.copy()
    diagonal[:-1] += back @ steps.transition
    diagonal[1:] += steps.precision
    diagonal[0] += np.diag(1 / model.start_sd**2)
    return factored(diagonal, model.gathered.beside - back)


def _constants(model: Model, chain: Chain) -> tuple[Array, Array]:
    """(K d, C) A⁻¹ B and (C, C) the constants' precision, the states eliminated."""
    cross, own = model.gathered.cross, model.gathered.own
    if not cross.shape[1]:
        return cross, own
    reach = chain.solve(cross)
    return reach, own - cross.T @ reach


def _gradient(model: Model, mean: Array, constants: Array) -> tuple[Array, Array, Array, float]:
    """Downhill direction of half the quadratic form in states and constants; misfits; the form's value."""
    rows, steps, d = model.rows, model.steps, model.layout.size
    blocks = rows.blocks
    both = np.concatenate([mean[blocks.before], mean[blocks.before + 1]], axis=1)
    both = np.concatenate([both, np.broadcast_to(constants, (len(both), len(constants)))], axis=1)
    misfit = rows.value - (blocks.rows @ both[..., None]).ravel()[blocks.at]
    swerve = mean[1:] - (steps.transition @ mean[:-1, :, None])[..., 0]
    pressed = (steps.precision @ swerve[..., None])[..., 0]
    off = (mean[0] - model.start_mean) / model.start_sd
    out = np.zeros_like(mean)
    out[1:] -= pressed
    out[:-1] += (steps.transition.transpose(0, 2, 1) @ pressed[..., None])[..., 0]
    out[0] -= off / model.start_sd
    weighed = model.weight * misfit
    pull = (blocks.rows.mT @ blocks.spread(weighed)[..., None])[..., 0]
    from_constants = pull[:, 2 * d :].sum(axis=0)
    pull = np.add.reduceat(pull, blocks.first, axis=0)
    out[blocks.knots] += pull[:, :d]
    out[blocks.knots + 1] += pull[:, d : 2 * d]
    loose = (constants - rows.constant_mean) / rows.constant_sd
    quadratic = float(weighed @ misfit + np.sum(swerve * pressed) + off @ off + loose @ loose)
    return out, from_constants - loose / rows.constant_sd, misfit, quadratic
