"""The car fitted to its own passes: weighted least squares with priors, all parameters and their covariance.

Every pass is simulated from its launch to its lift with the throttle that was logged, and held to speed, turns,
current and voltage as logged (`fit_problem`). Beside the car's own numbers (`car.PARTS`) each pass has its rest
voltage, its head wind (a mean and gusts, drawn straight between points) and the clock of its controller. In
u = (number - guess) / spread every prior is N(0, 1), so the sum to be least is |W r|² + |u|², and the posterior is
N(u, (JᵀJ + 1)⁻¹) (any text on inverse problems, e.g. A. Tarantola, "Inverse Problem Theory", ch. 3). Levenberg's
and Marquardt's damping.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Array, Car
from speedlog.vehicle.fit_problem import LEARNED, Problem, learned_value, setup_of
from speedlog.vehicle.observed import Observed
from speedlog.vehicle.simulate import LIMITS, Point, Runs

# in spreads from the first guess: from much grip and a low motor limit first, else the two may settle on top of
# each other; then from the other sides
_STARTS: tuple[Mapping[str, float], ...] = (
    {"friction": 1.0, "motor_limit_a": -0.5}, {"friction": 1.0, "motor_limit_a": 1.0},
    {"friction": 0.0, "motor_limit_a": 0.5},
    {"friction": -1.0, "motor_limit_a": -1.5}, {"friction": -1.0, "motor_limit_a": 1.5, "drag_area_m2": 1.0},
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fitted:
    """A car fitted to passes.

    Attributes:
        car: its numbers at the best fit, with the set-up of the last pass.
        names: the numbers that were learned, (P,). scaled: (P,) in spreads from the first guess.
        covariance: (P, P) of `scaled`.
        prior: the car before any log.
        passes: each pass as simulated at the best fit.
        chi2: of the readings alone, over their number, as weighed by their scatter.
        misfit: the same before their scatter about the fit weighed them; about 1 where the model meets the logs.
    """

    car: Car
    names: tuple[str, ...]
    scaled: Array
    covariance: Array
    prior: Car
    passes: tuple[FittedPass, ...]
    chi2: float
    settled: bool
    current_scale: Quantity95
    misfit: float = 1.0

    def missed(self, settings: ForecastSettings) -> bool:
        """Whether the fit is off its readings by more than noise: its intervals are then too narrow."""
        if not self.misfit <= settings.most_misfit:
            return True
        most = settings.most_misfit_sd
        return any(
            item.misfit_mps > max(settings.most_misfit_mps, most * item.observed.speed_sd_mps)
            for item in self.passes
        )

    def quantity(self, name: str) -> Quantity95:
        """A number with its 95 % interval."""
        k = self.names.index(name)
        part = LEARNED[k]
        sd = float(np.sqrt(self.covariance[k, k]))
        ends = [
            learned_value(part.name, self.prior, self.scaled[k] + side * 1.96 * sd) for side in (-1, 0, 1)
        ]
        return Quantity95(ends[1], ends[0], ends[2])

    def learned_share(self, name: str) -> float:
        """Share by which the logs narrowed a number: 0 where they told nothing."""
        k = self.names.index(name)
        return 1.0 - float(np.sqrt(self.covariance[k, k]))


@dataclass(frozen=True, eq=False)
class FittedPass:
    """A pass at the best fit. Arrays (T,) over pass time; `misfit_mps` is the speeds' scatter about it."""

    observed: Observed
    car: Car
    time_s: Array
    travel_m: Array
    speed_mps: Array
    motor_a: Array
    pack_a: Array
    pack_v: Array
    which: NDArray[np.int64]
    throttle: Array
    head_mps: float
    head_u_mps: float
    squared_a2s: float
    misfit_mps: float


def fit(prior: Car, passes: Sequence[Observed], settings: ForecastSettings) -> Fitted:
    """Fit a car to its passes.

    Raises:
        SpeedlogError: no pass, or none with a speed.
    """
    if not passes or not any(channel.kind == "speed" for item in passes for channel in item.channels):
        raise SpeedlogError(
            "no pass with a run-up to fit the car to", todo="Give passes with a GNSS log: --from 12 14 17."
        )
    prior = _started(prior, passes)
    settings = replace(settings, step_s=settings.fit_step_s)
    problem = Problem(prior, passes, settings)
    u, misfit = _begun(Problem(prior, passes, replace(settings, step_s=max(0.2, settings.step_s))))
    problem.weigh(problem.base(u)[1])
    u, done = _least(problem, u, settings)
    residual, _, runs = problem.base(u)
    mode = _Mode(u, done, residual, runs, runs.point())
    return replace(_result(problem, mode, _covariance(problem, mode)), misfit=misfit)


@dataclass(frozen=True, eq=False)
class _Mode:
    """Where a descent ends, and the runs there."""

    u: Array
    settled: bool
    residual: Array
    runs: Runs
    at: Point


def _covariance(problem: Problem, mode: _Mode) -> Array:
    """(P, P) of u; as if the voltage were ample, where no pass is held by it.

    Where the last metres of a pass come near that limit, the turn from one limit to the other has a slope there: Kv
    looks well known to both sides, and is so to one only.
    """
    problem.ample_voltage = not _meets_voltage(problem, mode)
    jacobian = problem.jacobian(mode.u, problem.base(mode.u)[1])
    problem.ample_voltage = False
    return np.linalg.inv(jacobian.T @ jacobian + np.eye(problem.size)).astype(np.float64)


def _meets_voltage(problem: Problem, mode: _Mode) -> bool:
    """Whether the voltage is what limits the motor at some time before the lift of a pass."""
    which = mode.at.which == LIMITS.index("voltage")
    return any(bool(which[mode.runs.time_s[:, k] <= span, k].any()) for k, span in enumerate(problem.spans))


def _begun(problem: Problem) -> tuple[Array, float]:
    """Where a rough descent ends, and its misfit; from several sides, until one meets the readings.

    Motor limit and friction hold a car back alike at the launch, and growth against turns and resistance against
    volts have a second valley each, where a descent from the wrong side ends with readings ten sigmas off.
    """
    names, settings = [part.name for part in LEARNED], problem.settings
    best, found, least = np.zeros(problem.size), np.inf, np.inf
    for start in _STARTS:
        begin = np.zeros(problem.size)
        for name, by in start.items():
            begin[names.index(name)] = by
        u, _ = _least(problem, begin, replace(settings, settled=10 * settings.settled))
        residual = problem.base(u)[0]
        cost = _cost(residual, u)
        if cost < least:
            best, least, found = u, cost, float(residual @ residual) / max(len(residual), 1)
        if found <= settings.sound_misfit:
            break
    return best, found


def _least(problem: Problem, u: Array, settings: ForecastSettings) -> tuple[Array, bool]:
    """Levenberg's and Marquardt's descent; (where it ends, whether it has settled)."""
    residual, parts, _ = problem.base(u)
    cost, damping = _cost(residual, u), 1.0
    jacobian = problem.jacobian(u, parts)
    for _ in range(settings.iterations):
        normal = jacobian.T @ jacobian + np.eye(problem.size)
        slope = jacobian.T @ residual + u
        step = -np.linalg.solve(normal + damping * np.eye(problem.size), slope)
        hoped = -2 * float(slope @ step) - float(step @ normal @ step)
        if hoped < max(settings.settled * cost, settings.settled_cost):
            return u, True
        tried, tried_parts, _ = problem.base(u + step)
        new = _cost(tried, u + step)
        gain = (cost - new) / max(hoped, 1e-12)
        if new >= cost:
            damping *= 5
            continue
        u, residual, parts, cost = u + step, tried, tried_parts, new
        damping *= 0.1 if gain > 0.7 else 0.5 if gain > 0.3 else 2.0
        jacobian = problem.jacobian(u, parts)
    return u, False


def _cost(residual: Array, u: Array) -> float:
    found = float(residual @ residual + u @ u)
    return found if np.isfinite(found) else np.inf


def _started(prior: Car, passes: Sequence[Observed]) -> Car:
    """First guesses that the logs give at once: Kv from turns and volts, the throttle's shape."""
    last = passes[-1]
    prior = setup_of(prior, last)
    shape = throttle_shape(passes)
    return prior if shape is None else replace(prior, squeeze=shape)


def throttle_shape(passes: Sequence[Observed]) -> tuple[float, ...] | None:
    """How the throttle opened, over the ramp, as the mean of the logs; None where none has it."""
    found = []
    for item in passes:
        if item.throttle is None:
            continue
        time, share = item.throttle
        top = int(np.argmax(share >= 0.995 * share.max()))
        ramp = item.facts.ramp_s or float(time[top])
        if ramp <= 0:
            continue
        curve = np.interp(np.linspace(0, 1, 21) * ramp, time, share)
        if curve[-1] > 0.9 * share.max():
            found.append(np.maximum.accumulate(curve / max(curve[-1], 1e-6)))
    return None if not found else tuple(float(value) for value in np.mean(found, axis=0))


def _result(problem: Problem, mode: _Mode, covariance: Array) -> Fitted:
    u, residual, runs = mode.u, mode.residual, mode.runs
    count = len(LEARNED)
    best = {part.name: learned_value(part.name, problem.prior, u[k]) for k, part in enumerate(LEARNED)}
    car = problem.prior.with_values(best)
    log_scale = problem.scale[0] + problem.scale[1] * float(u[count])
    scale_u = float(np.sqrt(covariance[count, count])) * problem.scale[1]
    passes = [_pass(problem, u, covariance, runs, mode.at, k, item) for k, item in enumerate(problem.passes)]
    return Fitted(
        car, tuple(part.name for part in LEARNED), u[:count], covariance[:count, :count], problem.prior, tuple(passes),
        float(residual @ residual) / max(len(residual), 1), mode.settled,
        Quantity95.spread(float(np.exp(log_scale)), float(np.exp(log_scale)) * scale_u),
    )  # fmt: skip


def _pass(
    problem: Problem, u: Array, covariance: Array, runs: Runs, at: Point, k: int, item: Observed
) -> FittedPass:
    own = problem.first[k]
    cut = slice(0, int(np.searchsorted(runs.time_s[:, k], item.lift_s - item.start_s)) + 1)
    time = runs.time_s[cut, k] + item.start_s
    clock = problem.settings.clock_s if item.throttle else problem.settings.launch_s
    off = [
        channel.value - np.interp(channel.time_s - clock * u[own + 1], time, runs.speed_mps[cut, k])
        for channel in item.channels
        if channel.kind == "speed"
    ]
    sd = float(np.sqrt(covariance[own + 2, own + 2])) * item.head_u_mps
    motor = at.motor_a[cut, k]
    values = {name: float(value[k]) for name, value in runs.lanes.cars.items()}
    return FittedPass(
        item, replace(problem.cars[k], squeeze=problem.prior.squeeze).with_values(values), time, runs.travel_m[cut, k],
        runs.speed_mps[cut, k], motor, at.pack_a[cut, k], at.pack_v[cut, k], at.which[cut, k], runs.throttle[cut, k],
        float(item.head_mps + item.head_u_mps * u[own + 2]), sd, float(np.sum(motor**2) * problem.settings.step_s),
        float(np.sqrt(np.mean(np.square(np.concatenate(off))))) if off else float("nan"),
    )  # fmt: skip
