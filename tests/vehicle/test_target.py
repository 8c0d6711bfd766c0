"""Ways to a target, what gives first, and sweeps; on a car whose numbers are given, so no fit is needed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.fit import Fitted
from speedlog.vehicle.forecast import draws, forecast
from speedlog.vehicle.plan import Known, Makers, Plan
from speedlog.vehicle.stopping import Braking
from speedlog.vehicle.target import KNOBS, not_entered, sweep, value_of, ways_to, with_value

SETTINGS = ForecastSettings()
CAR = Car(friction=1.2, pack_limit_a=150.0, motor_limit_a=280.0)
BRAKED = (Braking(1.0, 10.0, 0.1, 80.0), Braking(1.4, 10.5, 0.1, 82.0))
KNOWN = Known(
    CAR, None, 12, 5.0, Makers(), BRAKED, heating_k_per_a2s=Quantity95.spread(1e-4, 1e-5), nearest_mps=(80.0,)
)
PLAN = Plan(450.0, 30.0, room_m=900.0, motor_start_c=25.0)


def test_a_target_is_reached_by_what_is_said_to_reach_it() -> None:
    now = forecast(KNOWN, PLAN, SETTINGS).trap_mps
    assert now is not None
    target = now.value + 3.0
    ways = ways_to(KNOWN, PLAN, target, SETTINGS)
    assert [item.key for item in ways] == ["current_limit", "run_up", "gear_ratio"]
    for item in ways[:2]:
        assert item.needed is not None and item.needed > item.now
        there = forecast(KNOWN, with_value(PLAN, item.key, item.needed), SETTINGS).trap_mps
        assert there is not None and there.value == pytest.approx(target, abs=0.05)


def test_what_gives_first_comes_first() -> None:
    """A motor and a pack that are near their limits are named, in the order in which they are met."""
    now = forecast(KNOWN, PLAN, SETTINGS)
    assert now.motor_peak_c is not None and now.c_rate is not None and now.trap_mps is not None
    makers = Makers(motor_c=now.motor_peak_c.value + 1.0, pack_c_rate=now.c_rate.value + 5.0)
    way = ways_to(replace(KNOWN, makers=makers), PLAN, now.trap_mps.value + 5.0, SETTINGS)[0]
    assert [item.what for item in way.gives] == ["motor", "c_rate"]  # a degree comes before 25 A
    assert way.now < way.gives[0].at <= way.gives[1].at
    none = ways_to(KNOWN, PLAN, now.trap_mps.value + 5.0, SETTINGS)[0]
    assert not {"motor", "c_rate"} & {item.what for item in none.gives}


def test_a_target_out_of_reach_says_the_best() -> None:
    ways = ways_to(KNOWN, PLAN, 300.0, SETTINGS)
    assert all(item.needed is None and item.best_mps is not None and item.best_mps < 300 for item in ways)


def test_a_target_below_all_within_reach_says_the_least() -> None:
    for item in ways_to(KNOWN, PLAN, 20.0, SETTINGS):
        assert item.needed is None and item.best_at is not None and item.best_mps is not None
        ends = [
            forecast(KNOWN, with_value(PLAN, item.key, at * item.now), SETTINGS).trap_mps
            for at in SETTINGS.reach
        ]
        assert (
            all(end is not None and item.best_mps <= end.value + 1e-9 for end in ends) and item.best_mps > 20
        )


def test_the_runways_end_gives_too() -> None:
    now = forecast(KNOWN, PLAN, SETTINGS)
    assert now.stopping.distance_m is not None and now.trap_mps is not None
    short = replace(PLAN, room_m=now.stopping.distance_m.high + 5.0)
    way = ways_to(KNOWN, short, now.trap_mps.value + 4.0, SETTINGS)[0]
    assert way.gives and way.gives[0].what in ("runway", "traction")
    assert "runway" in {item.what for item in way.gives}


def test_limits_that_nobody_entered_are_named() -> None:
    assert not_entered(Makers()) == (
        "motor_limit", "controller_limit", "lowest_cell", "pack_limit_c_rate", "tyre_limit", "tyre_limit_rpm"
    )  # fmt: skip
    # either of the tyre's limits tells how fast it may turn
    assert not_entered(Makers(80, 80, 3.3, 50, None, 20_000)) == ()


def test_a_sweep_is_its_points() -> None:
    found = sweep(KNOWN, PLAN, "current_limit", 100.0, 200.0, SETTINGS)
    assert (
        len(found.values) == SETTINGS.sweep_points and found.values[0] == 100.0 and found.values[-1] == 200.0
    )
    speeds = [item.trap_mps.value for item in found.forecasts if item.trap_mps]
    assert np.all(np.diff(speeds) > 0)
    alone = forecast(KNOWN, with_value(PLAN, "current_limit", found.values[20]), SETTINGS).trap_mps
    assert alone is not None and speeds[20] == pytest.approx(alone.value, rel=1e-9)
    assert sweep(KNOWN, PLAN, "cells", 10, 14, SETTINGS).values == (10.0, 11.0, 12.0, 13.0, 14.0)


def test_more_cells_are_a_bigger_pack_in_every_way() -> None:
    """Twice the cells: twice the voltage and resistance, so per cell the same at the same current."""
    fast = replace(KNOWN, car=replace(CAR, kv_rpm_per_v=250.0))
    one, two = forecast(fast, PLAN, SETTINGS), forecast(fast, with_value(PLAN, "cells", 24), SETTINGS)
    assert one.trap_mps and two.trap_mps and two.trap_mps.value > one.trap_mps.value + 5
    assert one.lowest_cell_v and two.lowest_cell_v
    assert two.lowest_cell_v.value == pytest.approx(one.lowest_cell_v.value, abs=0.2)


@pytest.mark.parametrize("key", list(KNOBS))
def test_every_knob_turns(key: str) -> None:
    now = value_of(KNOWN, PLAN, key)
    assert now is not None
    moved = with_value(PLAN, key, now * 2)
    assert value_of(KNOWN, moved, key) == pytest.approx(now * 2)


def test_a_wheel_stands_at_what_was_said_and_not_at_what_the_fit_makes_of_it() -> None:
    """A sweep sets what was said, too: the fit's factor stays on it."""
    fitted = cast(Fitted, SimpleNamespace(prior=replace(CAR, wheel_m=0.088)))
    known = replace(KNOWN, fitted=fitted, car=replace(CAR, wheel_m=0.0898))
    assert value_of(known, PLAN, "wheel_diameter") == 0.088
    assert value_of(known, with_value(PLAN, "wheel_diameter", 0.085), "wheel_diameter") == 0.085
    assert value_of(KNOWN, PLAN, "wheel_diameter") == CAR.wheel_m


def test_a_run_that_never_gets_there_says_so() -> None:
    told = forecast(replace(KNOWN, car=replace(CAR, pack_limit_a=0.5, motor_limit_a=6.0)), PLAN, SETTINGS)
    assert told.trap_mps is None and "trap" in told.why_not["trap_mps"]


def test_wider_knowledge_makes_a_wider_interval() -> None:
    narrow = forecast(KNOWN, PLAN, SETTINGS).trap_mps
    windy = forecast(KNOWN, replace(PLAN, head_u_mps=12.0), SETTINGS).trap_mps
    assert narrow and windy and windy.high - windy.low > 1.1 * (narrow.high - narrow.low)
    assert narrow.low < narrow.value < narrow.high


def test_draws_have_unit_covariance() -> None:
    found = draws(160, 23)
    assert found.mean(axis=0) == pytest.approx(np.zeros(23), abs=1e-12)
    assert found.T @ found / 160 == pytest.approx(np.eye(23), abs=1e-9)
