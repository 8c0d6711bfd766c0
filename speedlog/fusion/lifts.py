"""When did the driver lift, when brake? Every answer at once, each with its weight.

Between such instants a car under power follows its own force balance. A change of its acceleration at
a given moment is one more unknown of the linear model, so that the likelihood of "lifted at t, braked
at u" needs no new smoothing: with the response of the whole pass to a unit change at each moment of a
grid, solved once, each pair (t, u) is a system of two equations. The posterior is the mixture over
all of them and over how rough the motion is: exact, nothing pruned but what weighs nothing.

Sources: linear model with unknown change points, Gaussian given their places (Fearnhead, Statistics and
Computing 16 (2006) 203-213); further unknowns beside a filtered state: de Jong, Annals of Statistics 19
(1991) 1073-1083; the coasting car: `speedlog.physics.roadload`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.answers import Answers, Moments, weigh
from speedlog.fusion.model import Model, Solved, reweighed, solve
from speedlog.fusion.motion import Layout, Roughness, make_steps, ramps
from speedlog.fusion.settle import Settled
from speedlog.physics.roadload import coasting_accel
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Branch:
    """The posterior of a pass under one roughness, over all hypotheses about the changes.

    Attributes:
        solved: without any change. first, last: the knots between which changes are sought.
        response: (K, d, M) by which a unit change takes the states away from `solved.mean`.
        moments, answers: the changes, and what the readings say of them.
    """

    solved: Solved
    first: int
    last: int
    response: Array
    moments: Moments
    answers: Answers


def branches(
    found: Settled, stretch: tuple[float, float], settings: FusionSettings, most: int | None = None
) -> list[Branch]:
    """One branch a roughness (the `most` smoothest), for the stretch of time from which its changes come."""
    first, last = (int(k) for k in np.searchsorted(found.knots_s, np.array(stretch) - 1e-6))
    last = min(last, len(found.knots_s) - 1)
    moments = _moments(found, first, last, settings)
    out = []
    levels = zip(settings.pull_excess_mps3, settings.pull_white_m2_s5, settings.pull_chance, strict=True)
    held = found.roughness(settings)
    model = _model(found)
    inputs = _inputs(found.knots_s, first, last, moments, found.layout, settings)
    for excess, white, chance in list(levels)[:most]:
        held[first:last] = [Roughness(excess, white)] * (last - first)
        steps = make_steps(np.diff(found.knots_s), held, found.layout, found.place_drift_s, settings)
        solved = solve(replace(model, steps=steps), found.solved.mean)
        response, precision, pull = _responses(solved, first, last, inputs)
        answers = weigh(moments, precision, pull, settings)
        shift = solved.log_evidence + float(np.log(chance))
        answers = replace(answers, log_weight=answers.log_weight + shift)
        out.append(Branch(solved, first, last, response, moments, answers))
    return out


def unchanged_evidence(found: Settled, settings: FusionSettings) -> float:
    """Log evidence of the pass without a closer look anywhere: what all its stretches have in common."""
    steps = make_steps(
        np.diff(found.knots_s), found.roughness(settings), found.layout, found.place_drift_s, settings
    )
    return solve(replace(_model(found), steps=steps), found.solved.mean).log_evidence


def _model(found: Settled) -> Model:
    """The free motion's model, with the readings and weights as they are now."""
    model = found.solved.model
    if found.seen.value is not model.rows.value:
        model = replace(model, rows=replace(model.rows, value=found.seen.value))
    if found.weight is model.weight:
        return model
    return reweighed(model, found.weight)


def likeliest(every: list[Branch]) -> tuple[Branch, int]:
    """The branch and the hypothesis of the likeliest usual drive."""
    weights = [np.where(item.answers.usual, item.answers.log_weight, -np.inf) for item in every]
    best = max(range(len(every)), key=lambda i: float(weights[i].max()))
    return every[best], int(np.argmax(weights[best]))


def _moments(found: Settled, first: int, last: int, settings: FusionSettings) -> Moments:
    begin, end = float(found.knots_s[first]), float(found.knots_s[last])
    lifts = np.arange(begin + 2 * settings.lift_ramp_s, end - settings.lift_ramp_s, settings.lift_grid_s)
    brakes = np.arange(begin + settings.brake_ramp_s, end - settings.lift_ramp_s, settings.brake_grid_s)
    width = np.repeat([settings.lift_ramp_s, settings.brake_ramp_s], [len(lifts), len(brakes)])
    at = np.concatenate([lifts, brakes])
    speed = np.interp(at, found.knots_s, found.speed_mps)
    coasting = coasting_accel(speed, settings.drag_per_m, settings.rolling_mps2)
    before = np.concatenate([_pull(found, lifts, settings), coasting[len(lifts) :]])
    after = np.concatenate([coasting[: len(lifts)], np.full(len(brakes), settings.brake_mps2)])
    own = np.repeat([settings.pull_sd_mps2, settings.brake_sd_mps2], [len(lifts), len(brakes)])
    spread = np.hypot(own, settings.drag_share * coasting)
    return Moments(at, width, len(lifts), after - before, spread)


def _pull(found: Settled, lift_s: Array, settings: FusionSettings) -> Array:
    """(L,) acceleration just before a lift.

    Read off the free motion where readings stand behind it; it fades until the lift.
    """
    heard = np.unique(found.seen.time_s[found.seen.channel < 2 * found.layout.gnss])
    step = np.diff(heard)
    holes = step > settings.hole_intervals * np.median(step)
    before = lift_s - settings.pull_before_s
    for start, end in zip(heard[:-1][holes], heard[1:][holes], strict=True):
        inside = (before > start - 0.1) & (before < end + 2 * settings.pull_before_s)
        before = np.where(inside, start - 0.1, before)
    pull = np.interp(before, found.knots_s, found.accel_mps2)
    return np.asarray(np.clip(pull, -5.0, 12.0) * np.exp(-settings.pull_fades_per_s * (lift_s - before)))


def _inputs(
    knots: Array, first: int, last: int, moments: Moments, layout: Layout, settings: FusionSettings
) -> Array:
    """(steps, d, M)."""
    lifts, brakes = moments.at_s[: moments.lifts], moments.at_s[moments.lifts :]
    return np.concatenate(
        [
            ramps(knots, first, last, lifts, settings.lift_ramp_s, layout, 0.0),
            # brakes hold what they take: no fading
            ramps(knots, first, last, brakes, settings.brake_ramp_s, layout, settings.pull_fades_per_s),
        ],
        axis=2,
    )


def _responses(solved: Solved, first: int, last: int, inputs: Array) -> tuple[Array, Array, Array]:
    """What unit changes do to the states, (K, d, M); their joint precision, (M, M), and pull, (M,).

    States and constants are eliminated: log-likelihood of changes J is pull' J - J' precision J / 2.
    """
    model, chain = solved.model, solved.chain
    steps, d = model.steps, model.layout.size
    # the states that a change moves or whose noise goes with theirs: motion and filters, no other
    filters = [model.layout.filtered(i) for i, item in enumerate(model.layout.filters_s) if item]
    moving = np.array([*range(4), *filters])
    inputs, many = inputs[:, moving], inputs.shape[2]
    pressed = steps.precision[first:last][:, moving[:, None], moving] @ inputs
    transition = steps.transition[first:last][:, moving[:, None], moving]
    whole = np.zeros((last + 1 - first, d, many))
    whole[1:, moving] -= pressed
    whole[:-1, moving] += transition.mT @ pressed
    response = chain.solve_wide(first, whole)
    here = solved.reach[first * d : (last + 1) * d]
    turned = -solved.constant_cov @ (here.T @ whole.reshape(-1, many))
    response -= (solved.reach @ turned).reshape(response.shape)
    # what a change leaves of its own push once the states have followed it
    left = inputs + response[first + 1 : last + 1, moving] - transition @ response[first:last, moving]
    precision = pressed.reshape(-1, many).T @ left.reshape(-1, many)
    swerve = solved.mean[first + 1 : last + 1] - np.einsum(
        "kij,kj->ki", steps.transition[first:last], solved.mean[first:last]
    )
    pull = np.einsum("kim,ki->m", pressed, swerve[:, moving])
    return response, (precision + precision.T) / 2, pull
