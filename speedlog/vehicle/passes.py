"""The passes of a review with what each cost the car and what was left in it, seen beside those before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from speedlog.course.coursefile import Course
from speedlog.results import Pass
from speedlog.results_car import RoadLoad
from speedlog.settings import Settings
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.left import left_of, together
from speedlog.vehicle.study import study


def with_cost(
    passes: Sequence[Pass], facts: CarFacts, course: Course | None, before: Sequence[Earlier] = (), *,
    left: bool = True, settings: Settings | None = None,
) -> tuple[Pass, ...]:  # fmt: skip
    """The same passes with `Pass.car` filled, where logs, weather or what was measured tell something of it.

    Args:
        passes: of one car, oldest first, with their traces. facts: what the user wrote of all of them.
        before: passes of the same car before these, oldest first.
        left: also what was left in the car, which takes ten times as long as all the rest.
    """
    settings = settings or Settings()
    earlier = list(before)
    found = []
    for drive in passes:
        told = _studied(drive, facts, course, earlier, left, settings)
        if told.car is not None:
            earlier.append(Earlier(told, facts, told.car))
        found.append(told)
    return tuple(found)


def _studied(
    drive: Pass, facts: CarFacts, course: Course | None, before: Sequence[Earlier], left: bool, settings: Settings
) -> Pass:  # fmt: skip
    if drive.trace is None:
        return drive
    controller = any(logger.kind == "wheel" for logger in drive.trace.loggers)
    if not controller and not _anything(facts):
        return drive  # neither log nor word tells anything of the car
    car = study(drive, facts, before, settings.vehicle)
    if left and controller:
        room = None if course is None else course.room_m(bool(drive.outbound))
        rest, load, stop = left_of(drive, facts, room, settings=settings.forecast)
        load = _both_ways(load, drive, facts, before, settings)
        car = replace(car, left=rest, road_load=load, stopping=stop)
    return replace(drive, car=car)


def _both_ways(
    load: RoadLoad, drive: Pass, facts: CarFacts, before: Sequence[Earlier], settings: Settings
) -> RoadLoad:  # fmt: skip
    """The road load of this coast and of the last one the other way, where body, mass and tyres were the same.

    The two share one wind along the line, which hides in the drag of a coast one way.
    """
    if load.source not in ("coast", "braked coast"):
        return load
    for item in reversed(before):
        if item.pass_.outbound != (not drive.outbound) or not _same_drag(item.facts, facts):
            continue
        both = together([(item.pass_, item.facts), (drive, facts)], settings.forecast)
        if both.directions == 2:
            return both
    return load


def _same_drag(one: CarFacts, other: CarFacts) -> bool:
    wanted = ("body", "mass", "tyre", "wheel_diameter")
    return all(dict(one.setup).get(key) == dict(other.setup).get(key) for key in wanted)


def _anything(facts: CarFacts) -> bool:
    """Whether weather or a figure by hand tells something where no controller's log does."""
    told = (facts.wind_speed_mps, facts.temperature_k, facts.motor_temp_after_c, facts.charge_put_back_ah,
            facts.pack_voltage_rest_v, facts.tyre_diameter_after_m)  # fmt: skip
    return any(value is not None for value in told)
