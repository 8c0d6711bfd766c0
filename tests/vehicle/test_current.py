"""The current's sums by hand, its scale, and whose it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.current import drawn, highest, quieted, scale_of, whose_current
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog, car_log
from tests.vehicle.simulated import changed, motor_current, simulated

S = VehicleSettings()


def log_of(time: np.ndarray, current: np.ndarray, **more: np.ndarray) -> CarLog:
    nothing = np.full(len(time), np.nan)
    return CarLog(
        "c.csv", time, nothing, nothing, nothing, {"current_a": current, **more}, 0.0, float(time[-1])
    )


def test_sums_of_a_straight_ramp_are_exact() -> None:
    # I = 20 t over 10 s: charge 1000 A s, ∫I² dt = 400 * 1000 / 3
    time = np.linspace(0, 10, 201)
    found = drawn(log_of(time, 20 * time), S)
    assert found is not None
    assert found.charge_as == pytest.approx(1000.0)
    assert found.squared_a2s == pytest.approx(400 * 1000 / 3)
    assert found.missing_s == 0.0


def test_a_short_hole_is_bridged_and_a_long_one_is_missing() -> None:
    time = np.linspace(0, 10, 201)
    for seconds, missing in ((0.4, 0.0), (1.0, 1.05)):
        current = np.full(201, 100.0)
        current[(time > 5) & (time < 5 + seconds)] = np.nan
        found = drawn(log_of(time, current), S)
        assert found is not None
        assert found.missing_s == pytest.approx(missing, abs=0.06)
        assert found.charge_as == pytest.approx(100.0 * (10 - found.missing_s))


def test_noise_of_a_logger_at_rest_is_no_charge() -> None:
    rng = np.random.default_rng(1)
    time = np.linspace(0, 60, 1201)
    found = drawn(log_of(time, np.abs(rng.normal(0, 0.4, 1201))), S)
    assert found is not None and found.charge_as < 0.4 * 60 * 0.1


def test_quiet_and_highest_by_hand() -> None:
    assert quieted(np.array([0.5, 1.5, 1.7, -2.0]), 0.4).tolist() == [0.0, 0.0, 1.7, -2.0]
    assert highest(np.array([1.0, 2.0, 90.0, 3.0, 4.0, np.nan])) == 4.0  # medians of three: 2, 3, 4


def test_charge_put_back_calibrates() -> None:
    time = np.linspace(0, 10, 201)
    found = drawn(log_of(time, np.full(201, 100.0)), S)
    assert found is not None  # 1000 A s are 277.8 mAh
    scale = scale_of(found, CarFacts(charge_put_back_ah=1.1 * 1000 / 3600), S)
    # by hand: (1 / 0.05² + 1.1 / 0.033²) / (1 / 0.05² + 1 / 0.033²)
    weights = (0.05**-2, 0.033**-2)
    assert scale.value == pytest.approx((weights[0] + 1.1 * weights[1]) / sum(weights), rel=1e-3)
    assert scale.u == pytest.approx(sum(weights) ** -0.5, rel=1e-3)
    assert scale.by_charge is not None and scale.by_charge.value == pytest.approx(1.1)
    none = scale_of(found, CarFacts(), S)
    assert (none.value, none.u, none.by_charge) == (1.0, S.scale_u, None)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_whose_current_it_is_shows_in_the_motion(seed: int) -> None:
    item = simulated(seed)
    log = car_log(item.pass_, S)
    assert log is not None and whose_current(log, CarFacts(), S) == ("pack", False)
    origin = float(item.truth.time_s[0])
    motor = np.interp(log.time_s + origin, item.truth.slow_s, motor_current(item.truth))
    other = car_log(changed(item, current_a=motor), S)
    assert other is not None and whose_current(other, CarFacts(), S) == ("motor", False)


def test_what_the_user_says_stands_and_doubt_is_none() -> None:
    item = simulated(1)
    log = car_log(item.pass_, S)
    assert log is not None and whose_current(log, CarFacts(current_of="motor"), S) == ("motor", True)
    assert whose_current(log, CarFacts(), replace(S, whose_ratio=1000.0)) == (None, False)


def test_a_jump_may_have_come_anywhere_in_its_step_and_a_slope_may_not() -> None:
    """200 A to nothing within one step of 0.1 s that takes 0.03 s of it: 200 * 0.08 / √12 A s by hand."""
    time = np.arange(0.0, 10.0, 0.1)
    cut = drawn(log_of(time, np.where(time < 5.04, 200.0, 0.0)), S)
    assert cut is not None and cut.charge_u == pytest.approx(200 * 0.08 / np.sqrt(12), rel=1e-6)
    slope = drawn(log_of(time, 20 * time), S)
    assert slope is not None and slope.charge_u < 0.01
    # a corner of 2 A a step: 2 * 0.1 / √120
    bent = drawn(log_of(time, np.maximum(time - 5.0, 0.0) * 20), S)
    assert bent is not None and bent.charge_u == pytest.approx(2 * 0.1 / np.sqrt(120), rel=1e-6)


def test_a_jump_within_the_time_that_a_trigger_takes_leaves_nothing_open() -> None:
    for step, wide in ((0.02, False), (0.03, True)):  # both sides of lift_takes_s, 0.02
        time = np.arange(0.0, 4.0, step)
        found = drawn(log_of(time, np.where(time < 2.01, 200.0, 0.0)), S)
        assert found is not None and (found.charge_u > 0.1) == wide
