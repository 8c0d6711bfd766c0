"""The car fitted to its own passes: weighted least squares with priors, all parameters and their covariance.

Every pass is simulated from its launch to its lift with the throttle that was logged, and held to speed, turns,
current and voltage as logged. Beside the car's own numbers (`car.PARTS`) each pass has its rest voltage, its head
wind (a mean and gusts, drawn straight between points) and the clock of its controller. In u = (number - guess) /
spread every prior is N(0, 1), so the sum to be least is |W r|² + |u|², and the posterior is N(u, (JᵀJ + 1)⁻¹) (any
text on inverse problems, e.g. A. Tarantola, "Inverse Problem Theory", ch. 3). Levenberg's and Marquardt's damping.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import PARTS, Array, Car
from speedlog.vehicle.observed import Channel, Observed
from speedlog.vehicle.simulate import Lanes, Road, Runs, Script, integrate

LEARNED = tuple(part for part in PARTS if not part.given)
_CURRENT_SCALE_U = 0.02  # of a controller's current sensor, common practice, no source
# in spreads from the first guess: from much grip and a low motor limit first, else the two may settle on top of
# each other; then from the other sides
_STARTS: tuple[Mapping[str, float], ...] = (
    {"friction": 1.0, "motor_limit_a": -0.5}, {"friction": 1.0, "motor_limit_a": 1.0},
    {"friction": 0.0, "motor_limit_a": 0.5},
    {"friction": -1.0, "motor_limit_a": -1.5}, {"friction": -1.0, "motor_limit_a": 1.5, "drag_area_m2": 1.0},
)  # fmt: skip
_STEP = 1e-4  # of the differences, in spreads: well within the narrowest posterior, far above rounding


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
        ends = [_value(part.name, self.prior, self.scaled[k] + side * 1.96 * sd) for side in (-1, 0, 1)]
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


def _value(name: str, prior: Car, scaled: float) -> float:
    part = next(item for item in PARTS if item.name == name)
    guess = float(getattr(prior, name))
    if part.relative:
        return float(guess * np.exp(part.spread * scaled))
    return float(guess + part.spread * scaled)


class _Problem:
    """Residuals of all passes as a function of u: the car's numbers, then each pass's own."""

    def __init__(self, prior: Car, passes: Sequence[Observed], settings: ForecastSettings) -> None:
        self.prior, self.passes, self.settings = prior, passes, settings
        self.shared = len(LEARNED) + 1  # and the scale of the current
        self.spans = [item.lift_s - item.start_s for item in passes]
        self.knots = [np.arange(0.0, span + settings.gust_s, settings.gust_s) for span in self.spans]
        self.own = [3 + len(knots) for knots in self.knots]  # rest voltage, clock, mean wind, gusts
        self.first = [self.shared + int(sum(self.own[:k])) for k in range(len(passes))]
        self.size = self.shared + int(sum(self.own))
        self.cars = [setup_of(prior, item) for item in passes]
        self.whiteners = [[channel.whitener() for channel in item.channels] for item in passes]
        half = 0.5 * settings.step_s
        self.half_s: Array = half * np.arange(
            2 * int(np.ceil(max(self.spans) / settings.step_s)) + 3, dtype=np.float64
        )
        self.opened = [self._throttle(k) for k in range(len(passes))]

    def _throttle(self, k: int) -> Array:
        """Held after the lift, so that no step before it knows of it."""
        item, time = self.passes[k], np.minimum(self.half_s, self.spans[k])
        if item.throttle is None:
            return self.cars[k].throttle(time)
        return np.asarray(np.interp(time, item.throttle[0], item.throttle[1]))

    def runs(self, lanes: Sequence[tuple[int, Array]]) -> Runs:
        """Simulate (pass, u) pairs side by side."""
        rows: dict[str, list[float]] = {part.name: [] for part in PARTS}
        density, opened, head = [], [], []
        for k, u in lanes:
            values = self.cars[k].values()
            for place, part in enumerate(LEARNED):
                moved = part.spread * u[place]
                values[part.name] = (
                    values[part.name] * np.exp(moved) if part.relative else values[part.name] + moved
                )
            own = u[self.first[k] : self.first[k] + self.own[k]]
            values["open_v"] += self._rest_u(k) * own[0]
            for name, value in values.items():
                rows[name].append(float(value))
            item = self.passes[k]
            gusts = self.settings.gust_mps * np.interp(self.half_s, self.knots[k], own[3:])
            head.append(item.head_mps + item.head_u_mps * own[2] + gusts)
            density.append(item.density_kgm3)
            opened.append(self.opened[k])
        time = self.half_s[:, None]
        cars = {name: np.array(values) for name, values in rows.items()}
        return integrate(
            Lanes(cars, Road(np.array(density))), Script(time, np.array(opened).T, np.array(head).T)
        )

    def _rest_u(self, k: int) -> float:
        """V: beside a logged rest voltage 0.03 V of noise, else what a charge leaves open."""
        return 0.03 if self.passes[k].rest_v is not None else 0.002 * self.cars[k].open_v

    def residuals(self, runs: Runs, lanes: Sequence[tuple[int, Array]]) -> list[Array]:
        """Of each lane: whitened readings less the simulation's."""
        at = runs.point()
        cars = runs.lanes.cars
        turns = (
            at.wheel_rpm * (1 + cars["slip"] * at.force_n / np.maximum(at.grip_n, 1.0)) * cars["gear_ratio"]
        )
        found = []
        for lane, (k, u) in enumerate(lanes):
            item = self.passes[k]
            clock = (self.settings.clock_s if item.throttle else self.settings.launch_s) * u[
                self.first[k] + 1
            ]
            scale = np.exp(_CURRENT_SCALE_U * u[self.shared - 1])
            drawn = at.motor_a if item.current_of == "motor" else at.pack_a
            curves = {
                "speed": (runs.speed_mps[:, lane], clock), "rpm": (turns[:, lane], 0.0),
                "current": (scale * drawn[:, lane], 0.0), "voltage": (at.pack_v[:, lane], 0.0),
            }  # fmt: skip
            parts = []
            for channel, white in zip(item.channels, self.whiteners[k], strict=True):
                curve, late = curves[channel.kind]
                when = channel.time_s - item.start_s - late
                parts.append(
                    white
                    @ (channel.value - _smooth(when, self.settings.step_s, curve, runs, channel.kind, lane))
                )
            found.append(np.concatenate(parts))
        return found

    def base(self, u: Array) -> tuple[Array, list[Array], Runs]:
        lanes = [(k, u) for k in range(len(self.passes))]
        runs = self.runs(lanes)
        parts = self.residuals(runs, lanes)
        return np.concatenate(parts), parts, runs

    def jacobian(self, u: Array, parts: Sequence[Array]) -> Array:
        """(N, P) by differences from `parts`, the residuals at u; every run of it side by side."""
        lanes, columns = [], []
        for k in range(len(self.passes)):
            for place in [*range(self.shared), *range(self.first[k], self.first[k] + self.own[k])]:
                moved = u.copy()
                moved[place] += _STEP
                lanes.append((k, moved))
                columns.append((k, place))
        moved_parts = self.residuals(self.runs(lanes), lanes)
        ends = np.concatenate([[0], np.cumsum([len(part) for part in parts])])
        found = np.zeros((int(ends[-1]), self.size))
        for (k, place), part in zip(columns, moved_parts, strict=True):
            found[ends[k] : ends[k + 1], place] = (part - parts[k]) / _STEP
        return found

    def weigh(self, parts: Sequence[Array]) -> None:
        """Weigh each kind of reading by its own scatter about the fit: white and slow noise of greatest likelihood."""
        sets: dict[str, list[tuple[int, int, Channel, Array]]] = {}
        for k, item in enumerate(self.passes):
            for n, (channel, piece) in enumerate(zip(item.channels, _split(item, parts[k]), strict=True)):
                off: Array = np.asarray(np.linalg.solve(self.whiteners[k][n], piece), dtype=np.float64)
                sets.setdefault(channel.kind, []).append((k, n, channel, off))
        for kept in sets.values():
            white, slow = likeliest([(channel, off) for _, _, channel, off in kept], self.settings)
            for k, n, channel, _ in kept:
                self.whiteners[k][n] = channel.whitener(white, slow)


def likeliest(sets: Sequence[tuple[Channel, Array]], settings: ForecastSettings) -> tuple[float, float]:
    """Factors of white and slow noise under which the misfits are likeliest, on a grid."""
    lots = []
    for (
        channel,
        off,
    ) in sets:  # C = w² D + f² S is diagonal for all w and f at once in the basis of D^-½ S D^-½
        apart = np.abs(channel.time_s[:, None] - channel.time_s[None, :])
        share = channel.slow_sd / channel.sd
        value, basis = np.linalg.eigh(np.outer(share, share) * np.exp(-apart / channel.slow_s))
        lots.append((np.maximum(value, 0.0), np.square(basis.T @ (off / channel.sd))))
    best, found = np.inf, (1.0, 1.0)
    for white in settings.white_factors:
        for slow in settings.slow_factors:
            cost = (np.log(slow) / np.log(4.0)) ** 2  # a weak prior: a factor of 4 is one standard deviation
            for value, square in lots:
                variance = white**2 + slow**2 * value
                cost += float(np.sum(square / variance + np.log(variance)))
            if cost < best:
                best, found = cost, (white, slow)
    return found


def _split(item: Observed, part: Array) -> list[Array]:
    ends = np.cumsum([len(channel.time_s) for channel in item.channels])
    return np.split(part, ends[:-1])


def _smooth(when: Array, step: float, curve: Array, runs: Runs, kind: str, lane: int) -> Array:
    """A curve of the simulation at any times: cubic for the speed, straight for what may have kinks."""
    place = np.clip(when / step, 0, len(curve) - 1 - 1e-9)
    k = place.astype(np.int64)
    u = place - k
    if kind != "speed":
        return np.asarray(curve[k] * (1 - u) + curve[k + 1] * u)
    slope = np.gradient(curve, step)
    d = curve[k + 1] - curve[k]
    m0, m1 = slope[k] * step, slope[k + 1] * step
    return np.asarray(curve[k] + u * (m0 + u * (3 * d - 2 * m0 - m1 + u * (m0 + m1 - 2 * d))))


def setup_of(prior: Car, item: Observed) -> Car:
    """The car as run on a pass: what its set-up says, over what the car file says."""
    facts = item.facts
    said = {
        "mass_kg": facts.mass_kg,
        "gear_ratio": facts.gear_ratio,
        "wheel_m": facts.wheel_diameter_m,
        "pack_limit_a": facts.current_limit_a,
        "ramp_s": facts.ramp_s,
        "open_v": item.rest_v,
        "kv_rpm_per_v": facts.motor_kv,
    }
    return prior.with_values({name: value for name, value in said.items() if value is not None})


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
    problem = _Problem(prior, passes, settings)
    u, misfit = _begun(_Problem(prior, passes, replace(settings, step_s=max(0.2, settings.step_s))))
    problem.weigh(problem.base(u)[1])
    u, done = _least(problem, u, settings)
    residual, parts, runs = problem.base(u)
    jacobian = problem.jacobian(u, parts)
    covariance: Array = np.linalg.inv(jacobian.T @ jacobian + np.eye(problem.size)).astype(np.float64)
    return replace(_result(problem, u, residual, runs, covariance, done), misfit=misfit)


def _begun(problem: _Problem) -> tuple[Array, float]:
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


def _least(problem: _Problem, u: Array, settings: ForecastSettings) -> tuple[Array, bool]:
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


def _result(
    problem: _Problem, u: Array, residual: Array, runs: Runs, covariance: Array, settled: bool
) -> Fitted:
    count = len(LEARNED)
    best = {part.name: _value(part.name, problem.prior, u[k]) for k, part in enumerate(LEARNED)}
    car = problem.prior.with_values(best)
    scale_u = float(np.sqrt(covariance[count, count])) * _CURRENT_SCALE_U
    at = runs.point()
    passes = []
    for k, item in enumerate(problem.passes):
        passes.append(_pass(problem, u, covariance, runs, at, k, item))
    return Fitted(
        car, tuple(part.name for part in LEARNED), u[:count], covariance[:count, :count], problem.prior, tuple(passes),
        float(residual @ residual) / max(len(residual), 1), settled,
        Quantity95.spread(float(np.exp(_CURRENT_SCALE_U * u[count])), scale_u),
    )  # fmt: skip


def _pass(
    problem: _Problem, u: Array, covariance: Array, runs: Runs, at: object, k: int, item: Observed
) -> FittedPass:
    from speedlog.vehicle.simulate import Point

    assert isinstance(at, Point)
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


def values_at(fitted: Fitted, scaled: Array) -> Mapping[str, float]:
    """The learned numbers at other places of the posterior, in spreads from the first guess."""
    return {name: _value(name, fitted.prior, scaled[k]) for k, name in enumerate(fitted.names)}
