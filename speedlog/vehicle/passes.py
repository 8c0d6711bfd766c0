"""The passes of a review with what each cost the car and what was left in it, seen beside those before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from speedlog.course.coursefile import Course
from speedlog.results import Pass
from speedlog.settings import Settings
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.left import left_of
from speedlog.vehicle.study import study


def with_cost(
    passes: Sequence[Pass], facts: CarFacts, course: Course | None, before: Sequence[Earlier] = (), *,
    left: bool = True, settings: Settings | None = None,
) -> tuple[Pass, ...]:  # fmt: skip
    """The same passes with `Pass.car` filled, where a controller's log tells something of it.

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
    if drive.trace is None or not any(logger.kind == "wheel" for logger in drive.trace.loggers):
        return drive  # without a controller's log there is nothing of the car to tell
    car = study(drive, facts, before, settings.vehicle)
    if left:
        room = None if course is None else course.room_m(bool(drive.outbound))
        rest, load, stop = left_of(drive, facts, room, settings=settings.forecast)
        car = replace(car, left=rest, road_load=load, stopping=stop)
    return replace(drive, car=car)
