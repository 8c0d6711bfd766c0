"""A small pass of its own making: up the run-up, through the trap, lift, brake. Closed forms only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from speedlog.fusion.measure import GnssSource


@dataclass(frozen=True, eq=False)
class MadePass:
    """True motion (piecewise constant acceleration) and the logger's readings of it."""

    source: GnssSource
    entry_m: float
    exit_m: float
    trap_mps: float  # true: length over time
    peak_mps: float
    true_time_s: np.ndarray
    true_travel_m: np.ndarray
    true_speed_mps: np.ndarray


def make_pass(
    seed: int = 1, rate_hz: float = 25.0, speed_sd: float = 0.06, place_sd: float = 0.05, gap_s: float = 0.0
) -> MadePass:
    rng = np.random.default_rng(seed)
    fine = np.arange(0, 22, 0.001)
    accel = np.select([fine < 2, fine < 12, fine < 12.6, fine < 20.1], [0.0, 8.0, -1.0, -10.0], 0.0)
    speed = np.maximum(np.concatenate([[0.0], np.cumsum(accel[:-1] * 0.001)]), 0.0)
    travel = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * 0.001)])
    entry, leave = 360.0, 390.0
    times = np.interp([entry, leave], travel, fine)
    t = np.arange(rng.uniform(0, 1 / rate_hz), 21.9, 1 / rate_hz)
    wander = np.cumsum(rng.normal(0, 0.02 / np.sqrt(rate_hz / 25), len(t)))
    v = np.abs(np.interp(t, fine, speed) + rng.normal(0, speed_sd, len(t)))
    s = np.interp(t, fine, travel) + rng.normal(0, place_sd, len(t)) + wander
    ok = np.abs(t - times.mean()) > gap_s / 2 if gap_s else np.ones(len(t), dtype=bool)
    every = np.ones(int(ok.sum()), dtype=bool)
    source = GnssSource(t[ok], s[ok], v[ok], every, every, 1 / rate_hz)
    trap = (leave - entry) / float(times[1] - times[0])
    return MadePass(source, entry, leave, trap, float(speed.max()), fine, travel, speed)


@pytest.fixture(scope="session")
def clean_pass() -> MadePass:
    return make_pass()
