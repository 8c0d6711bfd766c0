"""Readings as rows: what each sees of the state and of the constants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.knots import quintic
from speedlog.fusion.measure import GnssSource, Noise, WheelSource, used_by
from speedlog.fusion.model import make_model, make_rows, solve
from speedlog.fusion.motion import Layout, Roughness
from speedlog.fusion.observe import WHEEL_CONSTANTS, Reference, observe
from speedlog.settings import FusionSettings
from tests.fusion.conftest import make_pass

SETTINGS = FusionSettings()
NOISE = Noise(0.07, 0.05, 0.01)
WHEEL = WheelSource(np.array([3.0, 3.04]), np.array([10.0, 20.0]), 1.02, 1e-5, -0.002, 0.0)
REFERENCE = Reference(np.array([0.0, 22.0]), np.array([0.0, 22.0]))  # acceleration in m/s² = time in s


def test_readings_stand_where_the_layout_says() -> None:
    source = make_pass().source
    silent = replace(source, speed_ok=np.zeros(len(source.time_s), dtype=bool))
    layout = Layout(2, (), (0.01,))
    seen = observe([source, silent], [NOISE, NOISE], [WHEEL], layout, None, (), SETTINGS)
    assert np.all(np.diff(seen.time_s) >= 0)
    assert set(np.unique(seen.channel)) == {0, 1, 3, 4}  # the second logger's speed is not used
    assert seen.constant.shape == (len(seen.time_s), 0)  # nothing to take them round yet
    place, speed = seen.channel == 3, seen.channel == 0
    assert (seen.motion[place] == [1, 0, 0]).all() and (seen.drift_at[place] == layout.place_drift(1)).all()
    assert (seen.motion[speed] == [0, 1, 0]).all() and (seen.drift_at[speed] == layout.speed_drift(0)).all()
    assert np.unique(seen.variance[place]) == pytest.approx([0.05**2])
    assert np.unique(seen.variance[speed]) == pytest.approx([0.07**2])
    assert (seen.places(layout) == np.isin(seen.channel, [1, 3])).all()
    assert (seen.speeds(layout) == np.isin(seen.channel, [0, 4])).all()


def test_a_wheel_reading_is_its_equation_turned_round() -> None:
    """v = tread (scale + growth tread²) + slip tread grip(a): the free part is the reading, the rest its row."""
    layout = Layout(1, (), (0.01,))
    seen = observe([make_pass().source], [NOISE], [WHEEL], layout, REFERENCE, (), SETTINGS)
    of = seen.channel == 2
    still = used_by(WHEEL.tread_mps, 0.0, SETTINGS)
    wanted = WHEEL.tread_mps * (1.02 + 1e-5 * WHEEL.tread_mps**2 - 0.002 * still)
    np.testing.assert_allclose(seen.value[of], wanted, rtol=1e-12)
    assert seen.value[of][0] == pytest.approx(10.21, abs=0.02)  # by hand, but for rolling
    # whatever the acceleration: what the row sees of (speed, acceleration) is the reading
    for accel in (-9.0, 7.0):
        true = WHEEL.speed_of(WHEEL.tread_mps, accel, SETTINGS)
        np.testing.assert_allclose(seen.motion[of] @ [0, 0, accel] + true, seen.value[of], rtol=1e-12)
    np.testing.assert_allclose(seen.drift_factor[of], -wanted)
    least, share = SETTINGS.wheel_noise_floor_mps, SETTINGS.wheel_noise_share
    np.testing.assert_allclose(seen.variance[of], least**2 + (share * wanted) ** 2)


@pytest.mark.parametrize("which", range(WHEEL_CONSTANTS))
def test_constants_of_a_wheel_are_derivatives(which: int) -> None:
    """A source whose constant is off by a little reads as its row says: central difference of its equation."""
    layout, step = Layout(1, (), (0.01,)), [1e-6, 1e-6, 1e-8, 1e-4][which]
    seen = observe([make_pass().source], [NOISE], [WHEEL], layout, REFERENCE, (), SETTINGS)
    row = seen.constant[seen.channel == 2][:, which]
    accel = REFERENCE.accel_at(WHEEL.time_s)
    ends = []
    for sign in (-1, 1):
        constants = np.zeros(WHEEL_CONSTANTS)
        constants[which] = sign * step
        moved = WHEEL.moved(constants)
        # the same tread now stands for another speed; and at another time, the car is faster by a dt
        ends.append(moved.speed_of(moved.tread_mps, accel, SETTINGS) - accel * (moved.time_s - WHEEL.time_s))
    # the reading is the nominal speed: truth up means reading down, of the same truth
    tolerance = 0.03 if which < 2 else 1e-6  # scale and growth leave out that slip grows with them
    np.testing.assert_allclose(row, -(ends[1] - ends[0]) / (2 * step), rtol=tolerance)


def test_constants_stand_in_order_and_begin_with_what_was_taken_in() -> None:
    source = replace(make_pass().source, speed_delay_s=0.1)
    layout = Layout(2, (), (0.01,))
    moved = WHEEL.moved(np.array([0.001, 0.0, 0.0, 0.02]))
    seen = observe([source, source], [NOISE, NOISE], [moved], layout, REFERENCE, (1,), SETTINGS)
    assert seen.constant.shape[1] == 1 + WHEEL_CONSTANTS
    assert seen.constant_mean[0] == -0.1 and seen.constant_sd[0] == SETTINGS.lag_sd_s
    assert seen.constant_mean[[1, 4]] == pytest.approx([-0.001, -0.02])
    late = seen.channel == 2
    # a speed that is later by dt reads a dt less; times were moved by the delay before
    np.testing.assert_allclose(seen.constant[late][:, 0], -np.maximum(seen.time_s[late], 0.0))
    assert not seen.constant[~late][:, 0].any()
    np.testing.assert_allclose(seen.time_s[late], source.time_s - 0.1)


def test_a_filtering_logger_shows_its_filter_and_not_the_speed() -> None:
    source = replace(make_pass().source, speed_filter_s=0.3)
    layout = Layout(1, (0.3,))
    seen = observe([source], [NOISE], [], layout, None, (), SETTINGS)
    speed = seen.channel == 0
    assert not seen.motion[speed].any()
    assert (seen.filter_at[speed] == layout.filtered(0)).all() and (seen.filter_at[~speed] == -1).all()


@pytest.mark.parametrize("constant_s", [0.1, 0.3, 0.6])
def test_a_filter_a_little_slower_reads_less_by_the_acceleration_filtered_twice(constant_s: float) -> None:
    """By hand: a ramp a t gives u = a (t - T + T exp(-t/T)), so du/dT = -a (1 - (1 + t/T) exp(-t/T))."""
    reference = Reference(np.array([0.0, 1.0, 1.0 + 1e-9, 6.0]), np.array([0.0, 0.0, 8.0, 8.0]))
    time = np.linspace(0.5, 5.5, 101)
    gone = np.maximum(time - 1.0, 0.0) / constant_s
    wanted = 8.0 * (1 - (1 + gone) * np.exp(-gone))
    np.testing.assert_allclose(reference.twice_filtered_at(time, constant_s), wanted, atol=1e-6)
    np.testing.assert_array_equal(reference.twice_filtered_at(time, 0.0), reference.accel_at(time))


def test_a_filters_constant_is_that_derivative_and_begins_with_what_was_taken_in() -> None:
    source = replace(make_pass().source, speed_filter_s=0.3)
    seen = observe([source], [NOISE], [], Layout(1, (0.3,)), REFERENCE, (0,), SETTINGS)
    speed = seen.channel == 0
    # of an acceleration that rises evenly, two filters show what it was twice their time constant ago
    late = speed & (seen.time_s > 6.0)
    np.testing.assert_allclose(seen.constant[late, 0], -(seen.time_s[late] - 0.6), atol=0.06)
    assert not seen.constant[~speed].any()
    assert seen.constant_mean[0] == -0.3 and seen.constant_sd[0] == SETTINGS.lag_sd_s


def test_rows_hold_the_quintic_and_a_straight_line_for_slow_errors() -> None:
    source = make_pass().source
    layout = Layout(1)
    seen = observe([source], [NOISE], [], layout, None, (), SETTINGS)
    knots = np.arange(0, 22.01, 0.2)
    rows = make_rows(seen, knots, layout)
    i = int(np.flatnonzero(seen.channel == 0)[100])
    share = (seen.time_s[i] - knots[rows.before[i]]) / 0.2
    wanted = quintic(np.array([share]), np.array([0.2]))[0, 1]
    d = layout.size
    np.testing.assert_allclose(rows.row[i, [0, 1, 2, d, d + 1, d + 2]], wanted, rtol=1e-9)
    at = layout.speed_drift(0)
    assert rows.row[i, [at, d + at]] == pytest.approx([1 - share, share])
    assert np.count_nonzero(rows.row[i]) == 8


# ---- how well a clock can be known ------------------------------------------------------------------------------

STILL = replace(
    SETTINGS, speed_drift_sd_mps=1e-6, place_sd_m=1e-4, lag_sd_s=10.0, wheel_clock_sd_s=10.0, wheel_scale_sd=1e-9,
    wheel_growth_sd=1e-9, wheel_slip_sd=1e-9, wheel_noise_share=0.0, wheel_noise_floor_mps=0.05,
)  # fmt: skip
SINE = (
    np.arange(200) / 25 + 0.02
)  # references.md topic 12: 15 m/s sine of 8 s, 200 samples, sd 0.05: 0.424413 ms


def sine(time: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    w = 2 * np.pi / 8
    return 60 * time - 15 / w * np.cos(w * time), 60 + 15 * np.sin(w * time), 15 * w * np.cos(w * time)


def sure_logger() -> tuple[GnssSource, Reference]:
    """A logger that knows the motion to a hundredth of a millimetre."""
    time = np.sort(np.concatenate([np.arange(0, 8.2, 0.05), SINE]))
    travel, speed, accel = sine(time)
    ok = np.ones(len(time), dtype=bool)
    return GnssSource(time, travel, speed, ok, ok, 0.04), Reference(time, accel)


def sd_of_constant(seen, layout: Layout, which: int) -> float:
    knots = np.arange(0, 8.21, 0.05)
    rough = [Roughness(12.0, 60.0)] * (len(knots) - 1)
    drift = np.full(layout.gnss, 60.0)
    solved = solve(make_model(seen, knots, rough, layout, drift, 1 / seen.variance, STILL))
    return float(np.sqrt(solved.constant_cov[which, which]))


def test_a_loggers_lag_is_known_as_well_as_the_cramer_rao_bound_allows() -> None:
    """Kay 1993, ex. 3.13: var >= s0² / sum s'(t)²."""
    (sure, reference), ok = sure_logger(), np.ones(200, dtype=bool)
    other = GnssSource(SINE, np.zeros(200), sine(SINE)[1], ~ok, ok, 0.04)
    layout = Layout(2)
    noises = [Noise(1e-5, 1e-5, 0.01), Noise(0.05, 0.05, 0.01)]
    seen = observe([sure, other], noises, [], layout, reference, (1,), STILL)
    assert sd_of_constant(seen, layout, 0) == pytest.approx(0.424413e-3, rel=0.01)


def test_a_wheels_clock_is_known_as_well_as_the_cramer_rao_bound_allows() -> None:
    sure, reference = sure_logger()
    wheel = WheelSource(SINE, sine(SINE)[1], 1.0, 0.0, 0.0, 0.0)
    layout = Layout(1, (), (1e-7,))
    seen = observe([sure], [Noise(1e-5, 1e-5, 0.01)], [wheel], layout, reference, (), STILL)
    assert sd_of_constant(seen, layout, 3) == pytest.approx(0.424413e-3, rel=0.01)
