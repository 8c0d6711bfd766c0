"""What each pass of a review cost: only where a controller's log is, and beside the passes before."""

from __future__ import annotations

from dataclasses import replace

import pytest

import speedlog as sl
from speedlog.course.coursefile import Course
from speedlog.demo import sample_folder
from speedlog.results import Pass
from speedlog.settings import Settings
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.passes import with_cost
from speedlog.vehicle.study import study

SAMPLES = sample_folder()
FACTS = CarFacts(wheel_diameter_m=0.088, gear_ratio=1.0, cells=12, mass_kg=7.9)
COURSE = Course.load(SAMPLES / "course.toml")


@pytest.fixture(scope="module")
def driven() -> tuple[Pass, ...]:
    names = ["p08_front.nmea", "p08_controller.csv", "p10_front.nmea", "p10_controller.csv"]
    return sl.review([SAMPLES / name for name in names], course=COURSE, wheel_diameter="88 mm").passes


def test_the_later_pass_is_seen_beside_the_earlier(driven: tuple[Pass, ...]) -> None:
    first, second = with_cost(driven, FACTS, COURSE, left=False)
    assert first.car is not None and second.car is not None
    assert first.car.heat.against_previous is None and second.car.heat.against_previous is not None
    one, two = first.car.heat.squared_logged_a2s, second.car.heat.squared_logged_a2s
    assert one is not None and two is not None
    assert second.car.heat.against_previous.value == pytest.approx(two.value / one.value, rel=1e-6)


def test_what_was_left_only_where_it_is_asked_for(driven: tuple[Pass, ...]) -> None:
    (quick,), (whole,) = (with_cost(driven[:1], FACTS, COURSE, left=left) for left in (False, True))
    assert quick.car is not None and whole.car is not None
    assert quick.car.left is None and quick.car.stopping is None
    assert whole.car.left is not None and whole.car.left.with_more_run_up_mps
    # the pass goes back from the trap's exit to its entry, and on to where the runway begins
    assert whole.car.stopping is not None and COURSE.begin_m is not None
    assert whole.car.stopping.room_m == pytest.approx(COURSE.entry_m - COURSE.begin_m)
    assert quick.car.heat == whole.car.heat == study(driven[0], FACTS).heat


def test_coasts_of_both_directions_are_solved_together() -> None:
    """The meeting's car has 0.0150 m²; one way the wind along the line hides in it, both ways it cancels."""
    settings = Settings()
    settings = replace(settings, forecast=replace(settings.forecast, least_coast_s=0.2))
    names = ["p09_front.nmea", "p09_rear.csv", "p09_controller.csv", "p10_front.nmea", "p10_controller.csv"]
    there = sl.review([SAMPLES / name for name in names], course=COURSE, wheel_diameter="88 mm").passes
    assert [item.outbound for item in there] == [True, False]
    windy = replace(FACTS, wind_speed_mps=6.0, wind_from_deg=270.0, setup=(("body", "low"),))
    first, second = with_cost(there, windy, COURSE, settings=settings)
    assert first.car is not None and second.car is not None
    assert first.car.road_load is not None and first.car.road_load.directions == 1
    both = second.car.road_load
    assert both is not None and both.directions == 2 and both.drag_area_m2 is not None
    assert both.drag_area_m2.low < 0.0150 < both.drag_area_m2.high
    other_body = replace(windy, setup=(("body", "high"),))
    before = [Earlier(first, other_body, first.car)]
    (alone,) = with_cost(there[1:], windy, COURSE, before, settings=settings)
    assert alone.car is not None and alone.car.road_load is not None and alone.car.road_load.directions == 1


def test_a_pass_without_a_controller_s_log_stays_as_it_is() -> None:
    found = sl.review([SAMPLES / "p05_front.nmea"], course=COURSE, facts=FACTS)
    assert found.passes and found.passes[0].car is None


def test_the_pipeline_does_the_same_with_facts(driven: tuple[Pass, ...]) -> None:
    names = ["p08_front.nmea", "p08_controller.csv"]
    found = sl.review(
        [SAMPLES / name for name in names], course=COURSE, wheel_diameter="88 mm", facts=FACTS, left=False
    )
    car = found.passes[0].car
    assert car is not None and car.heat.file == "p08_controller.csv"
    assert found.as_json()["passes"][0]["car"]["pack"]["sag_v"]["value"] > 0
