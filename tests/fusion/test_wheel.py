"""Wheel logs: offset, scale, growth and slip found again; and on a real drive."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from speedlog.fusion.measure import used_by
from speedlog.fusion.wheel import coarse_offset, fit_wheel
from speedlog.physics.wheel import wheel_speed
from speedlog.settings import FusionSettings

SETTINGS = FusionSettings()
DRIVE = Path(__file__).parents[2].parent / "shared" / "real" / "drive"


def wheel_log(made, scale=1.03, growth=0.0, slip=0.0, offset=137.4, rate=50.0, seed=3):
    """A tread speed on its own clock: true = tread (scale + growth tread² + slip grip), solved for tread."""
    t = np.arange(0.2, 21.5, 1 / rate)
    v = np.interp(t, made.true_time_s, made.true_speed_mps)
    a = np.gradient(v, t)
    tread = v / scale
    for _ in range(30):
        tread = v / (scale + growth * tread**2 + slip * used_by(tread, a, SETTINGS))
    return t - offset, tread + np.random.default_rng(seed).normal(0, 0.05, len(t))


def test_offset_scale_growth_and_slip_are_found_again(clean_pass) -> None:
    made = clean_pass
    own, tread = wheel_log(made, scale=0.97, growth=8e-6, slip=0.002)
    t = np.arange(0.5, 21.0, 0.04)
    v = np.interp(t, made.true_time_s, made.true_speed_mps)
    a = np.gradient(v, t)
    coarse = coarse_offset(own, tread, t, v, SETTINGS)
    assert coarse is not None and coarse.offset_s == pytest.approx(137.4, abs=0.1)
    fit = fit_wheel(own, tread, coarse.offset_s, t, v, a, np.ones(len(t), dtype=bool), SETTINGS)
    assert fit is not None
    # slip and offset trade off; 10 ms at 8 m/s² is 0.08 m/s, the noise of one reading
    assert fit.offset_s == pytest.approx(137.4, abs=0.010)
    top = 80 / 0.97
    found = fit.source.speed_of(np.array([top]), 8.0, SETTINGS)[0] / top
    used = used_by(np.array([top]), 8.0, SETTINGS)[0]
    assert found == pytest.approx(0.97 + 8e-6 * top**2 + 0.002 * used, rel=0.005)
    assert fit.residual_mps < 0.2


def test_one_log_of_three_passes_falls_into_place_by_their_pattern(clean_pass) -> None:
    made = clean_pass
    own, tread = wheel_log(made, offset=0.0)
    short = tread * np.interp(own, [0, 9, 10, 22], [0.7, 0.7, 0.72, 0.72])  # an earlier, slower pass
    day_t = np.concatenate([own, own + 400, own + 900])
    day_v = np.concatenate([short, tread, 0.85 * short])
    t = np.arange(0.5, 21.0, 0.04)
    v = np.interp(t, made.true_time_s, made.true_speed_mps)
    coarse = coarse_offset(day_t, day_v, t, v, SETTINGS)
    assert coarse is not None
    assert coarse.offset_s == pytest.approx(-400.0, abs=0.1)
    assert coarse.runner_up < coarse.correlation


def test_a_log_of_something_else_is_refused(clean_pass) -> None:
    made = clean_pass
    own = np.arange(0, 40, 0.05)
    other = 20 + 5 * np.sin(own * 2.1)
    t = np.arange(0.5, 21.0, 0.04)
    assert coarse_offset(own, other, t, np.interp(t, made.true_time_s, made.true_speed_mps), SETTINGS) is None


def test_real_drive_wheels_follow_the_receiver() -> None:
    """comma2k19 sample drive: its README gives the true scale as 0.9 % away from the nominal 650 mm."""
    if not DRIVE.exists():
        pytest.skip("shared/ is not beside this checkout")
    gnss, wheels = pd.read_csv(DRIVE / "gnss.csv"), pd.read_csv(DRIVE / "wheels.csv")
    time = pd.to_datetime(gnss["UTC Time"])
    t = (time - time[0]).dt.total_seconds().to_numpy()
    v = gnss["Speed (m/s)"].to_numpy()
    tread = wheel_speed(wheels["RPM"].to_numpy(dtype=float), 0.65, 1.0)
    own = wheels["Time (s)"].to_numpy()
    coarse = coarse_offset(own, tread, t, v, SETTINGS)
    assert coarse is not None and coarse.correlation > 0.999
    fit = fit_wheel(
        own, tread, coarse.offset_s, t, v, np.gradient(v, t), np.ones(len(t), dtype=bool), SETTINGS
    )
    assert fit is not None
    assert fit.source.scale == pytest.approx(1.009, abs=0.002)
    assert fit.residual_mps < 0.12


def test_correlation_is_that_of_a_general_library() -> None:
    from scipy.signal import correlate

    from speedlog.fusion.wheel import _correlated

    rng = np.random.default_rng(8)
    one, two = rng.normal(size=731), rng.normal(size=98)
    np.testing.assert_allclose(_correlated(one, two), correlate(one, two, mode="full"), atol=1e-10)


def test_a_review_with_a_wheel_log_needs_no_statistics_library() -> None:
    """scipy.stats alone takes longer to import than a pass takes to be fused."""
    code = (
        "import sys, speedlog; from speedlog.demo import sample_folder as f; d = f(); "
        "speedlog.review([d / 'p09_front.nmea', d / 'p09_controller.csv'], "
        "course=speedlog.Course.load(d / 'course.toml'), trap='196.9 mph', wheel_diameter='88 mm'); "
        "print([name for name in ('scipy.stats', 'scipy.signal', 'numba') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
