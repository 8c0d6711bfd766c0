"""A hole in a slow log is a gap and no step of its clock, wherever in the pass it lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from speedlog.course.clock import mend
from speedlog.demo import disturb
from speedlog.demo.draws import Plan, random_logger, random_scene, seeded
from speedlog.demo.gnss import log_gnss
from speedlog.samples import Clock, Recording, empty_samples
from speedlog.settings import PassSettings
from tests.course.days import Day, kept, record
from tests.course.test_track import stepped


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("missing", [3, 4, 5, 6, 7, 8])
def test_a_gap_anywhere_in_a_pass_is_no_step(rate_hz: float, missing: int) -> None:
    log = record(Day().stand(6).go(80, hold=1).stand(6), rate_hz=rate_hz)
    rows = np.arange(len(log.samples))
    for first in range(1, len(rows) - missing):
        line = mend(kept(log, (rows < first) | (rows >= first + missing)), PassSettings())
        assert len(line.step_s) == 0, first


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0])
def test_a_gap_in_a_simulated_pass_is_no_step(rate_hz: float) -> None:
    for seed in range(8):
        rng = seeded(seed, "gap", int(rate_hz))
        scene = random_scene(rng, Plan())
        log = log_gnss(rng, scene.truth, scene.place, random_logger(rng, rate_hz), scene.launch_ns)
        for missing in range(3, 9):
            start = rng.uniform(1.0, scene.truth.stop_s - 1.0)
            holed = disturb.gap(log, start, start + (missing - 0.5) / rate_hz)
            samples = empty_samples(pd.DatetimeIndex(holed.time_ns, tz="UTC"))
            for name in ("lat_deg", "lon_deg", "speed_mps"):
                samples[name] = getattr(holed, name)
            whole = Recording("log.nmea", "0" * 64, "nmea", Clock.UTC, (samples,))
            assert len(mend(whole, PassSettings()).step_s) == 0, (seed, start, missing)


def test_both_sides_of_what_a_car_can_do_meanwhile() -> None:
    """At 80 m/s the clock steps on by 1 s at 1 Hz: 80 m in 2 s logged.

    Braking and pulling at a m/s², a second each, the car drives 160 - a metres at the least: 80 m ask for
    80 m/s², less 1.2 m of doubt and noise.
    """
    log = stepped(record(Day().stand(10).go(80, hold=4).stand(20), rate_hz=1.0), 21.5, 1.0, segments=False)
    assert len(mend(log, replace(PassSettings(), step_most_mps2=70.0)).step_s) == 1
    assert len(mend(log, replace(PassSettings(), step_most_mps2=85.0)).step_s) == 0
