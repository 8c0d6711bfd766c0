"""The same model written out in full: one joint normal of all states, constants and readings.

Nothing here is banded or eliminated: the prior is carried forward knot by knot, the readings are taken in by
the textbook formula (Rasmussen, Williams, "Gaussian Processes for Machine Learning", 2006, A.6).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal

from speedlog.fusion.model import Model, make_model
from speedlog.fusion.motion import Layout, Roughness
from speedlog.fusion.observe import Observations
from speedlog.settings import FusionSettings


@dataclass(frozen=True, eq=False)
class Dense:
    """(K d + C,) mean and covariance of states and constants; log density of the readings."""

    mean: np.ndarray
    cov: np.ndarray
    log_density: float


def prior(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """(K d,) mean and covariance of the states before any reading."""
    steps, d, count = model.steps, model.layout.size, len(model.knots_s)
    mean, cov = np.zeros(count * d), np.zeros((count * d, count * d))
    mean[:d], cov[:d, :d] = model.start_mean, np.diag(model.start_sd**2)
    for k in range(count - 1):
        here, there = slice(k * d, (k + 1) * d), slice((k + 1) * d, (k + 2) * d)
        moved, noise = steps.transition[k], np.linalg.inv(steps.precision[k])
        mean[there] = moved @ mean[here]
        cov[there, : (k + 1) * d] = moved @ cov[here, : (k + 1) * d]
        cov[: (k + 1) * d, there] = cov[there, : (k + 1) * d].T
        cov[there, there] = moved @ cov[here, here] @ moved.T + noise
    return mean, cov


def design(model: Model) -> np.ndarray:
    """(n, K d + C) what each reading sees."""
    rows, d, count = model.rows, model.layout.size, len(model.knots_s)
    out = np.zeros((len(rows.value), count * d + rows.constant.shape[1]))
    for i, k in enumerate(rows.before):
        out[i, k * d : (k + 2) * d] = rows.row[i]
    out[:, count * d :] = rows.constant
    return out


def dense(model: Model, inputs: np.ndarray | None = None) -> Dense:
    """The posterior; with `inputs`, (K d, M), of M further unknowns N(0, 1) that move the states so."""
    mean, cov = prior(model)
    seen = design(model)
    rows = model.rows
    mean = np.concatenate([mean, rows.constant_mean])
    cov = block_diag(cov, np.diag(rows.constant_sd**2))
    if inputs is not None:
        whole = np.concatenate([inputs, np.zeros((len(rows.constant_mean), inputs.shape[1]))])
        cov = cov + whole @ whole.T
    spread = seen @ cov @ seen.T + np.diag(1 / model.weight)
    gain = np.linalg.solve(spread, seen @ cov).T
    log_density = float(multivariate_normal(seen @ mean, spread, allow_singular=False).logpdf(rows.value))
    return Dense(mean + gain @ (rows.value - seen @ mean), cov - gain @ seen @ cov, log_density)


def seen_by(
    time_s: np.ndarray, channel: np.ndarray, value: np.ndarray, sd: np.ndarray, layout: Layout,
    constant: np.ndarray | None = None, constant_sd: float = 0.1,
) -> Observations:  # fmt: skip
    """Readings of the loggers' speeds (even channels) and places (odd), in order of time."""
    order = np.argsort(time_s, kind="stable")
    time_s, channel, value, sd = (item[order] for item in (time_s, channel, value, sd))
    n, place = len(time_s), channel % 2 == 1
    motion = np.zeros((n, 3))
    motion[place, 0] = motion[~place, 1] = 1.0
    logger = channel // 2
    at = np.where(place, [layout.place_drift(i) for i in logger], [layout.speed_drift(i) for i in logger])
    behind = np.array([layout.filters_s[i] > 0 for i in logger]) & ~place
    motion[behind, 1] = 0.0
    filtered = np.where(behind, [layout.filtered(i) for i in logger], -1)
    constant = np.zeros((n, 0)) if constant is None else constant[order]
    width = constant.shape[1]
    return Observations(
        time_s, value, sd**2, np.ones(n), channel, motion, at, np.ones(n), filtered, constant, np.zeros(width),
        np.full(width, constant_sd),
    )  # fmt: skip


def simulated(model: Model, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A drive out of the model's own prior, (K, d), and its readings, (n,); constants nil."""
    d, count = model.layout.size, len(model.knots_s)
    state = np.empty((count, d))
    state[0] = model.start_mean + model.start_sd * rng.standard_normal(d)
    for k in range(count - 1):
        # covariance = inverse of the precision: solve the Cholesky factor's transpose
        factor = np.linalg.cholesky(model.steps.precision[k])
        noise = np.linalg.solve(factor.T, rng.standard_normal(d))
        state[k + 1] = model.steps.transition[k] @ state[k] + noise
    exact = design(model)[:, : count * d] @ state.ravel()
    return state, exact + rng.standard_normal(len(exact)) / np.sqrt(model.weight)


def small_model(
    settings: FusionSettings, *, layout: Layout | None = None, rough: Roughness | None = None, seed: int = 3,
    constants: int = 0, at_knots: bool = False, knots: int = 9, hz: float = 12.0, constant_sd: float = 0.1,
) -> Model:  # fmt: skip
    """A second of a car near 70 m/s, uneven knots, every logger with speeds and places."""
    rng = np.random.default_rng(seed)
    layout = Layout(1) if layout is None else layout
    knots_s = np.cumsum(np.concatenate([[0.0], rng.uniform(0.04, 0.2, knots - 1)]))
    times, channels, values, sds = [], [], [], []
    for channel in range(2 * layout.gnss):
        t = knots_s if at_knots else np.sort(rng.uniform(0, knots_s[-1], max(3, int(hz * knots_s[-1]))))
        speed, place = 70 + 5 * t, 70 * t + 2.5 * t**2
        sd = 0.06 if channel % 2 else 0.08
        times.append(t)
        channels.append(np.full(len(t), channel))
        values.append((place if channel % 2 else speed) + rng.normal(0, sd, len(t)))
        sds.append(np.full(len(t), sd))
    time = np.concatenate(times)
    constant = rng.normal(0, 5, (len(time), constants)) if constants else None
    seen = seen_by(
        time,
        np.concatenate(channels),
        np.concatenate(values),
        np.concatenate(sds),
        layout,
        constant,
        constant_sd,
    )
    return model_of(seen, knots_s, layout, rough or Roughness(1.2, 0.3), settings)


def model_of(
    seen: Observations, knots_s: np.ndarray, layout: Layout, rough: Roughness, settings: FusionSettings,
    **changes: Any,
) -> Model:  # fmt: skip
    return make_model(
        seen, knots_s, [rough] * (len(knots_s) - 1), layout, np.full(layout.gnss, 60.0), 1 / seen.variance, settings,
        **changes,
    )  # fmt: skip
