"""An oracle: a white-jerk Rauch-Tung-Striebel smoother that is told what no program can know.

Told: which epochs are spoilt, the true noise of every source, its drifts as Ornstein-Uhlenbeck
states of true width and time constant, the wheel log's true clock, a logger's true delay. Not told:
the motion. It models the motion as white jerk with ONE spectral density, which the benchmark
chooses for least error in hindsight, a family at a time. Written apart from `speedlog.fusion`.

Model: state (travel, speed, acceleration, two drifts a GNSS logger, three numbers of the wheel).
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


def oracles(runs: Sequence[SimulatedPass], densities: Array = DENSITIES) -> list[Answer]:
    """The oracle's trap speeds of many passes; those with as many logs go together."""
    found: dict[int, Answer] = {}
    shapes = [(len(run.gnss), run.wheel is not None) for run in runs]
    for shape in dict.fromkeys(shapes):
        places = [i for i, other in enumerate(shapes) if other == shape]
        found |= zip(places, _together([runs[i] for i in places], densities), strict=True)
    return [found[i] for i in range(len(runs))]


def _together(runs: Sequence[SimulatedPass], densities: Array) -> list[Answer]:
    lanes, loggers = len(densities), len(runs[0].gnss)
    size = 3 + 2 * loggers + (3 if runs[0].wheel else 0)
    readings = [_readings(run, size) for run in runs]
    drift = np.repeat(np.stack([_drifts(run) for run in runs], axis=-1), lanes, axis=-1)
    density = np.tile(densities, len(runs))
    joint = np.zeros((size, size + 1, len(density)))  # covariance, and the mean as a last column
    for k in range(size):
        joint[k, k] = np.repeat([_first_variance(run, size)[k] for run in runs], lanes)
    at = np.array([min(item.time_s[0], run.truth.entry_s) for item, run in zip(readings, runs, strict=True)])
    marks = [(run.truth.entry_s, run.truth.exit_s) for run in runs]
    for entry_or_exit in (0, 1):
        until = np.array([mark[entry_or_exit] for mark in marks])
        early = [item.part(item.time_s <= end) for item, end in zip(readings, until, strict=True)]
        readings = [item.part(item.time_s > end) for item, end in zip(readings, until, strict=True)]
        _filter(joint, _steps(early, at, until), drift, density, size)
        joint, at = _remembered(joint), until
    _filter(joint, _steps(readings, at, None), drift, density, size)
    return [_trap(run, joint[size:, :, i * lanes : (i + 1) * lanes]) for i, run in enumerate(runs)]


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


def _readings(run: SimulatedPass, size: int) -> _Readings:
    """All that the logs of a pass say, in order of time."""
    parts = [item for k, one in enumerate(run.gnss) for item in _gnss(run, k, one[1], one[2], size)]
    if run.wheel is not None:
        parts.append(_wheel(run, run.wheel[1], size))
    names = ("time_s", "row", "value", "variance")
    whole = _Readings(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
    return whole.part(np.argsort(whole.time_s, kind="stable"))


def _gnss(run: SimulatedPass, k: int, form: str, log: GnssLog, size: int) -> list[_Readings]:
    """Sound speeds and places of a logger, at the time they truly belong to."""
    logger = log.logger
    speed_ok, place_ok = sound(log)
    step = speed_step_mps(log, form)
    speed_row, place_row = np.zeros(size), np.zeros(size)
    speed_row[[1, 3 + 2 * k]] = 1.0
    place_row[[0, 4 + 2 * k]] = 1.0
    speed = _Readings(
        log.true_s - logger.delay_s - logger.speed_delay_s - logger.speed_filter_s,
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


def _wheel(run: SimulatedPass, log: ControllerLog, size: int) -> _Readings:
    """v - u (k + g (u/100)² + s a/10) = 0, with u the tread's speed by a ruler, known but for noise."""
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
    # the scale state is the departure from one
    return _Readings(log.true_s, row, tread, sd**2).part(sound_wheel)


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


def _filter(joint: Array, steps: _Steps, drift: Array, density: Array, size: int) -> None:
    """Move and take in every step, in place. `joint` (m, m + 1, L); its first `size` rows are the state."""
    lanes, drifts = len(density) // steps.time_s.shape[1], drift.shape[1]
    time, value, variance = (
        np.repeat(part, lanes, axis=-1) for part in (steps.time_s, steps.value, steps.variance)
    )
    row = np.repeat(steps.row, lanes, axis=-1)
    keep = np.exp(-time[:, None] / drift[1])
    wide = drift[0] ** 2 * (1 - keep**2)
    square, own = joint[:, :-1], np.einsum("iil->il", joint[:, :-1])
    cubic = time**3
    jerk = density * np.stack(
        [time**2 * cubic / 20, time * cubic / 8, cubic / 6, cubic / 3, time**2 / 2, time]
    )
    moves = time.any(axis=1)
    for k in range(len(time)):
        if moves[k]:
            t, half = time[k], time[k] ** 2 / 2
            joint[0] += t * joint[1] + half * joint[2]
            joint[1] += t * joint[2]
            joint[3 : 3 + drifts] *= keep[k][:, None]
            square[:, 0] += t * square[:, 1] + half * square[:, 2]
            square[:, 1] += t * square[:, 2]
            square[:, 3 : 3 + drifts] *= keep[k]
            joint[:3, :3] += jerk[_SYMMETRIC, k]
            own[3 : 3 + drifts] += wide[k]
            if size > 3 + drifts:
                own[size - 3] += WHEEL_WANDER**2 * t
                # a breath of noise keeps the covariance from going singular
                own[size - 2 : size] += 1e-14 * (t > 0)
        reach = np.einsum("jl,jkl->kl", row[k], joint[:size])
        reach[-1] -= value[k]
        spread = np.einsum("jl,jl->l", row[k], reach[:size]) + variance[k]
        joint -= (reach[:-1] / spread)[:, None] * reach


_SYMMETRIC = np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])


def _drifts(run: SimulatedPass) -> Array:
    """(2, drifts) width and time constant of each logger's drifts, speed and place by turns."""
    loggers = [log.logger for _, _, log in run.gnss]
    widths = [sd for one in loggers for sd in (one.speed_drift_mps, one.place_drift_m)]
    return np.array([widths, [s for one in loggers for s in (one.speed_drift_s, one.place_drift_s)]])


def _first_variance(run: SimulatedPass, size: int) -> Array:
    found = np.zeros(size)
    found[:3] = np.square(FIRST_SD)
    for k, (_, _, log) in enumerate(run.gnss):
        found[3 + 2 * k : 5 + 2 * k] = log.logger.speed_drift_mps**2, log.logger.place_drift_m**2
    if run.wheel is not None:
        found[-3:] = np.square(WHEEL_SD)
    return found
