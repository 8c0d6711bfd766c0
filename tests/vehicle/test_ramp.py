"""What a ramp saved and cost, against the simulator driven without one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.study import study
from tests.vehicle.simulated import CAR, DRIVER, FACTS, Simulated, motor_current, simulated

S = VehicleSettings()
GRIPPY = replace(CAR, friction=3.0)  # so that the ramp alone holds the pull


def heat(item: Simulated) -> float:
    return float(motor_current(item.truth)[:-1] ** 2 @ np.diff(item.truth.slow_s))


@pytest.mark.parametrize("squeeze_s", [2.0, 4.0])
def test_against_the_simulator_without_a_ramp(squeeze_s: float) -> None:
    slow = simulated(1, car=GRIPPY, driver=replace(DRIVER, squeeze_s=squeeze_s))
    quick = simulated(1, car=GRIPPY, driver=replace(DRIVER, squeeze_s=0.02))
    ramp = study(slow.pass_, FACTS, (), S).heat.ramp
    cost, saved = quick.truth.trap_mps - slow.truth.trap_mps, heat(quick) / heat(slow) - 1
    assert ramp.by_motion and ramp.speed_cost_mps is not None and ramp.heat_saved is not None
    assert ramp.speed_cost_mps.low < cost < ramp.speed_cost_mps.high
    assert ramp.heat_saved.low < saved < ramp.heat_saved.high
    assert ramp.ramp_s is not None and 0.6 * squeeze_s < ramp.ramp_s.value < 1.05 * squeeze_s


def test_a_start_at_once_is_no_ramp_unless_one_is_written() -> None:
    item = simulated(1, car=GRIPPY, driver=replace(DRIVER, squeeze_s=0.1))
    assert study(item.pass_, FACTS, (), S).heat.ramp.why_not[""] == wording.NO_RAMP
    stated = study(item.pass_, replace(FACTS, ramp_s=1.0), (), S).heat.ramp
    assert not stated.by_motion and stated.ramp_s is not None and stated.ramp_s.value == 1.0
    assert stated.heat_saved is not None and stated.heat_saved.value > 0


def test_a_log_that_begins_under_way() -> None:
    item = simulated(1)
    trace = item.pass_.trace
    assert trace is not None
    rows = trace.speed_mps > 20
    rows &= trace.time_s < trace.time_s[int(np.argmax(trace.speed_mps))] + 3
    cut = replace(
        trace, time_s=trace.time_s[rows], along_m=trace.along_m[rows], speed_mps=trace.speed_mps[rows],
        speed_low_mps=trace.speed_low_mps[rows], speed_high_mps=trace.speed_high_mps[rows],
        accel_mps2=trace.accel_mps2[rows],
    )  # fmt: skip
    assert study(replace(item.pass_, trace=cut), FACTS, (), S).heat.ramp.why_not[""] == wording.NO_LAUNCH
