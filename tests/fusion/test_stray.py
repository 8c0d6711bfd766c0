"""Runs of wild speeds that only the fused motion shows up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from speedlog.course.track import Track
from speedlog.fusion.estimate import estimate_motion
from speedlog.fusion.stray import stray_speeds
from speedlog.samples import empty_samples
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass

SETTINGS = FusionSettings()
ORIGIN = pd.Timestamp("2026-07-12T10:00:00Z")


def found_in(made: MadePass, rows: slice, off_mps: float, settings: FusionSettings = SETTINGS):
    speed = made.source.speed_mps.copy()
    speed[rows] += off_mps
    source = replace(made.source, speed_mps=speed)
    time = source.time_s
    samples = empty_samples(pd.DatetimeIndex(ORIGIN + pd.to_timedelta(time, unit="s")).as_unit("ns"))
    track = Track(
        "a.nmea", "gnss", ORIGIN, time, samples, source.travel_m, np.zeros(len(time)), 0.04, 1, None
    )
    motion = estimate_motion([source], [], None, settings)
    assert motion is not None
    return stray_speeds(track, source, motion.noises[0], motion, settings), time


def test_a_run_of_wild_speeds_is_told_with_its_size_and_length(clean_pass: MadePass) -> None:
    spans, time = found_in(clean_pass, slice(250, 275), 9.0)
    (span,) = spans
    assert (span.kind, span.concerns) == ("outlier", "speed")
    assert (span.start_s, span.end_s) == (time[250], time[274])
    # 25 epochs at 25 Hz last 1.00 s; put in: 9 m/s
    assert span.detail.startswith(("a speed 8.9 m/s above", "a speed 9.0 m/s above", "a speed 9.1 m/s above"))
    assert span.detail.endswith("for 1.00 s")


@pytest.mark.parametrize("off_mps", [0.0, 2.0])
def test_a_clean_or_slightly_biased_stretch_is_none(clean_pass: MadePass, off_mps: float) -> None:
    assert found_in(clean_pass, slice(250, 275), off_mps)[0] == ()


def test_what_lasts_too_long_is_no_stray_reading(clean_pass: MadePass) -> None:
    short = replace(SETTINGS, stray_longest_s=0.5)
    assert found_in(clean_pass, slice(250, 275), 9.0, short)[0] == ()
