"""The page of passes side by side: one file that opens offline, reads without script, and prints."""

from __future__ import annotations

import datetime as dt

from speedlog import __version__
from speedlog.logbook.compare import Comparison
from speedlog.report import compare_words as words
from speedlog.report.assets import environment, isolated, own
from speedlog.report.compare_chart import curves_chart, gain_chart, spoken
from speedlog.report.curves import safe_json
from speedlog.report.numbers import DIGITS, as_html, num, speed_unit, write_number
from speedlog.report.wording import SAFETY


def compare_page(found: Comparison, *, made: dt.datetime) -> str:
    """The whole page.

    Args:
        found: what to show, and in which unit.
        made: when the page is made, with its time zone.
    """
    if made.tzinfo is None:
        raise ValueError("the time of making needs a time zone")
    unit = speed_unit(found.unit)
    drawn = bool(found.curves)
    made_with = environment()
    made_with.filters |= {"speeds": lambda text: as_html(isolated(text), unit), "clean": isolated}
    made_with.filters["signed"] = lambda value: write_number(value, unit, signed=True)
    units = [speed_unit(symbol) for symbol in DIGITS]
    return made_with.get_template("compare.html.j2").render(
        title=f"Passes {', '.join(str(side.row.id) for side in found.sides)} side by side",
        found=found,
        curves=curves_chart(found, unit) if drawn else None,
        gain=gain_chart(found, unit) if drawn else None,
        spoken=safe_json(spoken(found)) if drawn else "",
        words=words,
        num=num,
        unit=unit,
        units=units,
        unit_facts=safe_json({item.symbol: [item.factor, DIGITS[item.symbol]] for item in units}),
        safety=SAFETY,
        style=own("page.css"),
        more_style=own("season.css") + own("compare.css"),
        script=own("units.js") + own("compare.js"),
        version=__version__,
        made=made.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
    )
