"""The page: what a session's review found, as one HTML file that opens offline.

Nothing here reads a clock, a file of the user's or the network: the time of making is passed in.
Every text is escaped by the template engine; only the page's own style, script and JSON, and the
charting library, stand in it as they are. It has no coordinates unless they are asked for.
"""

from __future__ import annotations

import datetime as dt
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from speedlog import __version__
from speedlog.course.coursefile import Course
from speedlog.report import chart_words, charting, wording
from speedlog.report.assets import environment, isolated, own
from speedlog.report.bars import draw, scale
from speedlog.report.cards import Card, card, failed_card
from speedlog.report.curves import safe_json
from speedlog.report.day_chart import Still, day_chart, still
from speedlog.report.localtime import venue_clock
from speedlog.report.numbers import DIGITS, as_html, speed_unit
from speedlog.results import Pass, Review
from speedlog.session import SessionPass, SessionReview
from speedlog.settings import ReportSettings
from speedlog.units import Unit

_SETTINGS = ReportSettings()
FALLBACK_UNIT = "km/h"  # where no trap figure says otherwise; the switch on the page changes it


@dataclass(frozen=True)
class _Heading:
    """What stands above the cards."""

    title: str
    date: str
    car: str
    course: str
    weather: list[str]
    line: str
    clock: str
    place: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Made:
    """How the page is made: its unit, the time, whether the library stands in a file of its own."""

    unit: str | None
    made: dt.datetime
    shared: bool
    settings: ReportSettings


@dataclass
class _Cards:
    """The cards in order, and the pass behind each (None: not reviewed)."""

    cards: list[Card] = field(default_factory=list)
    passes: list[Pass | None] = field(default_factory=list)

    def add(self, made: Card, found: Pass | None) -> None:
        self.cards.append(made)
        self.passes.append(found)

    @property
    def found(self) -> list[Pass]:
        return [item for item in self.passes if item is not None]


def session_page(
    data: SessionReview,
    *,
    unit: str | None = None,
    made: dt.datetime,
    computer_clock: bool = False,
    shared: bool = False,
    with_place: bool = False,
    settings: ReportSettings = _SETTINGS,
) -> str:
    """The whole page of a session.

    Args:
        data: the session and what was found.
        unit: mph, km/h or m/s; None takes the one in which the trap figures were given.
        made: when the page is made, with its time zone.
        computer_clock: show times by this computer's zone (not UTC) where the course names none.
        shared: leave the charting library out; `charting.shared_name()` must then stand beside the page.
        with_place: tell where the line and the trap lie on the earth.

    Raises:
        SpeedlogError: an unknown unit.
    """
    session = data.session
    clock = venue_clock(session.course.time_zone if session.course else None, computer=computer_clock)
    day = _Cards()
    before: SessionPass | None = None
    for item in data.reviews:
        title = f"Pass {item.entry.number}"
        if item.error is not None or item.review is None:
            error = (item.error or "Nothing was found.").replace(f"{session.folder}{os.sep}", "")
            day.add(failed_card(title, item.entry, before is None, error), None)
        for place, drive in enumerate(item.drives, start=1):
            many = f", drive {place} of {len(item.drives)}" if len(item.drives) > 1 else ""
            assert item.review is not None
            first = before is None
            day.add(card(title + many, drive, item.review, clock, settings, item.entry, first), drive)
        before = item.entry
    heading = _Heading(
        title=session.name,
        date="" if session.date is None else session.date.isoformat(),
        car=session.car,
        course=session.course.name if session.course else "",
        weather=wording.weather(session.weather),
        line=_day_line(day),
        clock=clock.said,
        place=_place(session.course) if with_place else (),
    )
    return _render(heading, day, _Made(unit, made, shared, settings))


def review_page(
    review: Review,
    *,
    unit: str | None = None,
    made: dt.datetime,
    title: str = "Review",
    computer_clock: bool = False,
    shared: bool = False,
    settings: ReportSettings = _SETTINGS,
) -> str:
    """The page of one review (`speedlog review --out`): the same cards, without a session round them.

    Raises:
        SpeedlogError: an unknown unit.
    """
    clock = venue_clock(review.course.time_zone if review.course else None, computer=computer_clock)
    day = _Cards()
    for item in review.passes:
        day.add(card(f"Pass {item.number}", item, review, clock, settings, None, False), item)
    start = min((item.start_utc for item in review.passes), default=None)
    heading = _Heading(
        title=title,
        date="" if start is None else clock.date(start),
        car="",
        course=review.course.name if review.course else "",
        weather=[],
        line=_day_line(day),
        clock=clock.said,
    )
    return _render(heading, day, _Made(unit, made, shared, settings))


def _place(course: Course | None) -> tuple[str, ...]:
    return () if course is None else wording.place(course)


def _day_line(day: _Cards) -> str:
    # a pass that helped to find the trap is no check of it
    counted = [item.verdict if item.verdict and item.verdict.independent else None for item in day.found]
    codes = [verdict.code if verdict else None for verdict in counted]
    return wording.day_line(codes, sum(item.error is not None for item in day.cards))


def page_unit(unit: str | None, found: Sequence[Pass]) -> Unit:
    """The unit asked for, else the one of most trap figures, the earliest of equals."""
    if unit is not None:
        return speed_unit(unit)
    given = [item.trap.official.unit for item in found if item.trap and item.trap.official]
    known = Counter(symbol for symbol in given if symbol in DIGITS)
    return speed_unit(known.most_common(1)[0][0] if known else FALLBACK_UNIT)


def _stills(day: _Cards, unit: Unit, settings: ReportSettings) -> dict[str, Still]:
    """Key of a speed chart → how it stands until it is drawn."""
    found = {}
    for item, drive in zip(day.cards, day.passes, strict=True):
        if drive is not None and item.charts:
            first = item.charts[0]
            drawn = still(drive, unit, int(first.figure["layout"]["height"]), settings)
            if drawn is not None:
                found[first.key] = drawn
    return found


def _render(heading: _Heading, day: _Cards, how: _Made) -> str:
    if how.made.tzinfo is None:
        raise ValueError("the time of making needs a time zone")
    unit = page_unit(how.unit, day.found)
    cards = day.cards
    rows = [row for item in cards for row in (item.trap_bar, item.estimate_bar) if row is not None]
    units = [speed_unit(symbol) for symbol in DIGITS]
    made_with = environment()
    made_with.filters |= {
        "speeds": lambda text: as_html(isolated(text), unit),
        "clean": isolated,
        "sentence": lambda text: text[:1].upper() + text[1:].rstrip(".") + ".",
    }
    return made_with.get_template("page.html.j2").render(
        heading=heading,
        cards=cards,
        day_chart=day_chart(day.passes, [item.title for item in cards], unit, how.settings),
        stills=_stills(day, unit, how.settings),
        unit=unit,
        units=units,
        unit_facts=safe_json({item.symbol: [item.factor, DIGITS[item.symbol]] for item in units}),
        say=wording,
        more_charts=chart_words.more_charts,
        how_to_read=wording.how_to_read(day.found),
        day_scale=scale(rows),
        draw=draw,
        safe_json=safe_json,
        style=own("page.css"),
        script=own("units.js") + own("page.js") + own("reading.js"),
        plotly="" if how.shared else charting.library(),
        shared=charting.shared_name() if how.shared else None,
        version=__version__,
        made=how.made.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
    )
