"""The page: what a session's review found, as one self-contained HTML file that opens offline.

Nothing here reads a clock, a file of the user's or the network: the time of making is passed in.
Every text is escaped by the template engine; only the page's own style, script and JSON, and the
charting library, stand in it as they are.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections import Counter
from dataclasses import dataclass
from functools import cache

from markupsafe import Markup

from speedlog import __version__
from speedlog.report import wording
from speedlog.report.assets import environment, isolated, own
from speedlog.report.bars import draw, scale
from speedlog.report.cards import Card, card, failed_card
from speedlog.report.curves import safe_json
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


def session_page(
    data: SessionReview,
    *,
    unit: str | None = None,
    made: dt.datetime,
    computer_clock: bool = False,
    settings: ReportSettings = _SETTINGS,
) -> str:
    """The whole page of a session.

    Args:
        data: the session and what was found.
        unit: mph, km/h or m/s; None takes the one in which the trap figures were given.
        made: when the page is made, with its time zone.
        computer_clock: show times by this computer's zone (not UTC) where the course names none.

    Raises:
        SpeedlogError: an unknown unit.
    """
    session = data.session
    clock = venue_clock(session.course.time_zone if session.course else None, computer=computer_clock)
    cards: list[Card] = []
    before: SessionPass | None = None
    for item in data.reviews:
        title = f"Pass {item.entry.number}"
        if item.error is not None or item.review is None:
            error = (item.error or "Nothing was found.").replace(f"{session.folder}{os.sep}", "")
            cards.append(failed_card(title, item.entry, before is None, error))
        for place, drive in enumerate(item.drives, start=1):
            many = f", drive {place} of {len(item.drives)}" if len(item.drives) > 1 else ""
            assert item.review is not None
            cards.append(card(title + many, drive, item.review, clock, settings, item.entry, before is None))
        before = item.entry
    found = [drive for item in data.reviews for drive in item.drives]
    heading = _Heading(
        title=session.name,
        date="" if session.date is None else session.date.isoformat(),
        car=session.car,
        course=session.course.name if session.course else "",
        weather=wording.weather(session.weather),
        line=_day_line(found, cards),
        clock=clock.said,
    )
    return _render(heading, cards, _page_unit(unit, found), made)


def review_page(
    review: Review,
    *,
    unit: str | None = None,
    made: dt.datetime,
    title: str = "Review",
    computer_clock: bool = False,
    settings: ReportSettings = _SETTINGS,
) -> str:
    """The page of one review (`speedlog review --out`): the same cards, without a session round them.

    Raises:
        SpeedlogError: an unknown unit.
    """
    clock = venue_clock(review.course.time_zone if review.course else None, computer=computer_clock)
    cards = [
        card(f"Pass {item.number}", item, review, clock, settings, None, False) for item in review.passes
    ]
    start = min((item.start_utc for item in review.passes), default=None)
    heading = _Heading(
        title=title,
        date="" if start is None else clock.date(start),
        car="",
        course=review.course.name if review.course else "",
        weather=[],
        line=_day_line(list(review.passes), cards),
        clock=clock.said,
    )
    return _render(heading, cards, _page_unit(unit, list(review.passes)), made)


def _day_line(found: list[Pass], cards: list[Card]) -> str:
    # a pass that helped to find the trap is no check of it
    counted = [item.verdict if item.verdict and item.verdict.independent else None for item in found]
    codes = [verdict.code if verdict else None for verdict in counted]
    return wording.day_line(codes, sum(item.error is not None for item in cards))


def _page_unit(unit: str | None, found: list[Pass]) -> Unit:
    """The unit asked for, else the one of most trap figures, the earliest of equals."""
    if unit is not None:
        return speed_unit(unit)
    given = [item.trap.official.unit for item in found if item.trap and item.trap.official]
    known = Counter(symbol for symbol in given if symbol in DIGITS)
    return speed_unit(known.most_common(1)[0][0] if known else FALLBACK_UNIT)


def _render(heading: _Heading, cards: list[Card], unit: Unit, made: dt.datetime) -> str:
    if made.tzinfo is None:
        raise ValueError("the time of making needs a time zone")
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
        unit=unit,
        units=units,
        unit_facts=safe_json({item.symbol: [item.factor, DIGITS[item.symbol]] for item in units}),
        say=wording,
        day_scale=scale(rows),
        draw=draw,
        safe_json=safe_json,
        style=own("page.css"),
        script=own("page.js"),
        plotly=_plotly(),
        version=__version__,
        made=made.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
    )


@cache
def _plotly() -> Markup:
    """The charting library, once; its text is checked not to end the script element that holds it."""
    from plotly.offline import get_plotlyjs

    source = get_plotlyjs()
    if re.search(r"</script|<!--", source, re.IGNORECASE):
        source = re.sub(r"<(?=/script|!--)", r"\\x3c", source, flags=re.IGNORECASE)
    return Markup(source)
