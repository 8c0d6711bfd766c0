"""Road load from a coast in closed form, and what was left, against the simulator's own answer."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from speedlog.demo.truth import drive_pass
from speedlog.physics.roadload import coast_down
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.coast import Coast, coast_of, road_load, run_up_load
from speedlog.vehicle.fit import fit
from speedlog.vehicle.left import left_in, left_of, stretches_of, together
from speedlog.vehicle.observed import Channel, observe
from tests.benchmarks.forecast_days import drawn_day

SETTINGS = ForecastSettings()
INERTIA, MASS, RHO, CDA, ROLLING = 8.45, 8.0, 1.2, 0.013, 0.021


def coasting(head: float, said: float, sign: int, seconds: float = 8.0, seed: int = 1) -> Coast:
    """The closed form from 85 m/s with 0.03 m/s of noise, 25 times a second; wind `head`, written down as `said`."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, seconds, 0.04)
    speed, _ = coast_down(85.0 + head, time, 0.5 * RHO * CDA / INERTIA, ROLLING * 9.80665 * MASS / INERTIA)
    ones = np.ones(len(time))
    channel = Channel(
        "speed",
        20.0 + time,
        speed - head + 0.03 * rng.standard_normal(len(time)),
        0.03 * ones,
        0.01 * ones,
        8.0,
    )
    return Coast((channel,), 20.0, 20.0 + seconds, said, 1.5, RHO, 0.002, INERTIA, MASS, sign, True)


def test_a_coast_gives_its_drag_back() -> None:
    found = road_load([coasting(0.0, 0.0, 1)], SETTINGS)
    assert found.source == "coast" and found.directions == 1
    assert found.drag_area_m2 is not None and found.rolling is not None
    assert found.drag_area_m2.low < CDA < found.drag_area_m2.high
    assert found.rolling.low < ROLLING < found.rolling.high
    assert found.correlation is not None and -1 < found.correlation < 1


def test_two_directions_take_the_wind_out() -> None:
    """A head wind of 2 m/s that nobody wrote down: one way it passes for drag, both ways it is found."""
    out, back = coasting(2.0, 0.0, 1), coasting(-2.0, 0.0, -1, seed=2)
    alone, both = road_load([out], SETTINGS), road_load([out, back], SETTINGS)
    assert alone.drag_area_m2 is not None and both.drag_area_m2 is not None
    assert both.directions == 2
    assert both.drag_area_m2.low < CDA < both.drag_area_m2.high
    wide = [item.high - item.low for item in (alone.drag_area_m2, both.drag_area_m2)]
    assert wide[1] < 0.7 * wide[0]
    assert abs(both.drag_area_m2.value - CDA) < abs(alone.drag_area_m2.value - CDA)


def test_a_coast_with_current_is_called_braked() -> None:
    found = road_load([replace(coasting(0.0, 0.0, 1), neutral=False)], SETTINGS)
    assert found.source == "braked coast"


@pytest.fixture(scope="module")
def run():  # of the benchmarks
    return drawn_day(3).passes[0]


def test_a_short_coast_says_so(run) -> None:
    """The simulated driver brakes 0.3 to 1 s after the lift."""
    seen = observe(run.found, run.facts, SETTINGS)
    assert seen is not None
    found = coast_of(run.found, seen, run.facts, replace(SETTINGS, least_coast_s=3.0))
    assert isinstance(found, str) and "too short" in found
    assert together([(run.found, run.facts)], replace(SETTINGS, least_coast_s=3.0)).why_not[""] == found


def test_the_run_up_tells_drag_where_the_power_was_logged(run) -> None:
    fitted = fit(Car(), [observe(run.found, run.facts, SETTINGS)], SETTINGS)
    found = run_up_load(fitted)
    assert found.source == "run-up" and found.drag_area_m2 is not None
    assert found.drag_area_m2.low < run.truth.car.drag_area_m2 < found.drag_area_m2.high


def test_more_run_up_against_the_simulator(run) -> None:
    """The same simulated car, driver and wind, 100 m further back: the pass it would have been."""
    left, load, stop = left_of(run.found, run.facts, room_m=900.0, settings=SETTINGS)
    truth = run.truth
    driver = replace(truth.driver, lift_m=truth.driver.lift_m + 100.0)
    beams = (run.run_up_m + 100.0, run.run_up_m + 130.0)
    longer = drive_pass(truth.car, driver, truth.air, beams).trap_mps
    found = left.with_more_run_up_mps[100.0]
    assert found.value == pytest.approx(longer, abs=0.6)
    assert found.low - 0.3 < longer < found.high + 0.3
    more = [left.with_more_run_up_mps[metres].value for metres in (50.0, 100.0, 200.0)]
    assert truth.trap_mps < more[0] < more[1] < more[2]
    assert left.terminal_mps is not None and left.terminal_mps.value > more[2]
    assert left.trap_exit_accel_mps2 is not None and left.trap_exit_accel_mps2.value > 0
    assert load.drag_area_m2 is not None and stop.distance_m is not None
    stopped = float(truth.travel_m[-1]) - truth.exit_travel_m
    assert stop.distance_m.low < stopped < stop.distance_m.high


def test_the_strip_names_what_limits(run) -> None:
    """From the launch to the lift without a hole; the ramp first; each stretch long enough to be seen."""
    fitted = fit(Car(), [observe(run.found, run.facts, SETTINGS)], SETTINGS)
    found = stretches_of(fitted.passes[0], SETTINGS)
    assert found[0].limit in ("ramp", "traction") and found[-1].limit in (
        "current limit",
        "voltage",
        "traction",
    )
    for one, other in pairwise(found):
        assert (
            one.end_s == other.start_s and one.limit != other.limit and one.end_along_m == other.start_along_m
        )
    assert found[0].start_along_m == pytest.approx(520.0 - run.run_up_m, abs=0.5)


def test_without_current_the_strip_says_why(run) -> None:
    trace = run.found.trace
    bare = replace(run.found, trace=replace(trace, loggers=trace.loggers[:1]))
    fitted = fit(Car(), [observe(bare, run.facts, SETTINGS)], SETTINGS)
    found = left_in(fitted, 0, SETTINGS)
    assert found.stretches == () and "no current" in found.why_not["stretches"]
    assert "no current" in run_up_load(fitted).why_not[""]


def test_lifted_before_the_exit_there_is_no_pull_there() -> None:
    run = drawn_day(3).passes[0]
    seen = observe(run.found, run.facts, SETTINGS)
    assert seen is not None and seen.entry_m is not None and seen.exit_m is not None
    late = replace(seen, entry_m=seen.entry_m + 400.0, exit_m=seen.exit_m + 400.0)
    found = left_in(fit(Car(), [late], SETTINGS), 0, SETTINGS)
    assert found.trap_exit_accel_mps2 is None and "lifted" in found.why_not["trap_exit_accel_mps2"]
    assert found.with_more_run_up_mps


def test_a_pass_without_motion() -> None:
    run = drawn_day(3).passes[0]
    left, load, stop = left_of(replace(run.found, trace=None), run.facts)
    assert left.why_not and load.why_not and stop.why_not
