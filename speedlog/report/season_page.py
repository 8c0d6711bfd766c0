"""The season page: the ladders over time, every pass a dot, and all of `history` in one file that opens offline.

Its chart is plain SVG and not the charting library of the session report: with a thousand passes the page is
there at once, prints as it is, and reads without script; the script adds what a dot is and the unit switch.
"""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from urllib.parse import quote

from speedlog import __version__
from speedlog.logbook.figures import Figure, estimate, official, peak
from speedlog.logbook.history import History
from speedlog.logbook.rows import PassRow
from speedlog.report import effect_words
from speedlog.report import season_words as words
from speedlog.report.assets import environment, isolated, own
from speedlog.report.curves import safe_json
from speedlog.report.numbers import DIGITS, as_html, mps, speed_unit, write_number
from speedlog.report.season_chart import season_chart
from speedlog.report.wording import SAFETY

_HEAD_BYTES = 4096  # a report's title stands in the first lines
_MOST_FILES = 2000


@dataclass(frozen=True)
class Head:
    """One of the large figures."""

    look: str
    name: str
    number: str
    reach: str
    where: str


@dataclass(frozen=True)
class Line:
    """A pass in the table of its session."""

    row: PassRow
    link: str | None
    trap: Figure | None
    estimate: Figure | None
    peak: Figure | None
    verdict: str
    code: str
    marks: tuple[str, ...]


@dataclass(frozen=True)
class Day:
    """A session and its passes."""

    name: str
    facts: str
    link: str | None
    lines: tuple[Line, ...]


def season_page(
    found: History, *, made: dt.datetime, beside: Path | None = None, title: str | None = None
) -> str:
    """The whole page.

    Args:
        found: what to show, and in which unit.
        made: when the page is made, with its time zone.
        beside: the folder the page will stand in: session reports that are there are linked.
        title: "Season" with the car's name if None.
    """
    if made.tzinfo is None:
        raise ValueError("the time of making needs a time zone")
    unit = speed_unit(found.unit)
    reports = {} if beside is None else reports_in(beside)
    links = {row.id: link for row in found.rows if (link := _link(reports, row))}
    chart = season_chart(found, unit, links)
    units = [speed_unit(symbol) for symbol in DIGITS]
    made_with = environment()
    made_with.filters |= {"speeds": lambda text: as_html(isolated(text), unit), "clean": isolated}
    made_with.filters["shown"] = lambda value: write_number(value, unit)
    return made_with.get_template("season.html.j2").render(
        title=title or _title(found),
        found=found,
        season_line=words.season_line(found.rows),
        chosen=words.chosen(found.chosen),
        heads=_heads(found),
        chart=chart,
        dots=safe_json([] if chart is None else chart.dots),
        days=_days(found, reports, links),
        several=len(found.cars) > 1 or len(found.venues) > 1,
        words=words,
        effect_words=effect_words,
        mps=mps,
        unit=unit,
        units=units,
        unit_facts=safe_json({item.symbol: [item.factor, DIGITS[item.symbol]] for item in units}),
        safety=SAFETY,
        style=own("page.css"),
        season_style=own("season.css"),
        script=own("units.js") + own("season.js"),
        version=__version__,
        made=made.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
    )


def _title(found: History) -> str:
    return f"Season of {found.cars[0].name}" if len(found.cars) == 1 and found.cars[0].name else "Season"


def _heads(found: History) -> list[Head]:
    """Trap PB, GNSS PB and the best two-way mean, with where and when."""
    heads = []
    for ladder, look in ((found.trap, "trap"), (found.gnss, "gnss")):
        if (best := ladder.best) is not None:
            where = f"pass {best.row.id}, {best.row.date or best.row.session}"
            heads.append(_head(look, words.LADDERS[ladder.name], best.figure, where))
    means = [(item, item.best) for item in found.two_way if item.best is not None]
    if means:
        item, top = max(means, key=lambda pair: pair[1].figure.mps)
        by = f", {item.rule.name}" if item.rule.name else ""
        where = f"passes {top.pair.first.id} and {top.pair.second.id}, {top.pair.second.date or ''}{by}"
        heads.append(_head("mean", words.LADDERS["two_way"], top.figure, where))
    return heads


def _head(look: str, name: str, figure: Figure, where: str) -> Head:
    return Head(look, name, mps(figure.mps), words.reach(figure), where)


def _days(found: History, reports: dict[str, str], links: dict[int, str]) -> list[Day]:
    best = [{step.row.id for step in ladder.steps} for ladder in (found.trap, found.gnss)]
    days = []
    # the newest day first: it is the one looked for
    for _, group in groupby(found.rows, key=lambda row: row.session_id):
        rows = list(group)
        first = rows[0]
        facts = ", ".join(part for part in (first.date, first.venue, first.car) if part)
        lines = tuple(_line(row, links.get(row.id), best) for row in rows)
        days.append(Day(first.session, facts, reports.get(_key(first.session, first.date)), lines))
    return days[::-1]


def _line(row: PassRow, link: str | None, best: list[set[int]]) -> Line:
    result = row.result
    marks = [name for name, ids in zip(("trap PB", "GNSS PB"), best, strict=True) if row.id in ids]
    code = (result.verdict if result else None) or "none"
    return Line(row, link, official(row), estimate(row), peak(row), words.verdict(row), code, tuple(marks))


def _key(session: str, date: str | None) -> str:
    return f"{session}, {date}" if date else session


def _link(reports: dict[str, str], row: PassRow) -> str | None:
    name = reports.get(_key(row.session, row.date))
    return None if name is None else f"{name}#pass-{row.number}"


def reports_in(folder: Path) -> dict[str, str]:
    """Session reports of this program in a folder: "NAME, DATE" → link. Known by the title inside them."""
    found: dict[str, str] = {}
    for path in _html_files(folder):
        try:
            with path.open("rb") as file:
                head = file.read(_HEAD_BYTES).decode("utf-8", errors="replace")
        except OSError:
            continue
        title = re.search(r"<title>(.*?)</title>", head, re.DOTALL)
        if title and 'name="generator" content="speedlog ' in head:
            found.setdefault(html.unescape(title[1]), quote(path.name))
    return found


def _html_files(folder: Path) -> Iterable[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix.lower() in (".html", ".htm"))[
            :_MOST_FILES
        ]
    except OSError:
        return []
