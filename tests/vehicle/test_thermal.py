"""The motor's temperature: constants and peaks found again from simulated logs; heat soak; what the hand adds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.truth import Heat as TrueHeat
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.heating import heating_of
from speedlog.vehicle.log import CarLog, car_log
from speedlog.vehicle.study import study
from speedlog.vehicle.thermal import peak_from, thermal_of
from tests.vehicle.simulated import FACTS, changed, motor_current, simulated, without

S = VehicleSettings()
HEAT = TrueHeat(21.0, 28.0, motor_jpk=140.0, motor_kpw=0.5)  # tau 70 s


def inside(found: Quantity95 | None, truth: float) -> bool:
    assert found is not None
    return found.low <= truth <= found.high


@pytest.mark.parametrize("kv", [None, 505.0])
@pytest.mark.parametrize("seed", range(3))
def test_constants_of_the_simulated_motor(seed: int, kv: float | None) -> None:
    item = simulated(seed, heat=HEAT)
    thermal = study(item.pass_, replace(FACTS, motor_kv=kv), (), S).thermal
    assert thermal.heats_with == ("torque" if kv is None else "motor current")
    assert inside(thermal.cooling_s, 70.0)
    assert inside(thermal.peak_c, item.truth.motor_temp_c.max() + 0.0)
    assert inside(thermal.rise_k, float(np.ptp(item.truth.motor_temp_c)))
    if kv is not None:  # b = R / C = 0.007 / 140
        assert inside(thermal.heating_k_per_a2s, 0.007 / 140)
    else:
        assert thermal.heating_k_per_a2s is None and "without Kv" in thermal.why_not["heating_k_per_a2s"]


def test_the_motors_own_current() -> None:
    item = simulated(1, heat=HEAT)
    trace = item.pass_.trace
    assert trace is not None
    at = trace.loggers[1].time_s + float(item.truth.time_s[0])
    pass_ = changed(item, current_a=np.interp(at, item.truth.slow_s, motor_current(item.truth)))
    thermal = study(pass_, replace(FACTS, current_of="motor"), (), S).thermal
    assert thermal.heats_with == "motor current"
    assert inside(thermal.heating_k_per_a2s, 0.007 / 140) and inside(thermal.cooling_s, 70.0)


def test_the_next_pass_is_foretold() -> None:
    """Fitted on one pass; the next begins hotter and draws the same."""
    first = simulated(1, heat=HEAT)
    next_ = simulated(2, heat=replace(HEAT, motor_start_c=41.0))
    thermal = study(first.pass_, FACTS, (), S).thermal
    told = peak_from(thermal, 41.0, Quantity95(1.0, 1.0, 1.0))
    assert inside(told, float(next_.truth.motor_temp_c.max()))
    assert told is not None and told.high - told.low < 6.0


def soaked_log(lag_s: float, end_s: float) -> tuple[CarLog, float]:
    """100 A for 10 s into 5e-4 K/(A² s), tau 120 s, air 20 °C, a late sensor; by small steps. And the true peak."""
    step = 0.005
    time = np.arange(0, 200, step)
    winding, sensor = np.empty(len(time)), np.empty(len(time))
    hot = cold = 20.0
    for k, t in enumerate(time):
        winding[k], sensor[k] = hot, cold
        rate = 5e-4 * 1e4 * (t < 10.0) - (hot - 20.0) / 120.0
        cold += step * (hot - cold) / lag_s
        hot += step * rate
    rows = slice(0, int(end_s / step), 10)
    shown = time[rows]
    channels = {"current_a": np.where(shown < 10.0, 100.0, 0.0), "motor_temp_c": np.round(sensor[rows], 1)}
    speed = np.where(shown < 14.0, 30.0, 0.0)
    return CarLog("c.csv", shown, speed, 0 * shown, 0 * shown, channels, 0.0, 10.0), float(sensor.max())


@pytest.mark.parametrize(("lag", "end"), [(4.0, 16.0), (8.0, 20.0)])
def test_heat_soak_is_told_before_it_is_logged(lag: float, end: float) -> None:
    log, peak = soaked_log(lag, end)
    facts = CarFacts(current_of="motor", temperature_k=293.15)
    thermal = thermal_of(log, heating_of(log, "motor", None, facts, S), facts, S)
    logged = float(log.channels["motor_temp_c"].max())
    assert thermal.peak_c is not None and thermal.peak_after_stop_s is not None
    assert thermal.peak_c.low <= peak <= thermal.peak_c.high
    assert peak > logged + 0.3  # the end of the log is not the peak
    assert inside(thermal.sensor_lag_s, lag)
    assert thermal.peak_after_stop_s.value > 0


def test_a_temperature_by_hand_above_the_model_is_the_peak() -> None:
    item = simulated(1, heat=HEAT)
    top = float(item.truth.motor_temp_c.max())
    hand = study(item.pass_, replace(FACTS, motor_temp_after_c=top + 15), (), S).thermal
    assert hand.by_hand and hand.peak_c is not None and hand.peak_c.value == pytest.approx(top + 15)
    below = study(item.pass_, replace(FACTS, motor_temp_after_c=top - 15), (), S).thermal
    assert not below.by_hand and inside(below.peak_c, top)


def test_by_hand_alone_and_not_at_all() -> None:
    pass_ = without(simulated(1), "motor_temp_c")
    hand = study(pass_, replace(FACTS, motor_temp_before_c=26.0, motor_temp_after_c=52.0), (), S).thermal
    assert hand.by_hand and hand.rise_k is not None and hand.rise_k.value == 26.0
    assert hand.rise_k.standard_u == pytest.approx(2.0 * 2**0.5)
    assert hand.why_not["cooling_s"] == wording.HAND_ONLY
    none = study(pass_, FACTS, (), S).thermal
    assert none.peak_c is None and none.why_not[""] == wording.NO_MOTOR_TEMP


def test_a_motor_that_hardly_warms_shows_no_curve() -> None:
    item = simulated(1, heat=replace(HEAT, motor_jpk=2000.0))
    thermal = study(item.pass_, FACTS, (), S).thermal
    assert thermal.cooling_s is None and "warmed by only" in thermal.why_not["cooling_s"]
    loose = study(item.pass_, FACTS, (), replace(S, thermal_least_rise_k=0.5)).thermal
    assert loose.rise_k is not None


def test_a_log_that_ends_with_the_heat_tells_no_cooling() -> None:
    item = simulated(1, heat=HEAT)
    log = car_log(item.pass_, S)
    assert log is not None
    rows = log.time_s <= log.lift_s
    short = replace(
        log, time_s=log.time_s[rows], speed_mps=log.speed_mps[rows], accel_mps2=log.accel_mps2[rows],
        along_m=log.along_m[rows], channels={name: values[rows] for name, values in log.channels.items()},
    )  # fmt: skip
    facts = replace(FACTS, temperature_k=None)
    thermal = thermal_of(short, heating_of(short, "pack", None, facts, S), facts, S)
    assert thermal.cooling_s is None and thermal.why_not["cooling_s"] == wording.SHORT_COOLING
    assert inside(thermal.peak_c, float(item.truth.motor_temp_c.max()))
