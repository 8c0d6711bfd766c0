"""What each screen shows, read from the logbook in one go; no arrays, no review is made for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from speedlog.course.coursefile import Course
from speedlog.logbook import results, rows
from speedlog.logbook.figures import Figure, estimate, figure_unit, in_order, moment, official, peak
from speedlog.logbook.given import zone_of
from speedlog.logbook.history import FALLBACK_UNIT, Chosen, History, read_history
from speedlog.logbook.rows import PassRow, SessionRow
from speedlog.logbook.store import Logbook
from speedlog.logbook.take_back import Scope
from speedlog.pit import words
from speedlog.pit.car_words import CarCost, car_cost, tells
from speedlog.pit.forms import figure_unit_of
from speedlog.pit.undo import ToldChange, told_changes
from speedlog.report import season_words
from speedlog.report.numbers import DIGITS, dif, mps, with_tokens
from speedlog.settings import ReportSettings


@dataclass(frozen=True)
class Number:
    """One of the three large figures; `value` is a token, "" where there is none, and `said` says why."""

    look: str
    name: str
    value: str
    reach: str
    said: str


@dataclass(frozen=True)
class LoggerLine:
    """What one logger did: its name, its faults in a few words, and its own sentence."""

    file: str
    faults: str
    is_bad: bool
    text: str


@dataclass(frozen=True)
class PassView:
    """A pass, as the page's first screen tells it.

    Attributes:
        code: the verdict's, "none" without one. head: the verdict in a few words. text: its sentence.
        facts: still pulling, PB, a sentence each.
        car: heat and sag, against the last pass of the day that has them; empty where nothing is known.
        asks: "figure", "course" or "" for nothing.
    """

    row: PassRow
    title: str
    where: str
    code: str
    head: str
    text: str
    numbers: tuple[Number, ...]
    facts: tuple[str, ...]
    car: CarCost
    loggers: tuple[LoggerLine, ...]
    warnings: tuple[str, ...]
    changed: str
    setup: str
    asks: str
    is_aside: bool
    last_change: ToldChange | None


@dataclass(frozen=True)
class ListedPass:
    """A pass in the list of its day."""

    row: PassRow
    time: str
    figure: Figure | None
    is_official: bool
    code: str
    verdict: str
    marks: tuple[str, ...]


@dataclass(frozen=True)
class DayView:
    """A session with its passes, the newest first."""

    session: SessionRow
    passes: tuple[ListedPass, ...]


@dataclass(frozen=True)
class Known:
    """What the forms offer: remembered from the logbook."""

    unit: str  # to show speeds in
    figure_unit: str  # of the trap figures; "" where none was ever typed
    courses: tuple[tuple[int, str], ...]
    cars: tuple[str, ...]
    session: SessionRow | None


def known(book: Logbook) -> Known:
    """What is remembered."""
    given = book.row(
        "SELECT trap_text FROM pass WHERE trap_text IS NOT NULL ORDER BY trap_entered_at DESC, id DESC LIMIT 1"
    )
    figure = figure_unit_of(None if given is None else given["trap_text"]) or ""
    shown = figure if figure in DIGITS else figure_unit(rows.passes(book))
    every = rows.sessions(book)
    courses = {row["name"]: int(row["id"]) for row in book.rows("SELECT id, name FROM course ORDER BY id")}
    return Known(
        unit=shown if shown is not None and shown in DIGITS else FALLBACK_UNIT,
        figure_unit=figure,
        courses=tuple((number, name) for name, number in courses.items())[::-1],
        cars=tuple(dict.fromkeys(item.car for item in every[::-1] if item.car)),
        session=max(every, key=lambda item: item.id, default=None),
    )


def newest_pass(book: Logbook) -> int | None:
    """The pass driven last."""
    ordered = in_order(rows.passes(book))
    return ordered[-1].id if ordered else None


def pass_view(book: Logbook, pass_id: int, settings: ReportSettings) -> PassView:
    """One pass.

    Raises:
        SpeedlogError: there is none of this id.
    """
    row = rows.pass_row(book, pass_id)
    aside = book.row("SELECT set_aside_at FROM pass WHERE id = ?", (pass_id,))
    review = rows.review_json(book, pass_id)
    found: Mapping[str, Any] = (review or {}).get("passes", [{}])[0] if review else {}
    history = read_history(book, Chosen(car=row.car or None))
    course = results.course_from(rows.course_of(book, pass_id))
    before, verdict = _before(history, row), found.get("verdict")
    facts = [words.best(history, row), words.pulling(found.get("trap_accel_mps2"), settings)]
    return PassView(
        row=row,
        title=f"Pass {row.number}",
        where=", ".join(part for part in (_clock(row, course), _way(row), row.car) if part),
        code=verdict["code"] if verdict else "none",
        head=_head(row),
        text=_text(row, found),
        numbers=_numbers(row, found),
        facts=tuple(text for text in facts if text),
        car=_car(book, found, history, row),
        loggers=tuple(_logger(item) for item in found.get("loggers", ())),
        warnings=tuple(with_tokens(text) for text in found.get("warnings", ())),
        changed=_changed(before, row),
        setup=words.setup_line(row.setup),
        asks=_asks(row, course),
        is_aside=aside is not None and aside["set_aside_at"] is not None,
        last_change=next(iter(told_changes(book, Scope(row.session_id, pass_id), 1)), None),
    )


def days(book: Logbook, most: int = 60) -> list[DayView]:
    """All sessions with passes, the newest first."""
    history = read_history(book)
    groups: dict[int, list[PassRow]] = {}
    for row in history.rows:
        groups.setdefault(row.session_id, []).append(row)
    return [_day(book, number, group, history) for number, group in list(groups.items())[::-1][:most]]


def day_of(book: Logbook, session_id: int) -> DayView:
    """The day of a session."""
    history = read_history(book)
    return _day(book, session_id, [row for row in history.rows if row.session_id == session_id], history)


def _day(book: Logbook, session_id: int, group: Sequence[PassRow], history: History) -> DayView:
    best = [{step.row.id for step in ladder.steps[-1:]} for ladder in (history.trap, history.gnss)]
    course = results.course_from(rows.course_of(book, group[0].id)) if group else None
    listed = []
    for row in group[::-1]:
        result = row.result
        figure = official(row)
        marks = [name for name, ids in zip(("trap PB", "GNSS PB"), best, strict=True) if row.id in ids]
        listed.append(
            ListedPass(
                row, _clock(row, course), figure or estimate(row) or peak(row), figure is not None,
                (result.verdict if result else None) or "none", season_words.verdict(row), tuple(marks),
            )
        )  # fmt: skip
    return DayView(rows.session_row(book, session_id), tuple(listed))


def _asks(row: PassRow, course: Course | None) -> str:
    if course is None:
        return "course"
    return "figure" if row.trap_text is None and not row.no_figure else ""


def _clock(row: PassRow, course: Course | None) -> str:
    at = moment(row)
    return "" if at is None else _local(at, course).strftime("%H:%M")


def _local(at: dt.datetime, course: Course | None) -> dt.datetime:
    return at.astimezone(zone_of(course))


def _way(row: PassRow) -> str:
    if row.result is None or row.result.outbound is None:
        return ""
    return "outbound" if row.result.outbound else "return"


def _head(row: PassRow) -> str:
    text = season_words.verdict(row)
    return text[:1].upper() + text[1:]


def _text(row: PassRow, found: Mapping[str, Any]) -> str:
    if row.result is not None and row.result.error is not None:
        return row.result.error
    if found.get("verdict"):
        return with_tokens(found["verdict"]["text"])
    through, fastest = estimate(row), peak(row)
    if through is not None:
        return f"The logs say {mps(through.mps)} {words.reach(through)} through the trap."
    return f"The logs say {mps(fastest.mps)} {words.reach(fastest)} at the fastest moment." if fastest else ""


def _numbers(row: PassRow, found: Mapping[str, Any]) -> tuple[Number, ...]:
    trap = official(row)
    through, fastest = estimate(row), peak(row)
    ours = through or fastest
    name = "Estimate" if through or not fastest else "Fastest moment"
    made = [
        Number("trap", "Trap", mps(trap.mps) if trap else "", words.reach(trap), _as_typed(row)),
        Number(
            "estimate", name, mps(ours.mps) if ours else "", words.reach(ours), _estimate_said(row, through)
        ),
        _best_logger(found),
    ]
    return tuple(made)


def _as_typed(row: PassRow) -> str:
    if row.trap_text is None:
        return "none was read out" if row.no_figure else "no figure yet"
    return "as read out" if figure_unit_of(row.trap_text) != "s" else f"read out as {row.trap_text}"


def _estimate_said(row: PassRow, through: Figure | None) -> str:
    if through is None:
        return "of all logs together"
    trap = official(row)
    if trap is None:
        return "of all logs together, through the trap"
    return f"of all logs together, {dif(through.mps - trap.mps)} against the trap"


def _best_logger(found: Mapping[str, Any]) -> Number:
    """The logger that saw most of the trap, GNSS before wheels; of equals the one nearest to the estimate."""
    goal = (found.get("trap") or {}).get("estimate_mps") or (found.get("peak") or {}).get("estimate_mps")

    def rank(item: Mapping[str, Any]) -> tuple[bool, bool, float, float]:
        reading = item["trap_reading_mps"] or item["peak_reading_mps"]
        off = abs(reading - goal) if reading is not None and goal is not None else 1e9
        return (
            item["trap_reading_mps"] is not None,
            item["kind"] == "gnss",
            round(item["coverage"], 2),
            -off,
        )

    readings = [item for item in found.get("loggers", ()) if item["peak_reading_mps"] is not None]
    if not readings:
        return Number("logger", "Best logger", "", "", "no reading")
    best = max(readings, key=rank)
    through = best["trap_reading_mps"]
    value = through if through is not None else best["peak_reading_mps"]
    what = "mean through the trap" if through is not None else "highest reading"
    return Number("logger", "Best logger", mps(value), "", f"{best['file']}, {what}")


def _logger(item: Mapping[str, Any]) -> LoggerLine:
    near = any(fault["near_trap"] for fault in item["faults"])
    return LoggerLine(item["file"], words.faults(item["faults"]), near, with_tokens(item["text"]))


def _before(history: History, row: PassRow) -> PassRow | None:
    """The pass of this car before."""
    places = [item.id for item in history.rows]
    place = places.index(row.id) if row.id in places else 0
    return history.rows[place - 1] if place else None


def _car(book: Logbook, found: Mapping[str, Any], history: History, row: PassRow) -> CarCost:
    """Heat and sag against the last pass of the day before this one of which a log tells them."""
    if not tells(found.get("car")):
        return car_cost(found.get("car"), None, "")
    places = [item.id for item in history.rows]
    earlier = history.rows[: places.index(row.id)] if row.id in places else ()
    for other in earlier[::-1]:
        if other.session_id != row.session_id:
            break
        review = rows.review_json(book, other.id)
        if review is not None and tells(car := review["passes"][0].get("car")):
            return car_cost(found["car"], car, f"pass {other.number}")
    return car_cost(found["car"], None, "")


def _changed(before: PassRow | None, row: PassRow) -> str:
    """What is new on the car since the pass before."""
    if before is None:
        return ""
    keys = [key for key in {**before.setup, **row.setup} if before.setup.get(key) != row.setup.get(key)]
    return "; ".join(words.change(key, before.setup.get(key), row.setup.get(key)) for key in keys)
