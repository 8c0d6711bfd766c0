"""Still-air standard-day speed against the simulator driven again in that air; wind by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.car import Air
from speedlog.physics.air import air_density, standard_density
from speedlog.results import Official
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.study import study
from tests.vehicle.simulated import CAR, DRIVER, FACTS, simulated, without

S = VehicleSettings()
AT_CAR = replace(S, car_height_m=2.0)  # the simulator's wind is the same at any height


def windy(speed: float, head: float, **more) -> CarFacts:
    """Facts with a wind of which `head` blows against a car on 75 degrees."""
    return replace(
        FACTS, wind_speed_mps=speed, wind_from_deg=75.0 + math.degrees(math.acos(head / speed)), **more
    )


@pytest.mark.parametrize("limit_a", [150.0, 220.0, 400.0])
@pytest.mark.parametrize("head", [3.0, -3.0, 1.0])
def test_against_the_simulator_in_still_standard_air(limit_a: float, head: float) -> None:
    """Constant power, constant current and what lies between: the equivalent within its interval, and near."""
    car = replace(CAR, drive=replace(CAR.drive, pack_limit_a=limit_a))
    density = air_density(303.15, 98000.0, 0.4)
    facts = windy(4.0, head, temperature_k=303.15, pressure_pa=98000.0, humidity=0.4)
    item = simulated(1, car=car, air=Air(density, head))
    standard = simulated(1, car=car, air=Air(standard_density(), 0.0)).truth.trap_mps
    found = study(item.pass_, facts, (), AT_CAR).still_air
    assert found.equivalent_mps is not None and found.of == "estimate"
    assert found.equivalent_mps.low < standard < found.equivalent_mps.high
    moved = abs(standard - item.truth.trap_mps)
    assert abs(found.equivalent_mps.value - standard) < 0.1 + 0.2 * moved
    assert found.wind_gave_mps is not None and found.air_gave_mps is not None and found.speed_mps is not None
    parts = found.wind_gave_mps.value + found.air_gave_mps.value
    assert found.speed_mps.value - parts == pytest.approx(found.equivalent_mps.value)
    assert found.wind_gave_mps.value * head < 0 < found.air_gave_mps.value  # thin air gives


def test_the_wind_at_the_car_is_less_than_overhead() -> None:
    # by hand: ln(0.15 / 0.01) / ln(2 / 0.01) = 2.70805 / 5.29832 = 0.51112
    found = study(simulated(1).pass_, windy(4.0, 4.0), (), S).still_air
    assert found.head_wind_mps is not None
    assert found.head_wind_mps.value == pytest.approx(4.0 * 0.51112, abs=1e-4)
    # a factor of three in the roughness: 0.602 to 0.383
    assert found.head_wind_mps.low < 4.0 * 0.383 and found.head_wind_mps.high > 4.0 * 0.602


@pytest.mark.parametrize(("side", "sign"), [("head", 1.0), ("tail", -1.0), ("left", 0.0), ("right", 0.0)])
def test_wind_by_the_side_of_the_car(side: str, sign: float) -> None:
    facts = replace(FACTS, wind_speed_mps=2.0, wind_side=side)
    found = study(simulated(1).pass_, facts, (), AT_CAR).still_air
    assert found.head_wind_mps is not None and found.head_wind_mps.value == pytest.approx(
        2.0 * sign, abs=1e-9
    )
    assert found.head_wind_mps.standard_u > 0.3  # across, its direction is what matters


def test_the_figure_that_counts_is_corrected() -> None:
    item = simulated(1)
    trap = item.pass_.trap
    assert trap is not None
    official = Official(85.0, (84.9, 85.1), "190.1 mph", "mph")
    with_figure = replace(item.pass_, trap=replace(trap, official=official))
    assert study(with_figure, windy(2.0, 2.0), (), S).still_air.of == "official"
    no_course = study(replace(item.pass_, trap=None), windy(2.0, 2.0), (), S).still_air
    assert no_course.of == "peak" and no_course.equivalent_mps is not None
    bare = study(replace(item.pass_, trap=None, peak=None), FACTS, (), S).still_air
    assert bare.why_not[""] == wording.NO_SPEED


def test_half_of_the_weather_gives_half_of_the_answer() -> None:
    item = simulated(1)
    no_wind = study(item.pass_, FACTS, (), S).still_air
    assert (
        no_wind.air_gave_mps is not None and no_wind.wind_gave_mps is None and no_wind.equivalent_mps is None
    )
    assert no_wind.why_not["equivalent_mps"] == wording.NO_WIND
    no_air = study(item.pass_, windy(2.0, 2.0, temperature_k=None), (), S).still_air
    assert no_air.wind_gave_mps is not None and no_air.why_not["equivalent_mps"] == wording.NO_AIR


def test_what_was_assumed_is_said_and_widens() -> None:
    item = simulated(1)
    whole = study(item.pass_, windy(2.0, 2.0, wind_height_m=2.0), (), S).still_air
    assert whole.assumed == () and whole.equivalent_mps is not None
    less = windy(2.0, 2.0, humidity=None, pressure_assumed=True)
    bare = study(without(item, "throttle", "current_a"), less, (), S).still_air
    assert bare.equivalent_mps is not None
    assert [text.split()[0] for text in bare.assumed] == ["The", "Humidity", "Pressure", "The"]
    assert bare.equivalent_mps.standard_u > 1.2 * whole.equivalent_mps.standard_u


def test_intervals_hold_over_many_winds() -> None:
    """40 days, the wind as read off by its own uncertainty: the true equivalent inside at least 34 times (95 %: 38)."""
    rng = np.random.default_rng(12)
    inside = 0
    standard = simulated(1, air=Air(standard_density(), 0.0)).truth.trap_mps
    for seed in range(40):
        true = rng.uniform(-4, 4)
        read = true + rng.normal() * math.hypot(S.wind_u_share * true, S.wind_u_mps)
        density = air_density(295.0 + rng.normal(), 101000.0 + 150 * rng.normal(), 0.5)
        item = simulated(seed, air=Air(density, true), driver=DRIVER)
        side = "head" if read > 0 else "tail"
        facts = replace(FACTS, temperature_k=295.0, wind_speed_mps=abs(read), wind_side=side)
        found = study(item.pass_, facts, (), AT_CAR).still_air.equivalent_mps
        assert found is not None
        inside += found.low < standard < found.high
    assert inside >= 34
