"""An oracle: a white-jerk Rauch-Tung-Striebel smoother that is told what no program can know.

Told: which epochs are spoilt, the true noise of every source, its drifts as Ornstein-Uhlenbeck
states of true width and time constant, the wheel log's true clock, a logger's true delay and the true
time constant of its speed filter (a state of its own, s' = (v - s) / tau). Not told:
the motion. It models the motion as white jerk with ONE spectral density, which the benchmark
chooses for least error in hindsight, a family at a time. Written apart from `speedlog.fusion`.

Model: state (travel, speed, acceleration, filtered speeds, two drifts a GNSS logger, three numbers of the
wheel).
Q of white jerk: q [[T⁵/20, T⁴/8, T³/6], [., T³/3, T²/2], [., ., T]] (Bar-Shalom, Li, Kirubarajan,
"Estimation with Applications to Tracking and Navigation", 2001, ch. 6). Only the two crossings are
asked for, so the smoother of Rauch, Tung and Striebel is run in its fixed-point form: place and speed
at each beam join the state as the filter passes it, and later readings go on to improve them (Gelb,
"Applied Optimal Estimation", 1974, sec. 5.3; Biswas, Mahalanabis, IEEE Trans. AES 8 (1972) 676). The
answers are the same, and no way back is needed.

Many passes and all densities are run at once, as lanes of the last axis (L,): one array operation then
serves a hundred small filters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.demo.controller import ControllerLog
from speedlog.demo.gnss import GnssLog
from speedlog.demo.noise import Array
from speedlog.demo.scenario import SimulatedPass
from speedlog.demo.writers import speed_step_mps
from tests.benchmarks.simple import driven_m

DENSITIES: Array = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0, 30_000.0])
FIRST_SD = (100.0, 100.0, 20.0)
# slip and growth are not quite what three numbers say: the scale wanders by so much in a second
# (tried 0, 0.001, 0.002, 0.004; least error at this)
WHEEL_WANDER = 1e-3
WHEEL_SD = (0.05, 0.10, 0.05)  # scale, growth at 100 m/s, slip an acceleration of 10 m/s²


@dataclass(frozen=True, eq=False)
class Answer:
    """Trap speed by each density (D,), and its standard deviation by the smoother's own reckoning."""

    trap_mps: Array
    sd_mps: Array


@dataclass(frozen=True, eq=False)
class _Readings:
    """Scalar readings (R,): their times, rows (R, n), values and variances."""

    time_s: Array
    row: Array
    value: Array
    variance: Array

    def part(self, which: Any) -> _Readings:
        return _Readings(self.time_s[which], self.row[which], self.value[which], self.variance[which])


def oracle(run: SimulatedPass, densities: Array = DENSITIES) -> Answer:
    """The oracle's trap speed of a pass."""
    return oracles([run], densities)[0]


def oracles(
    runs: Sequence[SimulatedPass], densities: Array = DENSITIES, *, sharp: bool = False
) -> list[Answer]:  # fmt: skip
    """The oracle's trap speeds of many passes; those with as many logs go together.

    Args:
        sharp: take a wheel's slip from the smoother's own acceleration rather than from the smoothed turns,
            which are a third of a second behind where the driver lifts; needs the slip of an earlier round.
    """
    found: dict[int, Answer] = {}
    shapes = [(tuple(tau > 0 for tau in _taus(run)), run.wheel is not None) for run in runs]
    for shape in dict.fromkeys(shapes):
        places = [i for i, other in enumerate(shapes) if other == shape]
        chosen = [runs[i] for i in places]
        slips = _slips(chosen) if sharp and chosen[0].wheel else [0.0] * len(chosen)
        found |= zip(places, _together(chosen, densities, slips)[0], strict=True)
    return [found[i] for i in range(len(runs))]


def _slips(runs: Sequence[SimulatedPass]) -> list[float]:
    """The slip of each wheel at 10 m/s², after two rounds at one middling density."""
    slips = [0.0] * len(runs)
    for _ in range(2):
        slips = _together(runs, np.array([30.0]), slips)[1]
    return slips


def _together(
    runs: Sequence[SimulatedPass], densities: Array, slips: Sequence[float]
) -> tuple[list[Answer], list[float]]:  # fmt: skip
    """The answers, and the last number of each state at the first density: with a wheel, its slip."""
    lanes = len(densities)
    late = np.repeat([[tau for tau in _taus(run) if tau > 0] for run in runs], lanes, axis=0).T
    size = 3 + 2 * len(runs[0].gnss) + len(late) + (3 if runs[0].wheel else 0)
    readings = [_readings(run, size, slip) for run, slip in zip(runs, slips, strict=True)]
    drift = np.repeat(np.stack([_drifts(run) for run in runs], axis=-1), lanes, axis=-1)
    model = _Model(size, np.tile(densities, len(runs)), drift, late, runs[0].wheel is not None)
    joint = np.zeros((size, size + 1, len(model.density)))  # covariance, and the mean as a last column
    for k in range(size):
        joint[k, k] = np.repeat([_first_variance(run, size)[k] for run in runs], lanes)
    at = np.array([min(item.time_s[0], run.truth.entry_s) for item, run in zip(readings, runs, strict=True)])
    marks = [(run.truth.entry_s, run.truth.exit_s) for run in runs]
    for entry_or_exit in (0, 1):
        until = np.array([mark[entry_or_exit] for mark in marks])
        early = [item.part(item.time_s <= end) for item, end in zip(readings, until, strict=True)]
        readings = [item.part(item.time_s > end) for item, end in zip(readings, until, strict=True)]
        _filter(joint, _steps(early, at, until), model)
        joint, at = _remembered(joint), until
    _filter(joint, _steps(readings, at, None), model)
    answers = [_trap(run, joint[size:, :, i * lanes : (i + 1) * lanes]) for i, run in enumerate(runs)]
    return answers, joint[size - 1, -1, ::lanes].tolist()


def _remembered(joint: Array) -> Array:
    """The state with its own place and speed of this moment added, to be kept."""
    rows = [*range(len(joint)), 0, 1]
    return np.ascontiguousarray(joint[rows][:, [*rows, len(joint)]])


def _trap(run: SimulatedPass, joint: Array) -> Answer:
    """Crossings from the smoothed place and speed at the true ones; sd to first order in the places.

    Args:
        joint: (4, n + 1, D) rows of place and speed at the entry, then at the exit; means come last.
    """
    truth = run.truth
    length = truth.exit_travel_m - truth.entry_travel_m
    x1, v1, x2, v2 = joint[:, -1]
    one, two = joint.shape[1] - 5, joint.shape[1] - 3  # the columns of both places
    speed = length / (
        truth.exit_s + (truth.exit_travel_m - x2) / v2 - truth.entry_s - (truth.entry_travel_m - x1) / v1
    )
    variance = joint[0, one] / v1**2 + joint[2, two] / v2**2 - 2 * joint[0, two] / (v1 * v2)
    return Answer(speed, speed**2 / length * np.sqrt(np.maximum(variance, 0.0)))


def _readings(run: SimulatedPass, size: int, slip: float) -> _Readings:
    """All that the logs of a pass say, in order of time."""
    parts = [item for k, one in enumerate(run.gnss) for item in _gnss(run, k, one[1], one[2], size)]
    if run.wheel is not None:
        parts.append(_wheel(run, run.wheel[1], size, slip))
    names = ("time_s", "row", "value", "variance")
    whole = _Readings(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
    return whole.part(np.argsort(whole.time_s, kind="stable"))


def _gnss(run: SimulatedPass, k: int, form: str, log: GnssLog, size: int) -> list[_Readings]:
    """Sound speeds and places of a logger, at the time they truly belong to."""
    logger = log.logger
    speed_ok, place_ok = sound(log)
    step = speed_step_mps(log, form)
    speed_row, place_row = np.zeros(size), np.zeros(size)
    late = [tau > 0 for tau in _taus(run)]
    drift = 3 + sum(late) + 2 * k
    speed_row[[3 + sum(late[:k]) if late[k] else 1, drift]] = 1.0
    place_row[[0, drift + 1]] = 1.0
    speed = _Readings(
        log.true_s - logger.delay_s - logger.speed_delay_s,
        np.tile(speed_row, (len(speed_ok), 1)),
        np.round(log.speed_mps / step) * step,
        np.full(len(speed_ok), logger.speed_white_mps**2 + step**2 / 12),
    )
    place = _Readings(
        log.true_s - logger.delay_s,
        np.tile(place_row, (len(place_ok), 1)),
        driven_m(run, log),
        np.full(len(place_ok), logger.place_white_m**2 + 1e-4),
    )
    return [speed.part(speed_ok), place.part(place_ok)]


def sound(log: GnssLog) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(speed, place): the epochs that no fault touched, by the true labels."""
    speed = np.isfinite(log.speed_mps)
    place = np.isfinite(log.lat_deg)
    for label in log.labels:
        inside = (log.true_s >= label.start_s) & (log.true_s <= label.end_s)
        if label.kind in ("gap", "clock_jump"):
            continue
        if label.kind != "position_jump":
            speed &= ~inside
        if label.kind != "ceiling":
            place &= ~inside
    return speed, place


def _wheel(run: SimulatedPass, log: ControllerLog, size: int, slip: float) -> _Readings:
    """v - u (k + g (u/100)² + s a/10) = 0, with u the tread's speed by a ruler, known but for noise.

    s a is taken to first order about the given slip and the acceleration of the smoothed turns.
    """
    assert run.wheel_diameter_m is not None
    tread = np.pi * run.wheel_diameter_m * log.rpm / 60 / run.gear_ratio
    window = max(3, round(0.3 * log.controller.rate_hz) // 2 * 2 + 1)
    even = np.convolve(np.pad(tread, window // 2, mode="edge"), np.full(window, 1 / window), mode="valid")
    accel = np.gradient(even, log.true_s)
    sd = np.hypot(log.controller.rpm_noise * tread, 0.02)
    sound_wheel = (tread > 10) & (np.abs(log.spinning) < 1e-3)
    row = np.zeros((len(tread), size))
    row[:, 1] = 1.0
    row[:, -3:] = -np.stack([tread, tread * (tread / 100) ** 2, tread * accel / 10], axis=1)
    row[:, 2] = -tread * slip / 10
    # the scale state is the departure from one
    value = tread - tread * slip * accel / 10
    return _Readings(log.true_s, row, value, sd**2).part(sound_wheel)


@dataclass(frozen=True, eq=False)
class _Steps:
    """Readings of B passes in step: time since the one before (S, B), row (S, n, B), value, variance.

    A pass with fewer readings than another waits through steps of no time and no weight.
    """

    time_s: Array
    row: Array
    value: Array
    variance: Array


def _steps(parts: Sequence[_Readings], start: Array, end: Array | None) -> _Steps:
    """Steps from `start` (B,) over each pass's readings, and on to `end` where there is one."""
    count = max(len(part.time_s) for part in parts) + 1
    shape, size = (count, len(parts)), parts[0].row.shape[1]
    time, value, variance = np.zeros(shape), np.zeros(shape), np.full(shape, 1e30)
    row = np.zeros((count, size, len(parts)))
    for b, part in enumerate(parts):
        n = len(part.time_s)
        time[:n, b] = np.diff(part.time_s, prepend=start[b])
        row[:n, :, b], value[:n, b], variance[:n, b] = part.row, part.value, part.variance
        if end is not None:
            time[n, b] = end[b] - (part.time_s[-1] if n else start[b])
    return _Steps(time, row, value, variance)


@dataclass(frozen=True, eq=False)
class _Model:
    """Size of the state; density (L,), drifts (2, d, L), filters' time constants (f, L); a wheel or none."""

    size: int
    density: Array
    drift: Array
    late_s: Array
    wheel: bool


def _filter(joint: Array, steps: _Steps, model: _Model) -> None:
    """Move and take in every step, in place. `joint` (m, m + 1, L); its first rows are the state."""
    size, drifts, late = model.size, model.drift.shape[1], len(model.late_s)
    lanes = len(model.density) // steps.time_s.shape[1]
    time, value, variance = (
        np.repeat(part, lanes, axis=-1) for part in (steps.time_s, steps.value, steps.variance)
    )
    row = np.repeat(steps.row, lanes, axis=-1)
    keep = np.exp(-time[:, None] / model.drift[1])
    wide = model.drift[0] ** 2 * (1 - keep**2)
    square, own = joint[:, :-1], np.einsum("iil->il", joint[:, :-1])
    jerk, follow = _jerk_noise(time, model), _followed(time, model.late_s)
    held, drifting = slice(3, 3 + late), slice(3 + late, 3 + late + drifts)
    moves = time.any(axis=1)
    for k in range(len(time)):
        if moves[k]:
            t, half = time[k], time[k] ** 2 / 2
            if late:
                stay, by_speed, by_accel = follow[:, k]
                joint[held] = _mixed(stay, joint[held], by_speed, joint[1], by_accel, joint[2])
                turned = square.transpose(1, 0, 2)
                turned[held] = _mixed(stay, turned[held], by_speed, turned[1], by_accel, turned[2])
            joint[0] += t * joint[1] + half * joint[2]
            joint[1] += t * joint[2]
            joint[drifting] *= keep[k][:, None]
            square[:, 0] += t * square[:, 1] + half * square[:, 2]
            square[:, 1] += t * square[:, 2]
            square[:, drifting] *= keep[k]
            joint[: 3 + late, : 3 + late] += jerk[:, :, k]
            own[drifting] += wide[k]
            if model.wheel:
                own[size - 3] += WHEEL_WANDER**2 * t
                # a breath of noise keeps the covariance from going singular
                own[size - 2 : size] += 1e-14 * (t > 0)
        reach = np.einsum("jl,jkl->kl", row[k], joint[:size])
        reach[-1] -= value[k]
        spread = np.einsum("jl,jl->l", row[k], reach[:size]) + variance[k]
        joint -= (reach[:-1] / spread)[:, None] * reach


def _mixed(stay: Array, late: Array, by_speed: Array, speed: Array, by_accel: Array, accel: Array) -> Array:
    """Filtered speeds after a step, from what they and the motion were. Factors are (f, L)."""
    return stay[:, None] * late + by_speed[:, None] * speed + by_accel[:, None] * accel


def _followed(time: Array, late_s: Array) -> Array:
    """(3, S, f, L) share that a filtered speed keeps over a step, and what it takes of speed and acceleration."""
    stay = np.exp(-time[:, None] / late_s)
    return np.stack([stay, 1 - stay, time[:, None] - late_s * (1 - stay)])


def _jerk_noise(time: Array, model: _Model) -> Array:
    """(n, n, S, L) covariance that white jerk adds over a step to travel, speed, acceleration, filtered speeds.

    The integral of g g' over the step, with g what a jerk impulse has come to after a time u: u²/2, u, 1, and
    u - tau (1 - exp(-u / tau)). Where there is a filter it is taken by Gauss-Legendre with 16 points.
    """
    if not len(model.late_s):
        cubic = time**3
        parts = np.stack([time**2 * cubic / 20, time * cubic / 8, cubic / 6, cubic / 3, time**2 / 2, time])
        return np.asarray((model.density * parts)[np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])])
    found: Array = np.zeros((3 + len(model.late_s), 3 + len(model.late_s), *time.shape))
    for node, weight in zip(*np.polynomial.legendre.leggauss(16), strict=True):
        u = time * (node + 1) / 2
        late = np.moveaxis(_followed(u, model.late_s)[2], 1, 0)
        g = np.stack([u**2 / 2, u, np.ones_like(u), *late])
        found += (weight / 2 * model.density * time) * g[:, None] * g
    return found


def _taus(run: SimulatedPass) -> list[float]:
    """Time constant of each GNSS logger's speed filter [s]; 0 where it has none."""
    return [log.logger.speed_filter_s for _, _, log in run.gnss]


def _drifts(run: SimulatedPass) -> Array:
    """(2, drifts) width and time constant of each logger's drifts, speed and place by turns."""
    loggers = [log.logger for _, _, log in run.gnss]
    widths = [sd for one in loggers for sd in (one.speed_drift_mps, one.place_drift_m)]
    return np.array([widths, [s for one in loggers for s in (one.speed_drift_s, one.place_drift_s)]])


def _first_variance(run: SimulatedPass, size: int) -> Array:
    late = sum(tau > 0 for tau in _taus(run))
    found = np.zeros(size)
    found[:3] = np.square(FIRST_SD)
    found[3 : 3 + late] = FIRST_SD[1] ** 2
    loggers = [log.logger for _, _, log in run.gnss]
    widths = [sd for one in loggers for sd in (one.speed_drift_mps, one.place_drift_m)]
    found[3 + late : 3 + late + len(widths)] = np.square(widths)
    if run.wheel is not None:
        found[-3:] = np.square(WHEEL_SD)
    return found
