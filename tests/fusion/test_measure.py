"""Noise told from the data, and readings made observations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.measure import WheelSource, measure_noise, observe, third_difference_sd
from speedlog.fusion.motion import ACCEL, ALONG, SPEED, Layout
from speedlog.settings import FusionSettings
from tests.fusion.conftest import make_pass

SETTINGS = FusionSettings()


@pytest.mark.parametrize("sd", [0.03, 0.15])
def test_third_differences_tell_white_noise(sd: float) -> None:
    """The third difference of white noise has 1 + 9 + 9 + 1 = 20 times its variance."""
    rng = np.random.default_rng(4)
    t = np.arange(4000) * 0.04
    found, count = third_difference_sd(40 + 3 * t - 0.05 * t**2 + rng.normal(0, sd, 4000), t, 0.04)
    assert count == 3997
    assert found == pytest.approx(sd, rel=0.08)  # a median of 4000 overlapping values: about 2.5 % sd


def test_a_slow_log_can_not_tell_its_noise() -> None:
    t = np.arange(60.0)
    assert third_difference_sd(t * 0.5, t, 1.0)[1] == 0
    noise = measure_noise(make_pass(rate_hz=1.0).source, SETTINGS)
    assert noise.speed_mps == SETTINGS.speed_noise_mps


@pytest.mark.parametrize(("speed_sd", "place_sd"), [(0.04, 0.03), (0.14, 0.10)])
def test_noise_of_a_pass_is_found(speed_sd: float, place_sd: float) -> None:
    """Against what was put in; the default counts for 8 epochs of some 400, a lift for a few more."""
    found = [measure_noise(make_pass(seed, 25, speed_sd, place_sd).source, SETTINGS) for seed in range(8)]
    assert np.mean([noise.speed_mps for noise in found]) == pytest.approx(speed_sd, rel=0.15)
    assert np.mean([noise.place_m for noise in found]) == pytest.approx(place_sd, rel=0.25)
    # put in: 0.02 m a step at 25 Hz = 0.01 m²/s
    assert np.mean([noise.place_drift_m2_s for noise in found]) == pytest.approx(0.01, rel=0.6)


def test_observations_stand_where_the_layout_says() -> None:
    source = make_pass().source
    bad = replace(source, speed_ok=np.zeros(len(source.time_s), dtype=bool))
    wheel = WheelSource(np.array([3.0, 3.04]), np.array([10.0, 20.0]), 1.02, 1e-5, 0.002, 0.0)
    layout = Layout(2, 1)
    noises = [measure_noise(source, SETTINGS), measure_noise(bad, SETTINGS)]
    seen = observe([source, bad], noises, [wheel], layout, SETTINGS)
    assert np.all(np.diff(seen.time_s) >= 0)
    assert set(np.unique(seen.channel)) == {0, 1, 3, 4}  # the second logger's speed is not used
    of_wheel = seen.row[seen.channel == 4]
    # by hand: 10 * (1.02 + 1e-5 * 100) = 10.21; slip row -0.002 * 10
    assert seen.value[seen.channel == 4][0] == pytest.approx(10.21)
    assert of_wheel[0, SPEED] == 1 and of_wheel[0, ACCEL] == pytest.approx(-0.02)
    assert of_wheel[0, layout.wheel_scale(0)] == pytest.approx(-10.21)
    place = seen.row[seen.channel == 3][0]
    assert place[ALONG] == 1 and place[layout.place_drift(1)] == 1 and place.sum() == 2
