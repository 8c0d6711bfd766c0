"""The motion between knots against closed forms, numerical integration and differential equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad_vec, solve_ivp
from scipy.linalg import expm

from speedlog.fusion.motion import (
    ACCEL,
    ALONG,
    EXCESS,
    SPEED,
    Layout,
    Roughness,
    make_steps,
    ramps,
    start,
    van_loan,
)
from speedlog.settings import FusionSettings

SETTINGS = FusionSettings()
FADES, LASTS = SETTINGS.pull_fades_per_s, SETTINGS.excess_time_s


def white_jerk(step: float, q: float) -> np.ndarray:
    """references.md topic 6: Bar-Shalom, Li, Kirubarajan 2001, section 6.2.3."""
    t = step
    return q * np.array(
        [[t**5 / 20, t**4 / 8, t**3 / 6], [t**4 / 8, t**3 / 3, t**2 / 2], [t**3 / 6, t**2 / 2, t]]
    )


@pytest.mark.parametrize("step", [0.01, 0.05, 0.2, 1.0])
def test_white_jerk_is_the_closed_form(step: float) -> None:
    rate, density = np.eye(3, k=1), np.diag([0.0, 0.0, 60.0])
    moved, inverse, log_det = van_loan(rate, density, step)
    closed = white_jerk(step, 60.0)
    np.testing.assert_allclose(
        moved, [[1, step, step**2 / 2], [0, 1, step], [0, 0, 1]], rtol=1e-12, atol=1e-15
    )
    even = np.sqrt(np.diag(closed))
    np.testing.assert_allclose(
        inverse * np.outer(even, even), np.linalg.inv(closed / np.outer(even, even)), rtol=1e-6
    )
    # determinant of that matrix, by hand: q³ T⁹ / 8640
    assert log_det == pytest.approx(np.log(60.0**3 * step**9 / 8640), abs=1e-7)


def test_white_speed_noise_is_the_table_value() -> None:
    """references.md topic 6, filterpy's Q_continuous_white_noise(2, 0.04, 25): [[5.33333e-4, 0.02], [., 1]]."""
    _, inverse, _ = van_loan(np.eye(2, k=1), np.diag([0.0, 25.0]), 0.04)
    np.testing.assert_allclose(np.linalg.inv(inverse), [[5.33333e-4, 0.02], [0.02, 1.0]], rtol=1e-5)


def test_no_fading_and_no_excess_leave_white_jerk() -> None:
    plain = replace(SETTINGS, pull_fades_per_s=0.0)
    steps = make_steps(np.array([0.2]), [Roughness(1e-5, 4.0)], Layout(1), np.array([60.0]), plain)
    noise = np.linalg.inv(steps.precision[0][:4, :4])[:3, :3]
    np.testing.assert_allclose(noise, white_jerk(0.2, 4.0), rtol=1e-5)


@pytest.mark.parametrize("filters", [(0.0,), (0.3,)])
@pytest.mark.parametrize("step", [0.05, 0.2])
def test_noise_equals_numerical_integration(step: float, filters: tuple[float, ...]) -> None:
    """Q = integral of e^{Au} D e^{A'u} du (scipy.integrate.quad_vec), F = e^{AT}; A and D by hand."""
    rough, layout = Roughness(1.2, 0.3), Layout(1, filters)
    size = 5 if filters[0] else 4
    rate, density = np.zeros((size, size)), np.zeros((size, size))
    rate[0, 1] = rate[1, 2] = rate[2, 3] = 1.0
    rate[2, 2], rate[3, 3] = -FADES, -1 / LASTS
    density[2, 2], density[3, 3] = 0.3, 2 * 1.2**2 / LASTS
    if filters[0]:
        rate[4, 1], rate[4, 4] = 1 / filters[0], -1 / filters[0]
        density[4, 4] = 1e-5
    wanted, _ = quad_vec(lambda u: expm(rate * u) @ density @ expm(rate.T * u), 0, step, epsabs=1e-16)
    steps = make_steps(np.array([step]), [rough], layout, np.array([60.0]), SETTINGS)
    moving = [0, 1, 2, 3, *([layout.filtered(0)] if filters[0] else [])]
    block = np.ix_(moving, moving)
    np.testing.assert_allclose(steps.transition[0][block], expm(rate * step), rtol=1e-10, atol=1e-14)
    even = np.sqrt(np.diag(wanted))
    found = np.linalg.inv(steps.precision[0][block] * np.outer(even, even))
    np.testing.assert_allclose(found, wanted / np.outer(even, even), atol=1e-7)


def test_slow_quantities_keep_their_variance() -> None:
    """A stationary first-order process: f² P + Q = P (Bar-Shalom et al. 2001, 8.2.2). Wheels: f P f' + Q = P too."""
    layout = Layout(2, (0.0, 0.3), (0.01,))
    times = np.array([0.05, 0.2, 0.05])
    constants = np.array([40.0, 90.0])
    steps = make_steps(times, [Roughness(1.2, 0.3)] * 3, layout, constants, SETTINGS)
    _, sd = start(layout, 0.0, 70.0, SETTINGS)
    for logger in range(2):
        for at, lasts in (
            (layout.speed_drift(logger), SETTINGS.speed_drift_time_s),
            (layout.place_drift(logger), constants[logger]),
        ):
            keep = np.exp(-times / lasts)
            np.testing.assert_allclose(steps.transition[:, at, at], keep, rtol=1e-12)
            np.testing.assert_allclose(
                keep**2 * sd[at] ** 2 + 1 / steps.precision[:, at, at], sd[at] ** 2, rtol=1e-9
            )
    total = sum(np.linalg.slogdet(item)[1] for item in steps.precision)
    assert steps.log_determinant == pytest.approx(-total, rel=1e-9)


def test_a_wheels_wander_follows_its_own_equations() -> None:
    """Scale' = -scale / 4 s + trend, trend' = -trend / 2 s: against e^{AT} and the integral of its noise."""
    layout, sd = Layout(1, (), (0.01,)), 0.01
    steps = make_steps(np.array([0.1]), [Roughness(1.2, 0.3)], layout, np.array([60.0]), SETTINGS)
    at = [layout.wheel_scale(0), layout.wheel_trend(0)]
    constant, lasts = SETTINGS.wheel_wander_time_s, SETTINGS.wheel_trend_time_s
    trend = SETTINGS.wheel_trend_share_per_s * sd
    rate = np.array([[-1 / constant, 1.0], [0.0, -1 / lasts]])
    density = np.diag([2 * sd**2 / constant, 2 * trend**2 / lasts])
    wanted, _ = quad_vec(lambda u: expm(rate * u) @ density @ expm(rate.T * u), 0, 0.1, epsabs=1e-18)
    np.testing.assert_allclose(steps.transition[0][np.ix_(at, at)], expm(rate * 0.1), rtol=1e-10)
    np.testing.assert_allclose(np.linalg.inv(steps.precision[0][np.ix_(at, at)]), wanted, rtol=1e-6)


def test_layout_gives_each_unknown_a_place_of_its_own() -> None:
    layout = Layout(2, (0.0, 0.25), (0.01, 0.02))
    places = [layout.speed_drift(0), layout.place_drift(0), layout.speed_drift(1), layout.place_drift(1)]
    places += [layout.wheel_scale(0), layout.wheel_trend(0), layout.wheel_scale(1), layout.wheel_trend(1)]
    places += [layout.filtered(1)]
    assert places == list(range(4, layout.size))
    assert layout.filters_s == (0.0, 0.25) and Layout(2).filters_s == (0.0, 0.0)


def driven_through(
    layout: Layout, middle: float, width: float, held: float, knots: np.ndarray, rate: np.ndarray
):
    """State at the last knot after a unit change, carried on by `ramps` and by e^{AT}."""
    inputs = ramps(knots, 0, len(knots) - 1, np.array([middle]), width, layout, held)[:, :, 0]
    state = np.zeros(layout.size)
    for k in range(len(knots) - 1):
        state = expm(rate * (knots[k + 1] - knots[k])) @ state + inputs[k]
    return state, inputs


@pytest.mark.parametrize("middle", [0.31, 0.4, 0.432])
def test_a_change_within_the_steps_is_that_of_the_differential_equation(middle: float) -> None:
    """Against scipy's solve_ivp with the change put on evenly over the ramp; no fading, a filter beside it."""
    layout = Layout(1, (0.25,))
    at = layout.filtered(0)
    rate = np.zeros((layout.size, layout.size))
    rate[ALONG, SPEED] = rate[SPEED, ACCEL] = 1.0
    rate[at, SPEED], rate[at, at] = 4.0, -4.0
    knots = np.arange(0, 1.01, 0.1)
    state, _ = driven_through(layout, middle, 0.3, 0.0, knots, rate)
    begin = middle - 0.15

    def motion(t: float, s: np.ndarray) -> list[float]:
        pull = np.clip((t - begin) / 0.3, 0, 1)
        return [s[1], pull, 4.0 * (s[1] - s[2])]

    wanted = solve_ivp(motion, (0, 1.0), [0, 0, 0], rtol=1e-10, atol=1e-12, max_step=0.01).y[:, -1]
    np.testing.assert_allclose(state[[ALONG, SPEED, at]], wanted, rtol=1e-6)
    assert state[ACCEL] == pytest.approx(1.0, abs=1e-12)


def test_fading_within_one_step_is_the_only_thing_left_out() -> None:
    """A lift fades like the pull: at most the fading rate times a close step, 1 %, is missed, and only once."""
    layout = Layout(1)
    rate = np.zeros((layout.size, layout.size))
    rate[ALONG, SPEED] = rate[SPEED, ACCEL] = rate[ACCEL, EXCESS] = 1.0
    rate[ACCEL, ACCEL], rate[EXCESS, EXCESS] = -FADES, -1 / LASTS
    knots = np.arange(0, 1.01, SETTINGS.close_knot_s)
    state, _ = driven_through(layout, 0.325, SETTINGS.lift_ramp_s, 0.0, knots, rate)
    gone = 1.0 - 0.325
    # a unit step that fades: speed (1 - e^{-λ t})/λ, acceleration e^{-λ t}
    assert state[SPEED] == pytest.approx(-np.expm1(-FADES * gone) / FADES, rel=0.01)
    assert state[ACCEL] == pytest.approx(np.exp(-FADES * gone), rel=FADES * SETTINGS.close_knot_s)


def test_brakes_hold_what_they_take() -> None:
    """With the excess that comes along the acceleration neither fades nor grows at first: d/dt = -λ + λ = 0."""
    layout = Layout(1)
    rate = np.zeros((layout.size, layout.size))
    rate[ALONG, SPEED] = rate[SPEED, ACCEL] = rate[ACCEL, EXCESS] = 1.0
    rate[ACCEL, ACCEL], rate[EXCESS, EXCESS] = -FADES, -1 / LASTS
    knots = np.arange(0, 0.81, 0.05)
    held, _ = driven_through(layout, 0.3, 0.3, FADES, knots, rate)
    faded, _ = driven_through(layout, 0.3, 0.3, 0.0, knots, rate)
    assert held[ACCEL] == pytest.approx(1.0, abs=0.02)
    assert faded[ACCEL] < 0.93


def test_ramps_that_end_before_or_begin_after_move_nothing() -> None:
    knots = np.arange(0, 1.01, 0.1)
    inputs = ramps(knots, 2, 6, np.array([-3.0, 5.0, 0.4]), 0.1, Layout(1), 0.2)
    assert not inputs[:, :, 0].any() and not inputs[:, :, 1].any()
    assert inputs[:, ACCEL, 2].sum() == pytest.approx(1.0)
    assert inputs[:, EXCESS, 2].sum() == pytest.approx(0.2)


def test_start_is_wide_but_for_the_drifts() -> None:
    layout = Layout(1, (0.3,), (0.02,))
    mean, sd = start(layout, 12.0, 40.0, SETTINGS)
    assert mean[[ALONG, SPEED, layout.filtered(0)]].tolist() == [12.0, 40.0, 40.0]
    assert sd[layout.speed_drift(0)] == SETTINGS.speed_drift_sd_mps
    assert sd[layout.place_drift(0)] == SETTINGS.place_sd_m
    assert sd[layout.wheel_scale(0)] == 0.02
    assert sd[ALONG] == SETTINGS.start_along_sd_m
