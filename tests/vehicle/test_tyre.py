"""Growth and slip: by hand at published wheels, and found again from simulated logs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.car import Tyre
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.study import study
from speedlog.vehicle.tyre import _accel
from tests.vehicle.recovery import slip_near_the_top
from tests.vehicle.simulated import CAR, DRIVER, FACTS, Simulated, changed, simulated, without

S = VehicleSettings()
G = 9.80665


def test_tread_acceleration_by_hand() -> None:
    # references.md, topic 11: 100 m/s at 44 mm: 227272.727 m/s² = 23175.37 g
    rpm = 60 * 100.0 / (math.pi * 0.088)
    assert _accel(rpm, 0.088) == pytest.approx(227272.727, abs=1e-2)
    assert _accel(rpm, 0.088) / G == pytest.approx(23175.37, abs=0.01)


def test_slip_is_the_ratio_of_sae_j670() -> None:
    """(W - W0) / W0: a wheel made to turn 5 % too fast under power only shows 5.00 %, not 4.76 %."""
    item = simulated(1, car=replace(CAR, tyre=Tyre(0.0443, 0.0, 0.0)), driver=replace(DRIVER, coast_s=1.0))
    trace = item.pass_.trace
    assert trace is not None
    wheel = trace.loggers[1]
    lift = item.truth.lift_s - float(item.truth.time_s[0])
    spun = changed(item, rpm=wheel.channels["rpm"] * np.where(wheel.time_s < lift, 1.05, 1.0))
    tyre = study(spun, FACTS, (), S).tyre
    assert tyre.told_apart and tyre.slip is not None
    assert tyre.slip.value == pytest.approx(0.0500, abs=0.0015)
    assert tyre.growth is not None and tyre.growth.low < 0 < tyre.growth.high


@pytest.mark.parametrize("seed", range(4))
def test_growth_and_slip_are_found_again(seed: int) -> None:
    rng = np.random.default_rng(seed)
    growth, slip = rng.uniform(0.02, 0.05), rng.uniform(0.02, 0.05)
    item = simulated(seed, car=replace(CAR, tyre=Tyre(0.0443, growth, slip)))
    tyre = study(item.pass_, FACTS, (), S).tyre
    assert tyre.told_apart and tyre.slip is not None and tyre.growth_per_rpm2 is not None
    # four draws of each: three standard uncertainties hold all of them 98 times in 100
    assert abs(tyre.slip.value - slip_near_the_top(item)) < 3 * tyre.slip.standard_u
    assert abs(tyre.growth_per_rpm2.value - growth / 20_000.0**2) < 3 * tyre.growth_per_rpm2.standard_u
    assert tyre.slip.standard_u < 0.003 and tyre.growth_per_rpm2.standard_u < 0.012 / 20_000.0**2


def test_without_a_coast_there_is_only_the_sum() -> None:
    """The brake at once: growth less slip, as the diameter under power shows it, and it says so."""
    item = simulated(2, driver=replace(DRIVER, coast_s=0.0, brake_mps2=14.0, brake_ramp_s=0.01))
    tyre = study(item.pass_, FACTS, (), S).tyre
    assert not tyre.told_apart and tyre.growth is None and tyre.slip is None
    assert tyre.why_not["growth"] == tyre.why_not["slip"] == wording.NOT_APART
    truth, at = item.truth, tyre.at_rpm
    assert at is not None and tyre.growth_less_slip is not None
    rows = (truth.slow_s < truth.lift_s - 0.05) & (truth.wheel_rpm > 0.9 * truth.wheel_rpm.max())
    speed = np.interp(truth.slow_s, truth.time_s, truth.speed_mps)[rows]
    diameter = 60 * speed / (np.pi * truth.wheel_rpm[rows])
    true = float(np.interp(at, truth.wheel_rpm[rows], diameter)) / 0.0886 - 1
    assert abs(tyre.growth_less_slip.value - true) < 2 * tyre.growth_less_slip.standard_u
    assert study(item.pass_, CarFacts(), (), S).tyre.why_not["growth_less_slip"] == wording.NO_DIAMETER


@pytest.mark.parametrize("lift_m", [540.0, 556.0, 600.0])
def test_the_peak_of_turns_stands_between_the_rows_of_the_log(lift_m: float) -> None:
    item = simulated(1, driver=replace(DRIVER, lift_m=lift_m))
    peak = study(item.pass_, FACTS, (), S).tyre.peak_wheel_rpm
    assert peak is not None and peak.low <= float(item.truth.wheel_rpm.max()) <= peak.high
    assert peak.high - peak.low < 0.02 * peak.value


@pytest.mark.parametrize(("least", "apart"), [(0.2, True), (5.0, False)])
def test_how_long_a_coast_must_be(least: float, apart: bool) -> None:
    item = simulated(1)
    assert study(item.pass_, FACTS, (), replace(S, coast_least_s=least)).tyre.told_apart is apart


def test_a_clock_matched_late_is_in_the_interval() -> None:
    slips = [study(simulated(3, clock_late_s=late).pass_, FACTS, (), S).tyre.slip for late in (0.0, 0.014)]
    assert slips[0] is not None and slips[1] is not None
    assert slips[0].low < slips[1].value < slips[0].high


def limit(item: Simulated, **facts: float) -> float:
    found = study(item.pass_, replace(FACTS, **facts), (), S).tyre.over_limit_s
    assert found is not None
    return found.value


def test_time_over_the_users_limit() -> None:
    item = simulated(1)
    truth = item.truth
    for rpm in (12_000.0, 17_000.0, 40_000.0):
        true = float(np.count_nonzero(truth.wheel_rpm > rpm)) * 0.01
        assert limit(item, tyre_limit_rpm=rpm) == pytest.approx(true, abs=0.2)
    g = _accel(12_000.0, 0.0886) / G
    assert limit(item, tyre_limit_g=g) == pytest.approx(limit(item, tyre_limit_rpm=12_000.0))


def test_measured_before_and_after() -> None:
    facts = replace(FACTS, tyre_diameter_before_m=0.0886, tyre_diameter_after_m=0.0882)
    tyre = study(simulated(1).pass_, facts, (), S).tyre
    assert tyre.worn_m is not None and tyre.worn_m.value == pytest.approx(0.0004)
    assert study(simulated(1).pass_, FACTS, (), S).tyre.why_not["worn_m"] == wording.NO_MEASURE_TYRE


def test_why_not() -> None:
    item = simulated(1)
    assert study(without(item, "rpm"), FACTS, (), S).tyre.why_not[""] == wording.NO_TURNS
    trace = item.pass_.trace
    assert trace is not None
    alone = replace(item.pass_, trace=replace(trace, loggers=trace.loggers[1:]))
    tyre = study(alone, FACTS, (), S).tyre
    assert tyre.why_not["slip"] == wording.NO_GNSS_BESIDE and tyre.tread_accel_g is not None
    no_size = study(alone, CarFacts(), (), S).tyre
    assert no_size.tread_accel_g is None and no_size.why_not["tread_accel_g"] == wording.NO_DIAMETER


def test_a_wheel_that_can_t_be_the_one_entered_has_not_grown() -> None:
    """Half the diameter, or a gear left out: it says what the wheel rolls like, and takes that; 10 % still counts."""
    item = simulated(3)
    right, wrong = (
        study(item.pass_, replace(FACTS, wheel_diameter_m=size), (), S).tyre for size in (0.0886, 0.0443)
    )
    assert wrong.growth is not None and right.growth is not None
    assert abs(wrong.growth.value - right.growth.value) < 0.02
    # it slips a little at a crawl too: 88.6 mm over 1.035
    assert "rolls like one of 86 mm, not of the 44 mm entered" in wrong.why_not["rolling_diameter_m"]
    for size, told in ((0.0856 * 1.11, False), (0.0856 * 1.14, True)):  # e^0.12 is 1.127
        tyre = study(item.pass_, replace(FACTS, wheel_diameter_m=size), (), S).tyre
        assert ("rolling_diameter_m" in tyre.why_not) is told
