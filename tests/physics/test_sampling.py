"""What sampling, lag and text steps leave out: the numbers of references.md topic 5, and counting by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter, lsim

from speedlog.physics.sampling import (
    peak_filtered_away,
    peak_missed_most,
    ramp_read_low,
    rate_for_one_inside,
    step_uncertainty,
    trap_mean_missed_most,
    twice_filtered,
)

A, B = 8.0, 12.0  # m/s², as in references.md topic 5


@pytest.mark.parametrize(
    ("rate_hz", "most_mps"), [(1, 4.8), (5, 0.96), (10, 0.48), (20, 0.24), (25, 0.192), (50, 0.096)]
)
def test_a_sharp_peak_between_two_readings(rate_hz: float, most_mps: float) -> None:
    """references.md topic 5: h = a b / ((a + b) f)."""
    assert peak_missed_most(A, B, 1 / rate_hz) == pytest.approx(most_mps, rel=1e-12)


def test_the_loss_is_even_from_none_to_the_most() -> None:
    """By readings at 10 Hz with every phase: largest 0.48, mean 0.24, sd 0.48 / sqrt 12 (topic 5)."""
    phase = np.linspace(0, 0.1, 20001)[:, None]
    at = phase + 0.1 * np.arange(-3, 3)
    lost = -np.where(at < 0, A * at, -B * at).max(axis=1)
    most = peak_missed_most(A, B, 0.1)
    assert lost.max() == pytest.approx(most, abs=1e-4)
    assert lost.mean() == pytest.approx(most / 2, abs=1e-4)
    assert lost.std() == pytest.approx(most / np.sqrt(12), abs=1e-4)


@pytest.mark.parametrize(("a", "b"), [(0.0, 12.0), (8.0, 0.0), (0.0, 0.0)])
def test_a_level_top_is_never_missed(a: float, b: float) -> None:
    assert peak_missed_most(a, b, 1.0) == 0.0 and peak_filtered_away(a, b, 0.1) == 0.0


@pytest.mark.parametrize(("interval_s", "transit_s"), [(0.04, 0.3), (0.2, 0.3), (0.3, 0.3), (1.0, 0.3)])
def test_the_trap_mean_of_joined_readings(interval_s: float, transit_s: float) -> None:
    """The worst over all phases of the readings and places of the trap, integrated finely."""
    fine = np.linspace(-2.0, 2.0, 40001)
    true = np.where(fine < 0, A * fine, -B * fine)
    worst = 0.0
    for phase in np.linspace(0, interval_s, 21):
        at = np.arange(-2.0 - phase, 2.0 + interval_s, interval_s)
        joined = np.interp(fine, at, np.where(at < 0, A * at, -B * at))
        gone = np.concatenate([[0.0], np.cumsum(true - joined) * (fine[1] - fine[0])])
        begin = np.linspace(-transit_s - 0.5, 0.5, 401)
        area = np.interp(begin + transit_s, fine, gone[1:]) - np.interp(begin, fine, gone[1:])
        worst = max(worst, float(area.max()) / transit_s)
    assert worst == pytest.approx(trap_mean_missed_most(A, B, interval_s, transit_s), rel=0.01)


def test_a_lag_on_a_ramp_and_at_a_peak() -> None:
    """references.md topic 5: a ramp reads a tau low; with tau 0.1 s the peak reads 0.61299 m/s low."""
    assert ramp_read_low(A, 0.1) == pytest.approx(0.8)
    assert ramp_read_low(-B, 0.1) == pytest.approx(-1.2)
    assert peak_filtered_away(A, B, 0.1) == pytest.approx(0.61299, abs=1e-4)


def test_a_filter_by_scipy() -> None:
    step, tau = 1e-5, 0.1
    time = np.arange(-3, 1, step)
    keep = np.exp(-step / tau)
    shown = lfilter([1 - keep], [1, -keep], np.where(time < 0, A * (time + 3), 3 * A - B * time))
    assert 3 * A - shown.max() == pytest.approx(peak_filtered_away(A, B, tau), abs=1e-3)


def test_the_rate_for_one_reading_inside() -> None:
    """references.md topic 5: 98 m/s over 30 m asks for 3.27 Hz."""
    assert rate_for_one_inside(98.0, 30.0) == pytest.approx(3.27, abs=0.005)


@pytest.mark.parametrize(("step_kn", "u_mps"), [(0.1, 0.014851), (0.01, 0.0014851)])
def test_the_step_of_the_text(step_kn: float, u_mps: float) -> None:
    """references.md topic 5."""
    assert step_uncertainty(step_kn * 1852 / 3600) == pytest.approx(u_mps, rel=1e-4)


@pytest.mark.parametrize("constant_s", [0.02, 0.1, 0.3, 0.6])
def test_a_jump_behind_two_filters(constant_s: float) -> None:
    """By hand, the step response of 1 / (1 + s T)²: 1 - (1 + t/T) exp(-t/T); no earlier and no later than that.

    The jump is a line of 1e-9 s, so the answers differ by no more than that over T.
    """
    knots, value = np.array([0.0, 1.0, 1.0 + 1e-9, 6.0]), np.array([0.0, 0.0, A, A])
    time = np.linspace(-0.5, 7.0, 301)
    gone = np.maximum(time - 1.0, 0.0) / constant_s
    wanted = A * (1 - (1 + gone) * np.exp(-gone))
    found = twice_filtered(knots, value, time, constant_s)
    np.testing.assert_allclose(found, wanted, atol=A * 1e-9 / constant_s + 1e-12)


def test_a_ramp_behind_two_filters() -> None:
    """By hand: of a ramp t, the two show t - 2 T + (t + 2 T) exp(-t/T); on the long run it is 2 T late."""
    t, constant_s = np.linspace(0.0, 5.0, 51), 0.3
    found = twice_filtered(np.array([0.0, 5.0]), np.array([0.0, 5.0]), t, constant_s)
    wanted = t - 2 * constant_s + (t + 2 * constant_s) * np.exp(-t / constant_s)
    np.testing.assert_allclose(found, wanted, atol=1e-12)
    assert found[-1] == pytest.approx(5.0 - 2 * constant_s, abs=1e-6)


def test_any_lines_behind_two_filters_as_scipy_has_them() -> None:
    """scipy.signal.lsim integrates straight lines exactly (its grid holds every knot)."""
    rng = np.random.default_rng(3)
    knots = np.unique(np.round(rng.uniform(0, 6, 40), 3))
    knots, constant_s = np.concatenate([[0.0], knots, [6.001]]), 0.17
    value = rng.normal(0, 8, len(knots))
    grid = np.arange(0, 6.0015, 0.001)
    system = ([1.0], [constant_s**2, 2 * constant_s, 1.0])
    moved = np.interp(grid, knots, value) - value[0]  # lsim begins at rest
    _, wanted, _ = lsim(system, moved, grid)
    np.testing.assert_allclose(twice_filtered(knots, value, grid, constant_s), wanted + value[0], atol=1e-8)


def test_no_filter_and_times_outside_the_lines() -> None:
    knots, value = np.array([0.0, 1.0, 3.0]), np.array([2.0, 4.0, 1.0])
    at = np.array([-1.0, 0.5, 2.0, 9.0])
    np.testing.assert_array_equal(twice_filtered(knots, value, at, 0.0), [2.0, 3.0, 2.5, 1.0])
    found = twice_filtered(knots, value, np.array([-1.0, 0.0, 90.0]), 0.2)
    np.testing.assert_allclose(found, [2.0, 2.0, 1.0], atol=1e-12)  # settled before, and settled again after
