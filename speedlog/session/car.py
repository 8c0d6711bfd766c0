"""What each pass of a day cost the car, and what was left in it: each seen beside the passes before."""

from __future__ import annotations

from dataclasses import replace

from speedlog.results import Pass
from speedlog.session.day import ReviewedPass, Session, SessionReview
from speedlog.settings import Settings
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts, facts_of
from speedlog.vehicle.left import left_of
from speedlog.vehicle.study import study


def with_car(day: SessionReview, settings: Settings | None = None) -> SessionReview:
    """The day with `Pass.car` filled, where a controller's log tells something of it."""
    settings = settings or Settings()
    before: list[Earlier] = []
    found = []
    for item in day.reviews:
        entry = item.entry
        facts = facts_of(entry.setup, entry.weather, entry.measured)
        drives = tuple(_studied(drive, facts, day.session, before, settings) for drive in item.drives)
        before += [Earlier(drive, facts, drive.car) for drive in drives if drive.car is not None]
        found.append(_with_drives(item, drives))
    return SessionReview(day.session, tuple(found))


def _with_drives(item: ReviewedPass, drives: tuple[Pass, ...]) -> ReviewedPass:
    """The same with these drives, in the review too."""
    if item.review is None:
        return item
    by_number = {drive.number: drive for drive in drives}
    passes = tuple(by_number.get(drive.number, drive) for drive in item.review.passes)
    return replace(item, review=replace(item.review, passes=passes), drives=drives)


def _studied(
    drive: Pass, facts: CarFacts, session: Session, before: list[Earlier], settings: Settings
) -> Pass:
    if drive.trace is None or not any(logger.kind == "wheel" for logger in drive.trace.loggers):
        return drive  # without a controller's log there is nothing of the car to tell
    car = study(drive, facts, before, settings.vehicle)
    left, load, stop = left_of(drive, facts, _room_m(drive, session), settings=settings.forecast)
    return replace(drive, car=replace(car, left=left, road_load=load, stopping=stop))


def _room_m(drive: Pass, session: Session) -> float | None:
    """From the trap's exit to the runway's end, along this pass; None where it isn't known."""
    course = session.course
    if course is None or course.end_m is None or not drive.outbound:
        return None
    return course.end_m - course.exit_m
