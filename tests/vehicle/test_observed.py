"""A pass as the fit sees it: whose current is logged, said or told by pull and power."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.results import Pass
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.fit import fit
from speedlog.vehicle.observed import observe
from tests.vehicle.simulated import CAR, FACTS, changed, motor_current, simulated

SETTINGS = ForecastSettings()
QUICK = replace(SETTINGS, fit_step_s=0.2, settled=1e-3)
SAID = replace(FACTS, mass_kg=7.9, current_limit_a=220.0, ramp_s=1.0, wind_speed_mps=0.0, wind_from_deg=75.0)
UNSAID = replace(SAID, current_of=None)


def logging_the_motors_current() -> Pass:
    item = simulated(1)
    trace = item.pass_.trace
    assert trace is not None
    at = trace.loggers[1].time_s + float(item.truth.time_s[0])
    current = np.interp(at, item.truth.slow_s, motor_current(item.truth))
    noise = np.random.default_rng(3).standard_normal(len(at))  # 1 A, and steps of half an ampere
    return changed(item, current_a=np.round(2 * (current + noise)) / 2)


def test_a_current_that_goes_with_power_is_the_packs() -> None:
    seen = observe(simulated(1).pass_, UNSAID, SETTINGS)
    assert seen is not None and (seen.current_of, seen.assumed) == ("pack", ("current_of_pack",))


def test_a_current_that_goes_with_pull_is_the_motors() -> None:
    seen = observe(logging_the_motors_current(), UNSAID, SETTINGS)
    assert seen is not None and (seen.current_of, seen.assumed) == ("motor", ("current_of_motor",))
    # charge put back is the pack's: it says nothing of a motor's current
    charged = observe(logging_the_motors_current(), replace(UNSAID, charge_put_back_ah=0.3), SETTINGS)
    assert charged is not None and charged.by_charge is None


def test_what_was_said_stands() -> None:
    seen = observe(logging_the_motors_current(), replace(SAID, current_of="pack"), SETTINGS)
    assert seen is not None and (seen.current_of, seen.assumed) == ("pack", ())


def test_the_car_comes_out_the_same_as_when_it_was_said() -> None:
    pass_ = logging_the_motors_current()
    found = []
    for facts in (UNSAID, replace(SAID, current_of="motor")):
        seen = observe(pass_, facts, SETTINGS)
        assert seen is not None
        found.append(fit(Car(), [seen], QUICK))
    told, said = (item.quantity("drag_area_m2") for item in found)
    assert told.value == pytest.approx(said.value, rel=1e-9)
    assert told.low <= CAR.drag_area_m2 <= told.high and not found[0].missed(SETTINGS)
