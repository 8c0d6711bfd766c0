"""One card a pass: everything that the template shows of it, put into words and numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from speedlog.report import wording
from speedlog.report.bars import Bar, Scale, scale
from speedlog.report.car_brief import car_brief
from speedlog.report.car_words import CarBlock, calm, car_blocks, cautions
from speedlog.report.charts import charts
from speedlog.report.curves import letter
from speedlog.report.localtime import LocalClock
from speedlog.report.numbers import mps, with_tokens
from speedlog.report.view import Chart
from speedlog.results import Interval, Logger, Pass, RecordingSummary, Review
from speedlog.session import SessionPass, parse_trap
from speedlog.settings import ReportSettings


@dataclass(frozen=True)
class Figure:
    """One of the three numbers: what it is, the number, its interval, and a word on where it is from."""

    look: str  # "trap", "estimate" or "best"
    name: str
    number: str
    reach: str
    kind: str
    file: str = ""
    short: str = ""  # the kind where room is scarce and it matters


@dataclass(frozen=True)
class Row:
    """A row of the table trap / estimate / loggers. Speeds are tokens; `place` marks a logger."""

    name: str
    file: str
    number: str
    kind: str
    reach: str
    difference: str
    coverage: str
    text: str
    bar: Bar
    place: int | None = None


@dataclass(frozen=True)
class FaultLine:
    letter: str
    words: str
    where: str
    when: str
    near_trap: bool
    detail: str


@dataclass(frozen=True)
class Own:
    """What the session itself says of a pass. `setup` rows: name, value, whether this pass states it."""

    changed: str = ""
    brief: str = ""  # the change in a few words, where room is scarce
    any_change: bool = False
    setup: tuple[tuple[str, str, bool], ...] = ()
    measured: tuple[tuple[str, str], ...] = ()
    weather: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class Card:
    """A pass as the page shows it. `error` stands for everything else when a pass could not be reviewed."""

    key: str
    title: str
    time: str = ""
    direction: str = ""
    error: str | None = None
    code: str = "none"
    words: str = ""
    verdict: str = ""
    figures: tuple[Figure, ...] = ()
    rows: tuple[Row, ...] = ()
    row_scale: Scale | None = None
    reference: Interval | None = None
    trap_bar: Bar | None = None
    estimate_bar: Bar | None = None
    remarks: tuple[str, ...] = ()
    faults: tuple[FaultLine, ...] = ()
    charts: tuple[Chart, ...] = ()
    no_chart: str = ""
    left_out: bool = False  # whether some readings were left out of the estimate
    assumptions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    recordings: tuple[tuple[str, RecordingSummary], ...] = ()
    own: Own = Own()
    car: tuple[CarBlock, ...] = ()
    car_lines: tuple[tuple[str, str], ...] = ()
    car_folded: bool = False  # whether the blocks say more than the lines
    cautions: tuple[str, ...] = ()
    calm: tuple[str, ...] = ()

    def figure(self, look: str) -> Figure | None:
        """The one of the three numbers with this look, if it is known."""
        return next((item for item in self.figures if item.look == look), None)


def base_name(file: str) -> str:
    """The file's own name, of a path in either system's writing."""
    return re.split(r"[/\\]", file)[-1] or file


def short_names(text: str, found: Pass) -> str:
    """A sentence with its files by their own names: where they lie on a computer is nobody's business."""
    for logger in found.loggers:
        text = text.replace(logger.file, base_name(logger.file))
    return text


def card(
    title: str,
    found: Pass,
    review: Review,
    clock: LocalClock,
    settings: ReportSettings,
    entry: SessionPass | None,
    first: bool,
) -> Card:
    """The card of a pass that was reviewed; `entry` is the session's word on it, if there is a session."""
    key = _key(title)
    rows = _rows(found, entry)
    bars = [row.bar for row in rows]
    drawn = charts(found, key, settings)
    remarks = (wording.pulling(found, settings), wording.peak(found), wording.straightness(found))
    car = found.car
    return Card(
        key=key,
        title=title,
        time=clock.time(found.trap.entry_utc if found.trap and found.trap.entry_utc else found.start_utc),
        direction=wording.direction(found),
        code=found.verdict.code if found.verdict else "none",
        words=wording.verdict_words(found),
        verdict=with_tokens(short_names(wording.verdict(found), found)),
        figures=_figures(found, rows),
        rows=rows,
        row_scale=scale(bars),
        reference=found.trap.official.interval95_mps if found.trap and found.trap.official else None,
        trap_bar=next((row.bar for row in rows if row.bar.look == "trap"), None),
        estimate_bar=next((row.bar for row in rows if row.bar.look == "estimate"), None),
        remarks=tuple(text for text in remarks if text),
        faults=_fault_lines(found, clock),
        charts=drawn,
        no_chart="" if drawn else wording.NO_CHART,
        left_out=found.trace is not None and any(not item.used.all() for item in found.trace.loggers),
        assumptions=_assumptions(found, review),
        warnings=_warnings(found, review),
        recordings=_recordings(found, review),
        own=_own(entry, first),
        car=() if car is None else car_blocks(car),
        car_lines=() if car is None else car_brief(car),
        car_folded=car is not None and car.heat.file is not None,
        cautions=() if car is None else cautions(car),
        calm=() if car is None else calm(car),
    )


def failed_card(title: str, entry: SessionPass, first: bool, error: str) -> Card:
    """The card of a pass that could not be reviewed: the reason, and what the session says of it."""
    figures = () if entry.trap is None else (_given_figure(entry.trap),)
    return Card(
        _key(title), title, error=error, words="not reviewed", figures=figures, own=_own(entry, first)
    )


def _key(title: str) -> str:
    """A title as an element's id."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower())


def _given_figure(text: str) -> Figure:
    figure = parse_trap(text)
    number = mps(figure.value, wording.given(figure)) if figure.unit.kind == "speed" else text
    return Figure("trap", "Trap figure", number, "", f"given as {text}")


def _own(entry: SessionPass | None, first: bool) -> Own:
    if entry is None:
        return Own()
    names, stated = wording.SETUP, entry.stated
    setup = [(names[key], wording.setup_value(item), key in stated) for key, item in entry.setup.items()]
    return Own(
        changed=wording.changes(entry, first),
        brief=wording.change_brief(entry),
        any_change=bool(entry.changes),
        setup=tuple(setup),
        measured=tuple((wording.MEASURED[key], value.text) for key, value in entry.measured.items()),
        weather=tuple(wording.weather(entry.weather)),
        note=entry.note,
    )


def _figures(found: Pass, rows: tuple[Row, ...]) -> tuple[Figure, ...]:
    """Trap figure, estimate, best logger; the peak where there is no trap."""
    shown = []
    for row in rows:
        if row.place is None:
            reach = wording.half_width(row.bar.interval)
            shown.append(Figure(row.bar.look, row.name, row.number, reach, row.kind))
    best = best_logger(found)
    if best is not None:
        row = next(item for item in rows if item.place == best)
        reach = wording.half_width(row.bar.interval) if row.bar.interval else wording.NO_INTERVAL
        short = "" if found.loggers[best].trap_reading_mps is not None else row.kind
        shown.append(Figure("best", f"Best logger, {row.name}", row.number, reach, row.kind, row.file, short))
    return tuple(shown)


def best_logger(found: Pass) -> int | None:
    """Place of the logger to show: with a trap reading, then without a fault near it, then by coverage."""
    known = [place for place, item in enumerate(found.loggers) if _reading(item) is not None]
    if not known:
        return None

    def worth(place: int) -> tuple[bool, bool, float, bool]:
        item = found.loggers[place]
        sound = not any(fault.near_trap for fault in item.faults)
        return item.trap_reading_mps is not None, sound, item.coverage, item.kind == "gnss"

    return max(known, key=worth)


def _reading(logger: Logger) -> float | None:
    return logger.peak_reading_mps if logger.trap_reading_mps is None else logger.trap_reading_mps


def _rows(found: Pass, entry: SessionPass | None) -> tuple[Row, ...]:
    rows = _common_rows(found, entry)
    for place, logger in enumerate(found.loggers):
        reading, interval = _reading(logger), logger.interval95_mps
        rows.append(
            Row(
                letter(place),
                base_name(logger.file),
                "–" if reading is None else mps(reading),
                "" if reading is None else wording.reading_name(logger),
                wording.span(interval),
                wording.difference(logger),
                wording.coverage(logger) if found.trap else "",
                with_tokens(short_names(logger.text, found)),
                Bar(reading, interval, f"logger{place % 6}"),
                place,
            )
        )
    return tuple(rows)


def _common_rows(found: Pass, entry: SessionPass | None) -> list[Row]:
    """The trap figure's row and the estimate's (the fastest moment, where there is no trap)."""
    rows, trap, peak = [], found.trap, found.peak
    if trap is not None and trap.official is not None:
        official = trap.official
        figure = parse_trap(entry.trap if entry is not None and entry.trap else official.text)
        number = mps(official.speed_mps, wording.given(figure))
        bar = Bar(official.speed_mps, official.interval95_mps, "trap")
        kind, reach = f"given as {official.text}", wording.span(official.interval95_mps)
        rows.append(Row("Trap figure", "", number, kind, reach, "", "", "", bar))
    if trap is not None and trap.estimate_mps is not None:
        bar = Bar(trap.estimate_mps, trap.interval95_mps, "estimate")
        off, seen = wording.estimate_difference(trap), wording.estimate_coverage(trap)
        number, reach = mps(trap.estimate_mps), wording.span(trap.interval95_mps)
        rows.append(Row("Estimate", "", number, wording.MEAN, reach, off, seen, "", bar))
    elif peak is not None:
        bar = Bar(peak.estimate_mps, peak.interval95_mps, "estimate")
        number, reach = mps(peak.estimate_mps), wording.span(peak.interval95_mps)
        rows.append(Row("Estimate", "", number, wording.FASTEST, reach, "", "", "", bar))
    return rows


def _fault_lines(found: Pass, clock: LocalClock) -> tuple[FaultLine, ...]:
    lines = []
    for place, logger in enumerate(found.loggers):
        for fault in logger.faults:
            when = clock.time(fault.start_utc, 2)
            if fault.end_utc != fault.start_utc:
                when += f" to {clock.time(fault.end_utc, 2)}"
            words, where = wording.FAULTS[fault.kind], wording.fault_where(fault)
            lines.append(
                FaultLine(
                    letter(place),
                    words,
                    where,
                    when,
                    fault.near_trap,
                    with_tokens(short_names(fault.detail, found)),
                )
            )
    return tuple(sorted(lines, key=lambda line: (not line.near_trap, line.when)))


def _assumptions(found: Pass, review: Review) -> tuple[str, ...]:
    given = found.trap.official.assumptions if found.trap and found.trap.official else ()
    return tuple(dict.fromkeys([*given, *(review.course.assumptions if review.course else ())]))


def _warnings(found: Pass, review: Review) -> tuple[str, ...]:
    files = {logger.file for logger in found.loggers}
    own = [
        f"{base_name(item.file)}: {text}"
        for item in review.recordings
        if item.file in files
        for text in item.warnings
    ]
    told = [*found.warnings, *own, *review.warnings]
    return tuple(dict.fromkeys(short_names(text, found) for text in told))


def _recordings(found: Pass, review: Review) -> tuple[tuple[str, RecordingSummary], ...]:
    letters = {logger.file: letter(place) for place, logger in enumerate(found.loggers)}
    named = [replace(item, file=base_name(item.file)) for item in review.recordings]
    return tuple((letters.get(old.file, "–"), new) for old, new in zip(review.recordings, named, strict=True))
