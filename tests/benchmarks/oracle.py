"""An oracle: a white-jerk Rauch-Tung-Striebel smoother that is told what no program can know.

Told: which epochs are spoilt, the true noise of every source, its drifts as Ornstein-Uhlenbeck
states of true width and time constant, the wheel log's true clock, a logger's true delay. Not told:
the motion. It models the motion as white jerk with ONE spectral density, which the benchmark
chooses for least error in hindsight, a family at a time. Written apart from `speedlog.fusion`.

Model: state (travel, speed, acceleration, two drifts a GNSS logger, three numbers of the wheel).
Q of white jerk: q [[T⁵/20, T⁴/8, T³/6], [., T³/3, T²/2], [., ., T]] (Bar-Shalom, Li, Kirubarajan,
"Estimation with Applications to Tracking and Navigation", 2001, ch. 6). Smoother: Rauch, Tung,
Striebel, AIAA Journal 3 (1965) 1445. All densities are run at once, along the first axis.
"""

from __future__ import annotations

from dataclasses import dataclass

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
class _Reading:
    time_s: float
    row: Array
    value: float
    variance: float


def oracle(run: SimulatedPass, densities: Array = DENSITIES) -> Answer:
    """The oracle's trap speed of a pass."""
    size = 3 + 2 * len(run.gnss) + (3 if run.wheel else 0)
    readings = [item for k, one in enumerate(run.gnss) for item in _gnss(run, k, one[1], one[2], size)]
    if run.wheel is not None:
        readings += _wheel(run, run.wheel[1], size)
    readings.sort(key=lambda item: item.time_s)
    times = np.unique([item.time_s for item in readings] + [run.truth.entry_s, run.truth.exit_s])
    mean, cov, gain = _smooth(run, readings, times, size, densities)
    k, m = np.searchsorted(times, [run.truth.entry_s, run.truth.exit_s])
    chain = np.broadcast_to(np.eye(size), cov[m].shape)
    for step in range(int(k), int(m)):
        chain = chain @ gain[step]
    cross = (chain @ cov[m])[:, 0, 0]
    return _trap(run, mean[k], mean[m], cov[k][:, 0, 0], cov[m][:, 0, 0], cross)


def _trap(run: SimulatedPass, first: Array, last: Array, var1: Array, var2: Array, cross: Array) -> Answer:
    """Crossings from the smoothed place and speed at the true ones; sd to first order in the places."""
    truth = run.truth
    length = truth.exit_travel_m - truth.entry_travel_m
    t1 = truth.entry_s + (truth.entry_travel_m - first[:, 0]) / first[:, 1]
    t2 = truth.exit_s + (truth.exit_travel_m - last[:, 0]) / last[:, 1]
    speed = length / (t2 - t1)
    v1, v2 = first[:, 1], last[:, 1]
    variance = var1 / v1**2 + var2 / v2**2 - 2 * cross / (v1 * v2)
    return Answer(speed, speed**2 / length * np.sqrt(np.maximum(variance, 0.0)))


def _gnss(run: SimulatedPass, k: int, form: str, log: GnssLog, size: int) -> list[_Reading]:
    """Sound speeds and places of a logger, at the time they truly belong to."""
    logger = log.logger
    speed_ok, place_ok = sound(log)
    step = speed_step_mps(log, form)
    speed_var = logger.speed_white_mps**2 + step**2 / 12
    speed_at = log.true_s - logger.delay_s - logger.speed_delay_s - logger.speed_filter_s
    speed_row, place_row = np.zeros(size), np.zeros(size)
    speed_row[[1, 3 + 2 * k]] = 1.0
    place_row[[0, 4 + 2 * k]] = 1.0
    speed = np.round(log.speed_mps / step) * step
    travel = driven_m(run, log)
    place_var = logger.place_white_m**2 + 1e-4
    found = [
        _Reading(float(speed_at[i]), speed_row, float(speed[i]), speed_var) for i in np.flatnonzero(speed_ok)
    ]
    place_at = log.true_s - logger.delay_s
    return found + [
        _Reading(float(place_at[i]), place_row, float(travel[i]), place_var) for i in np.flatnonzero(place_ok)
    ]


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


def _wheel(run: SimulatedPass, log: ControllerLog, size: int) -> list[_Reading]:
    """v - u (k + g (u/100)² + s a/10) = 0, with u the tread's speed by a ruler, known but for noise."""
    assert run.wheel_diameter_m is not None
    tread = np.pi * run.wheel_diameter_m * log.rpm / 60 / run.gear_ratio
    window = max(3, round(0.3 * log.controller.rate_hz) // 2 * 2 + 1)
    even = np.convolve(np.pad(tread, window // 2, mode="edge"), np.full(window, 1 / window), mode="valid")
    accel = np.gradient(even, log.true_s)
    sd = np.hypot(log.controller.rpm_noise * tread, 0.02)
    sound_wheel = (tread > 10) & (np.abs(log.spinning) < 1e-3)
    found = []
    for i in np.flatnonzero(sound_wheel):
        row = np.zeros(size)
        row[1] = 1.0
        row[-3:] = -tread[i], -tread[i] * (tread[i] / 100) ** 2, -tread[i] * accel[i] / 10
        # the scale state is the departure from one
        found.append(_Reading(float(log.true_s[i]), row, float(tread[i]), float(sd[i] ** 2)))
    return found


def _smooth(
    run: SimulatedPass, readings: list[_Reading], times: Array, size: int, densities: Array
) -> tuple[list[Array], list[Array], list[Array]]:
    """Smoothed mean (D, n) and covariance (D, n, n) at each time, and the gain from each to the next."""
    count = len(densities)
    mean = np.zeros((count, size))
    cov = np.broadcast_to(np.diag(_first_variance(run, size)), (count, size, size)).copy()
    kept: list[tuple[Array, Array, Array, Array, Array]] = []
    place = 0
    moved = np.eye(size)
    for i, at in enumerate(times):
        if i:
            moved, noise = _move(run, float(at - times[i - 1]), size, densities)
            mean, cov = mean @ moved.T, moved @ cov @ moved.T + noise
        before = mean, cov
        while place < len(readings) and readings[place].time_s <= at:
            mean, cov = _take(mean, cov, readings[place])
            place += 1
        kept.append((moved, *before, mean, cov))
    means, covs, gains = [mean], [cov], [np.zeros((count, size, size))]
    for i in range(len(times) - 2, -1, -1):
        moved, predicted, predicted_cov = kept[i + 1][:3]
        mean, cov = kept[i][3:]
        gain = np.linalg.solve(predicted_cov, moved @ cov).transpose(0, 2, 1)
        means.append(mean + np.einsum("dij,dj->di", gain, means[-1] - predicted))
        covs.append(cov + gain @ (covs[-1] - predicted_cov) @ gain.transpose(0, 2, 1))
        gains.append(gain)
    return means[::-1], covs[::-1], gains[::-1]


def _take(mean: Array, cov: Array, reading: _Reading) -> tuple[Array, Array]:
    """One scalar reading, Joseph's form."""
    row = reading.row
    reach = cov @ row
    spread = reach @ row + reading.variance
    gain = reach / spread[:, None]
    mean = mean + gain * (reading.value - mean @ row)[:, None]
    left = np.eye(len(row)) - gain[:, :, None] * row
    cov = left @ cov @ left.transpose(0, 2, 1) + reading.variance * gain[:, :, None] * gain[:, None, :]
    return mean, cov


def _move(run: SimulatedPass, t: float, size: int, densities: Array) -> tuple[Array, Array]:
    """Transition and process noise over a time step: white jerk, and each drift on its own."""
    moved = np.eye(size)
    moved[0, 1] = moved[1, 2] = t
    moved[0, 2] = t * t / 2
    jerk = np.array(
        [[t**5 / 20, t**4 / 8, t**3 / 6], [t**4 / 8, t**3 / 3, t**2 / 2], [t**3 / 6, t**2 / 2, t]]
    )
    noise = np.zeros((len(densities), size, size))
    noise[:, :3, :3] = densities[:, None, None] * jerk
    for k, (_, _, log) in enumerate(run.gnss):
        one = log.logger
        for j, (sd, constant) in enumerate(
            ((one.speed_drift_mps, one.speed_drift_s), (one.place_drift_m, one.place_drift_s))
        ):
            keep = np.exp(-t / constant)
            moved[3 + 2 * k + j, 3 + 2 * k + j] = keep
            noise[:, 3 + 2 * k + j, 3 + 2 * k + j] = sd**2 * (1 - keep**2)
    if run.wheel is not None:
        noise[:, size - 3, size - 3] = WHEEL_WANDER**2 * t
        # a breath of noise keeps the covariance from going singular
        noise[:, range(size - 2, size), range(size - 2, size)] = 1e-14
    return moved, noise


def _first_variance(run: SimulatedPass, size: int) -> Array:
    found = np.zeros(size)
    found[:3] = np.square(FIRST_SD)
    for k, (_, _, log) in enumerate(run.gnss):
        found[3 + 2 * k : 5 + 2 * k] = log.logger.speed_drift_mps**2, log.logger.place_drift_m**2
    if run.wheel is not None:
        found[-3:] = np.square(WHEEL_SD)
    return found
