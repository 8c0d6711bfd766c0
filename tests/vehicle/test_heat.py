"""Heat of a pass against the simulator's truth, by hand, and against passes before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.results_car import CarPass
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.study import study
from tests.vehicle.simulated import CAR, FACTS, changed, simulated, without

S = VehicleSettings()
EXACT = VehicleSettings(scale_u=0.0)  # the simulator's logger has a true scale


def holds(found: Quantity95 | None, truth: float) -> bool:
    assert found is not None
    return found.low <= truth <= found.high


@pytest.mark.parametrize("seed", range(4))
def test_sums_against_the_truth(seed: int) -> None:
    item = simulated(seed)
    heat, truth = study(item.pass_, FACTS, (), EXACT).heat, item.truth
    step = np.diff(truth.slow_s)
    assert holds(heat.squared_a2s, float(truth.pack_current_a[:-1] ** 2 @ step))
    assert holds(heat.charge_ah, float(truth.pack_current_a[:-1] @ step) / 3600)
    assert heat.peak_current_a is not None
    assert heat.peak_current_a.value == pytest.approx(truth.pack_current_a.max(), abs=1.5)
    assert heat.powered_s is not None and heat.rms_current_a is not None
    squared = heat.squared_a2s.value if heat.squared_a2s else 0.0
    assert heat.rms_current_a.value == pytest.approx((squared / heat.powered_s.value) ** 0.5)


def test_a_scale_not_known_widens_everything_by_its_share() -> None:
    item = simulated(1)
    wide, narrow = (study(item.pass_, FACTS, (), settings).heat for settings in (S, EXACT))
    assert wide.charge_ah and narrow.charge_ah and wide.squared_a2s
    assert wide.charge_ah.standard_u / wide.charge_ah.value == pytest.approx(0.05, rel=0.05)
    assert wide.squared_a2s.standard_u / wide.squared_a2s.value == pytest.approx(0.10, rel=0.05)
    assert wide.charge_ah.value == pytest.approx(narrow.charge_ah.value)


def test_time_over_the_users_limits() -> None:
    item = simulated(1)
    trace = item.pass_.trace
    assert trace is not None
    time = trace.loggers[1].time_s
    hot = np.where((time > 8.0) & (time <= 11.0), 101.0, 60.0)  # 3 s, in rows of 50 ms
    facts = replace(FACTS, motor_limit_c=100.0, controller_limit_c=150.0, current_limit_a=1000.0)
    heat = study(changed(item, motor_temp_c=hot), facts, (), S).heat
    assert heat.over_motor_limit_s is not None and heat.over_motor_limit_s.value == pytest.approx(
        3.0, abs=0.051
    )
    assert holds(heat.over_controller_limit_s, 0.0) and holds(heat.over_current_limit_s, 0.0)
    none = study(item.pass_, FACTS, (), S).heat
    assert none.over_motor_limit_s is None and none.why_not["over_motor_limit_s"] == wording.no_limit(
        "over_motor_limit_s"
    )


def test_against_passes_before_the_scale_drops_out() -> None:
    soft = replace(CAR, drive=replace(CAR.drive, pack_limit_a=150.0))
    first, second = simulated(1, car=soft), simulated(2)
    facts = (
        replace(FACTS, setup=(("current_limit", "150 A"),)),
        replace(FACTS, setup=(("current_limit", "220 A"),)),
    )
    earlier = Earlier(first.pass_, facts[0], study(first.pass_, facts[0], (), S))
    heat = study(second.pass_, facts[1], [earlier], S).heat
    truth = [
        float(item.truth.pack_current_a[:-1] ** 2 @ np.diff(item.truth.slow_s)) for item in (first, second)
    ]
    assert heat.against_previous is not None
    assert heat.against_previous.value == pytest.approx(truth[1] / truth[0], rel=0.01)
    assert heat.against_previous.standard_u < 0.01 * heat.against_previous.value
    assert heat.against_same_setup is None and heat.why_not["against_same_setup"] == wording.NO_SAME
    again = study(
        simulated(3).pass_, facts[1], [earlier, Earlier(second.pass_, facts[1], CarPass(1, heat=heat))], S
    )
    assert again.heat.same_setup_passes == 1
    assert again.heat.against_same_setup is not None
    assert again.heat.against_same_setup.value == pytest.approx(1.0, abs=0.01)


def test_what_is_not_logged_is_said() -> None:
    item = simulated(1)
    no_current = study(without(item, "current_a"), FACTS, (), S).heat
    assert no_current.squared_a2s is None and no_current.why_not["squared_a2s"] == wording.NO_CURRENT
    assert no_current.motor_temp_highest_c is not None
    trace = item.pass_.trace
    assert trace is not None
    current = trace.loggers[1].channels["current_a"].copy()
    current[(trace.loggers[1].time_s > 6) & (trace.loggers[1].time_s < 8)] = np.nan
    holed = study(changed(item, current_a=current), FACTS, (), S).heat
    assert holed.squared_a2s is None and "missing for 2.0 s" in holed.why_not["squared_a2s"]
    assert holed.peak_current_a is not None
    bare = study(replace(item.pass_, trace=None), CarFacts(), (), S).heat
    assert bare.why_not[""] == wording.NO_CONTROLLER
