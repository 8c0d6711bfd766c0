"""What each pass of a day cost the car, and what was left in it: each seen beside the passes before."""

from __future__ import annotations

from dataclasses import replace

from speedlog.results import Pass
from speedlog.session.day import ReviewedPass, SessionReview
from speedlog.settings import Settings
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import facts_of
from speedlog.vehicle.passes import with_cost


def with_car(day: SessionReview, settings: Settings | None = None) -> SessionReview:
    """The day with `Pass.car` filled, where a controller's log tells something of it."""
    before: list[Earlier] = []
    found = []
    for item in day.reviews:
        facts = facts_of(item.entry.setup, item.entry.weather, item.entry.measured)
        drives = with_cost(item.drives, facts, day.session.course, before, settings=settings)
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
