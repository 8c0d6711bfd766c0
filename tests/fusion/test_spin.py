"""Bursts of wheelspin by their hump; lifts, brakes and noise are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.fusion.spin import _kink, _noise, _probe, spinning
from speedlog.settings import FusionSettings

SETTINGS = FusionSettings()
TIME = np.arange(0, 8, 0.04)


def drive(noise: float = 0.05, seed: int = 1) -> np.ndarray:
    """Up with 8 m/s², off the throttle at 5 s, brakes from 5.6 s."""
    accel = np.select([TIME < 5, TIME < 5.6], [8.0, -3.0], -10.0)
    speed = 20 + np.concatenate([[0.0], np.cumsum(accel[:-1] * 0.04)])
    return speed + np.random.default_rng(seed).normal(0, noise, len(TIME))


def burst(at: float, width: float, height: float) -> np.ndarray:
    inside = np.abs(TIME - at) < width / 2
    return np.where(inside, height * np.cos(np.pi * (TIME - at) / width) ** 2, 0.0)


@pytest.mark.parametrize("width", [0.12, 0.2, 0.32, 0.5])
def test_a_burst_is_told_and_nothing_else(width: float) -> None:
    found = spinning(TIME, drive() + burst(3.0, width, 4.0), SETTINGS)
    peak = int(np.argmin(np.abs(TIME - 3.0)))
    assert found[peak]
    # nothing farther off than the hump's half and two readings
    assert np.abs(TIME[found] - 3.0).max() <= 0.75 * width + 0.1


def test_several_bursts() -> None:
    found = spinning(TIME, drive() + burst(2.0, 0.2, 4.0) + burst(3.5, 0.32, 5.0), SETTINGS)
    assert found[np.argmin(np.abs(TIME - 2.0))] and found[np.argmin(np.abs(TIME - 3.5))]
    one = spinning(
        TIME, drive() + burst(2.0, 0.2, 4.0) + burst(3.5, 0.32, 5.0), replace(SETTINGS, spin_most=1)
    )
    assert 0 < one.sum() < found.sum()


@pytest.mark.parametrize("seed", range(5))
def test_lift_and_brakes_are_no_burst(seed: int) -> None:
    assert not spinning(TIME, drive(seed=seed), SETTINGS).any()


def test_both_sides_of_what_noise_can_do() -> None:
    """Without any allowance for a kink only the noise limits: 5 sd of the height's own scatter."""
    known = replace(SETTINGS, spin_kink_mps2=0.0, spin_widths_s=(0.32,))
    straight = 20 + 8 * TIME + np.random.default_rng(3).normal(0, 0.1, len(TIME))
    scatter = _noise(straight) * np.linalg.norm(_probe(round(0.32 / 0.04) + 1, round(0.24 / 0.04)))
    assert not spinning(TIME, straight + burst(3.0, 0.32, 2.0 * scatter), known).any()
    assert spinning(TIME, straight + burst(3.0, 0.32, 9.0 * scatter), known).any()


def test_the_probe_sees_a_hump_and_no_parabola() -> None:
    """Least squares beside a parabola: 0 of 1, t, t²; 1 of the hump itself."""
    probe = _probe(9, 6)
    t = np.arange(21.0)
    hump = np.zeros(21)
    hump[6:15] = np.sin(np.pi * (np.arange(9) + 0.5) / 9) ** 2
    np.testing.assert_allclose([probe @ t**k for k in range(3)], 0, atol=1e-9)
    assert probe @ hump == pytest.approx(1.0)


def test_a_kink_is_as_high_as_the_limit_says() -> None:
    """The probe over a drive whose speed stops rising by 1 a step, at every place: the highest is what is allowed."""
    probe = _probe(9, 6)
    t = np.arange(21.0)
    heights = [probe @ np.minimum(t, at) for at in t]
    assert _kink(probe) == pytest.approx(max(heights))
    assert _kink(probe) > 0


def test_noise_by_third_differences() -> None:
    found = _noise(3 * TIME + np.random.default_rng(2).normal(0, 0.2, len(TIME)))
    assert found == pytest.approx(0.2, rel=0.25)


@given(st.lists(st.floats(0, 120), min_size=0, max_size=30))
def test_any_log_gives_a_mask(values: list[float]) -> None:
    time = np.arange(len(values)) * 0.04
    found = spinning(time, np.array(values), SETTINGS)
    assert found.shape == (len(values),) and (len(values) >= 8 or not found.any())
