"""Passes for the fault benchmark: the simulator's families, and further ones that vary what those fix."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from speedlog.demo import disturb
from speedlog.demo.draws import Plan, Rng, Scene, gear_of, random_logger, random_scene
from speedlog.demo.families import FAMILIES
from speedlog.demo.gnss import GnssLog, log_gnss
from speedlog.demo.scenario import Format, SimulatedPass, official_speed

RATES_HZ = (1.0, 2.0, 5.0, 8.0, 10.0, 18.0, 20.0, 25.0)


def make(name: str, rng: Rng) -> SimulatedPass:
    """A random pass of a family of either list.

    Raises:
        KeyError: no such family.
    """
    return (FAMILIES | VARIED)[name](name, rng)


def _varied(spoil: Callable[[Rng, Scene, GnssLog], GnssLog]) -> Callable[[str, Rng], SimulatedPass]:
    """Rates of 1 to 25 Hz, text of 1 to 4 digits, any lift, gusts; the spoiling is the family's."""

    def build(name: str, rng: Rng) -> SimulatedPass:
        scene = random_scene(rng, Plan(gusts_mps=1.5, bump=bool(rng.random() < 0.3)))
        logger = replace(random_logger(rng, float(rng.choice(RATES_HZ))), knot_digits=int(rng.integers(1, 5)))
        log = spoil(rng, scene, log_gnss(rng, scene.truth, scene.place, logger, scene.launch_ns))
        forms: tuple[Format, ...] = ("nmea", "csv", "gpx")
        form = forms[int(rng.integers(0, 3))]
        return SimulatedPass(
            family=name, truth=scene.truth, place=scene.place, trap=scene.trap, launch_ns=scene.launch_ns,
            official_mps=official_speed(rng, scene.truth, scene.trap),
            gnss=((f"gnss.{form}", form, log),), gear_ratio=gear_of(scene.truth.car),
        )  # fmt: skip

    return build


def _scattered(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    """Runs of 1 to 5 wrong speeds, each with an error of its own around the run's, at any place."""
    least = max(1.0, 8 * log.logger.speed_white_mps)
    for _ in range(int(rng.integers(1, 4))):
        at, rows = rng.uniform(1.5, scene.truth.stop_s - 0.5), int(rng.integers(1, 6))
        size = 1.2 * least * math.exp(rng.uniform(0, math.log(30.0 / least))) * rng.choice([-1, 1])
        first = int(np.searchsorted(log.true_s, at))
        own = log.speed_mps.copy()
        log = disturb.outlier(log, at, rows, size)
        hit = slice(first, first + rows)
        ragged = np.where(own[hit] > 0, 0.15 * size * rng.uniform(-1, 1, len(own[hit])), 0.0)
        speed = log.speed_mps.copy()
        speed[hit] = np.abs(speed[hit] + ragged)
        log = replace(log, speed_mps=speed)
    return log


def _places(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    """Runs of 1 to 5 wrong places along the line (3 m and more), the speed sound."""
    for _ in range(int(rng.integers(1, 3))):
        at, rows = rng.uniform(2.0, scene.truth.stop_s - 1.0), int(rng.integers(1, 6))
        size = 3.0 * math.exp(rng.uniform(0, math.log(20.0))) * rng.choice([-1, 1])
        log = disturb.outlier(log, at, rows, 0.0, size)
    return log


def _tops(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    """A ceiling, at a limit that loggers are known for where one lies below the peak."""
    peak = scene.truth.peak_mps
    known = [v for v in (65.535, 255 / 3.6, 99.9 * 1852 / 3600, 100.0) if 0.5 < peak - v < 12.0]
    top = known[0] if known and rng.random() < 0.5 else peak - rng.uniform(0.5, 15.0)
    return disturb.ceiling(log, top)


def _stuck(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    """Held values of 0.2 to 2 s anywhere in the pass, one or two of them."""
    for _ in range(int(rng.integers(1, 3))):
        start = rng.uniform(1.0, scene.truth.stop_s - 1.0)
        log = disturb.frozen(log, start, start + rng.uniform(0.2, 2.0))
    return log


def _holes(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    start = rng.uniform(1.0, scene.truth.stop_s - 1.0)
    return disturb.gap(log, start, start + rng.uniform(2.0, 12.0) / log.logger.rate_hz)


VARIED: dict[str, Callable[[str, Rng], SimulatedPass]] = {
    "varied_clean": _varied(lambda rng, scene, log: log),
    "varied_outliers": _varied(_scattered),
    "varied_places": _varied(_places),
    "varied_ceiling": _varied(_tops),
    "varied_frozen": _varied(_stuck),
    "varied_gap": _varied(_holes),
}
NAMES: tuple[str, ...] = (*FAMILIES, *VARIED)
