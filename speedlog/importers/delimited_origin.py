"""Where the columns read from a table stand in it, in which unit, and who says so."""

from __future__ import annotations

from speedlog.errors import plain
from speedlog.importers.delimited_choose import USUAL_UNITS
from speedlog.importers.delimited_layout import Layout
from speedlog.importers.delimited_plan import Form, TimePlan
from speedlog.importers.delimited_times import TimesRead
from speedlog.importers.delimited_values import Use
from speedlog.samples import COLUMN_NAMES, Clock, Origin

_HABIT = "a guess: the usual unit"
_FORMS = {
    Form.ISO: "date and time", Form.STAMP: "date and time", Form.CLOCK: "hh:mm:ss",
    Form.CLOCK_NUMBER: "hhmmss", Form.MINUTES: "mm:ss",
}  # fmt: skip
_POSITIONS = {"minutes": "ddmm.mmmm", "1e-7": "1e-7 °", "": "°"}


def column_words(layout: Layout, index: int) -> str:
    """How to find a column in the file: 'column 3 "Speed (km/h)"'."""
    if not layout.header_line:
        return f"column {index + 1}"
    return f'column {index + 1} "{plain(layout.headers[index], 40)}"'


def table_origins(
    layout: Layout, plan: TimePlan, times: TimesRead, uses: dict[str, Use]
) -> dict[str, Origin]:
    """The origin of "time" and of every column that was filled, in the common table's order."""
    found = {"time": _time_origin(layout, plan, times)}
    for name in COLUMN_NAMES:
        if name in uses:
            found[name] = _origin(name, uses[name], layout)
    return found


def _time_origin(layout: Layout, plan: TimePlan, times: TimesRead) -> Origin:
    source = column_words(layout, plan.time.index)
    if plan.date is not None:
        source = f"{column_words(layout, plan.date)}, {source}"
    form = plan.time.form
    if form not in (Form.EPOCH, Form.ELAPSED):
        return Origin(source, _FORMS[form], "" if times.clock is Clock.ELAPSED else _zone(times))
    unit = times.unit.symbol if times.unit is not None else ""
    if form is Form.EPOCH:
        return Origin(source, f"{unit} since 1970", "its size")
    return Origin(source, unit, "a guess: by its steps" if plan.time.unit is None else _said(plan))


def _zone(times: TimesRead) -> str:
    return "a guess: UTC" if any("name no zone" in text for text in times.warnings) else "its zone is stated"


def _said(plan: TimePlan) -> str:
    return plan.time.meaning.unit_from


def _origin(name: str, use: Use, layout: Layout) -> Origin:
    source = column_words(layout, use.item.index)
    if use.side is not None:
        source = f"{source}, {column_words(layout, use.side.index)}"
    if name in ("lat_deg", "lon_deg") and not use.unit_from:
        said = use.item.meaning.unit_from if use.item.meaning.unit is not None else "the usual unit"
        return Origin(source, _POSITIONS[use.form], "a guess: as its numbers fit" if use.form else said)
    if name == "throttle" and use.unit is None:
        unit = next((word for word in ("pulse", "percent", "share") if word in use.form), "your low and high")
        return Origin(source, unit, use.unit_from)
    if use.unit is not None:
        return Origin(source, use.unit.symbol, use.unit_from)
    if name in USUAL_UNITS:
        return Origin(source, USUAL_UNITS[name], "the usual unit" if use.item.choice else _HABIT)
    return Origin(source, "dB-Hz" if name == "cn0_dbhz" else "", "")
