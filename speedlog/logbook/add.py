"""Keeping passes: of a session.toml, or of bare files; the facts in one transaction, then the reviews.

Whoever is killed between the two has the facts; the next `add` or `refresh` makes the reviews that are missing.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content, given, keeping, results, rows
from speedlog.logbook.given import GivenDay, GivenPass, ReadLog
from speedlog.logbook.joining import FoundDrive, drives_in
from speedlog.logbook.store import Logbook
from speedlog.samples import Recording
from speedlog.session.day import Session
from speedlog.settings import Settings

Begin = Callable[[int, int], None]


@dataclass(frozen=True)
class FileOptions:
    """What is said about bare files; see `speedlog add --help`."""

    session: str | None = None
    course: Path | None = None
    trap: str | Sequence[str] | Mapping[int, str] | None = None
    setup: Mapping[str, rows.SetupText] = field(default_factory=dict)
    changes: Mapping[str, rows.SetupText] = field(default_factory=dict)
    note: str = ""
    wind: str | None = None
    measured: Mapping[str, str] = field(default_factory=dict)
    car: str | None = None
    columns: Path | None = None
    to: str | None = None


@dataclass(frozen=True, eq=False)
class AddedPass:
    """What became of one pass: `filled` and `contradictions` say what of it was new and what was not taken."""

    row: rows.PassRow
    new: bool
    filled: tuple[str, ...] = ()
    contradictions: tuple[str, ...] = ()
    review: Mapping[str, Any] | None = None  # in the form of `review --json`


@dataclass(frozen=True, eq=False)
class Added:
    """What `add` did; `notes` say what it took for granted."""

    session: rows.SessionRow
    passes: tuple[AddedPass, ...]
    notes: tuple[str, ...] = ()


def add_session(
    book: Logbook, session: Session, *, settings: Settings | None = None, begin: Begin | None = None
) -> Added:
    """Keep a whole session.toml.

    Args:
        begin: told before each review: which of how many.

    Raises:
        SpeedlogError: a log can't be read (nothing is kept then), or the logbook can't take it.
    """
    settings = settings or Settings()
    day = given.day_of_session(session, settings)
    with book.writing(f"added from {plain(session.path.name, 80)}"):
        venue = "" if session.course is None else session.course.name
        logs = [[keeping.keep_recording(book, log) for log in item.logs] for item in day.passes]
        session_id, notes = _session_of_day(book, day, venue, logs, settings)
        done = []
        for item, mine in zip(day.passes, logs, strict=True):
            known = keeping.known_pass(book, session_id, item, venue, mine, settings.logbook)
            done.append(keeping.keep_pass(book, session_id, item, known, mine))
    return _finished(book, session_id, done, notes, settings, begin)


def add_files(
    book: Logbook, files: Sequence[Path], options: FileOptions, *,
    settings: Settings | None = None, begin: Begin | None = None,
) -> Added:  # fmt: skip
    """Keep bare logs: each drive in them is a pass, new or known.

    Raises:
        SpeedlogError: a file can't be read, holds no drive, or the figures don't fit (nothing is kept then).
    """
    settings = settings or Settings()
    given.check_said(options.trap, options.wind)
    reader = given.Reader(settings)
    paths = list(dict.fromkeys(files))
    logs = [reader.read(path, options.columns) for path in paths]
    notes: list[str] = []
    with book.writing(f"added from {', '.join(plain(path.name, 60) for path in paths[:4])}"):
        ids = [keeping.keep_recording(book, log) for log in logs]
        if options.to is not None:
            session_id, done = _join_to(book, options, logs, ids, settings)
        else:
            session_id, done = _as_passes(book, options, logs, ids, notes, settings)
    return _finished(book, session_id, done, notes, settings, begin)


def _join_to(
    book: Logbook, options: FileOptions, logs: Sequence[ReadLog], ids: Sequence[int], settings: Settings
) -> tuple[int, list[keeping.KeptPass]]:
    """The files belong to the pass that was named, whatever their clocks say."""
    row = rows.pass_named(book, options.to or "")
    drives = drives_in(
        [log.recording for log in logs], results.course_from(rows.course_of(book, row.id)), settings
    )
    drive = drives[0] if len(drives) == 1 else None
    item = _pass(options, logs, drive, options.trap if isinstance(options.trap, str) else None)
    return row.session_id, [keeping.keep_pass(book, row.session_id, item, row.id, ids)]


def _as_passes(
    book: Logbook, options: FileOptions, logs: Sequence[ReadLog], ids: Sequence[int], notes: list[str],
    settings: Settings,
) -> tuple[int, list[keeping.KeptPass]]:  # fmt: skip
    data, course = _course(book, options, logs, notes, settings)
    drives = drives_in([log.recording for log in logs], course, settings)
    if not drives:
        kept = _passes_of(book, ids)
        if kept:
            item = _pass(options, logs, None, options.trap if isinstance(options.trap, str) else None)
            return rows.pass_row(book, kept[0]).session_id, [
                keeping.keep_pass(book, 0, item, pass_id, ids) for pass_id in kept
            ]
        raise SpeedlogError(
            f"no pass at speed was found in {', '.join(plain(log.kept.name, 60) for log in logs)}",
            todo="A controller's log is added with its pass's GNSS log, or to a kept pass: --to NUMBER.",
        )
    venue = "" if course is None else course.name
    items = [_pass(options, _logs_of(logs, drives, drive), drive, None) for drive in drives]
    mine = [[ids[logs.index(log)] for log in item.logs] for item in items]
    known = [
        keeping.known_pass(book, None, item, venue, whose, settings.logbook)
        for item, whose in zip(items, mine, strict=True)
    ]
    new = [place for place, pass_id in enumerate(known) if pass_id is None]
    figures = given.figures_for(options.trap, drives, new)
    session_id = _session_of_files(book, options, drives, known, data, course, notes)
    told = set(new) or ({0} if len(drives) == 1 else set())  # whom note, wind and set-up are said of
    done = []
    for place, item in enumerate(items):
        said = options if place in told else FileOptions()
        item = _pass(said, item.logs, item.drive, figures.get(place))
        done.append(keeping.keep_pass(book, session_id, item, known[place], mine[place]))
    return session_id, done


def _passes_of(book: Logbook, ids: Sequence[int]) -> list[int]:
    """The passes to which all of these logs belong already."""
    found = [
        {
            row["pass_id"]
            for row in book.rows("SELECT pass_id FROM pass_recording WHERE recording_id = ?", (log,))
        }
        for log in ids
    ]
    return sorted(set.intersection(*found))


def _pass(
    options: FileOptions, logs: Sequence[ReadLog], drive: FoundDrive | None, trap: str | None
) -> GivenPass:
    setup = {**options.setup, **options.changes}
    return GivenPass(
        logs=tuple(logs),
        drive=drive,
        trap=trap,
        weather={} if options.wind is None else {"wind": options.wind},
        setup=setup,
        stated=frozenset(setup),
        note=options.note,
        measured=options.measured,
    )


def _logs_of(logs: Sequence[ReadLog], drives: Sequence[FoundDrive], drive: FoundDrive) -> list[ReadLog]:
    """The logs that saw a drive, and those on no clock that can tell: they belong to all that came with them."""
    seen = {place for item in drives for place in item.logs}
    return [log for place, log in enumerate(logs) if place in drive.logs or place not in seen]


def _course(
    book: Logbook, options: FileOptions, logs: Sequence[ReadLog], notes: list[str], settings: Settings
) -> tuple[bytes | None, Course | None]:
    """The course as given, else the session's, else the one kept course over whose trap the files drive."""
    if options.course is not None:
        return options.course.read_bytes(), Course.load(options.course)
    if options.session is not None:
        kept = [
            item for item in rows.sessions(book) if item.name.casefold() == options.session.strip().casefold()
        ]
        ids = {item.course_id for item in kept if item.course_id is not None}
        if len(ids) == 1:
            data = _course_bytes(book, ids.pop())
            return data, results.course_from(data)
    newest = {row["name"]: row["id"] for row in book.rows("SELECT id, name FROM course ORDER BY id")}
    recordings = [log.recording for log in logs]
    fitting = []
    for course_id in newest.values():
        data = _course_bytes(book, course_id)
        course = results.course_from(data)
        if (
            course is not None
            and _is_near(recordings, course, settings.logbook.near_course_m)
            and drives_in(recordings, course, settings)
        ):
            fitting.append((data, course))
    if len(fitting) > 1:
        listed = ", ".join(f'"{plain(course.name, 60)}"' for _, course in fitting)
        raise SpeedlogError(
            f"the logs fit several kept courses: {listed}", todo="Say which: --course C.toml."
        )
    if not fitting:
        return None, None
    notes.append(f"course as kept: {plain(fitting[0][1].name)}")
    return fitting[0]


def _is_near(recordings: Sequence[Recording], course: Course, near_m: float) -> bool:
    for recording in recordings:
        places = recording.samples[recording.valid].iloc[:1]
        if len(places):
            along, across = along_across(
                course.line, places["lat_deg"].to_numpy(float), places["lon_deg"].to_numpy(float)
            )
            if abs(along[0]) < near_m and abs(across[0]) < near_m:
                return True
    return False


def _course_bytes(book: Logbook, course_id: int) -> bytes:
    row = book.row("SELECT content_id FROM course WHERE id = ?", (course_id,))
    assert row is not None
    return content.get(book, int(row["content_id"]))


def _session_of_day(
    book: Logbook, day: GivenDay, venue: str, logs: Sequence[Sequence[int]], settings: Settings
) -> tuple[int, list[str]]:
    """The session of this name and date; else the unnamed one that its passes are in already; else a new one."""
    assert day.name is not None
    notes: list[str] = []
    course_id = None if day.course is None else keeping.keep_course(book, day.course)
    row = book.row("SELECT id FROM session WHERE name = ? AND date IS ?", (day.name, day.date))
    if row is None:
        for item, mine in zip(day.passes, logs, strict=True):
            known = keeping.known_pass(book, None, item, venue, mine, settings.logbook)
            kept = None if known is None else rows.session_row(book, rows.pass_row(book, known).session_id)
            if kept is not None and kept.date == day.date and kept.name == _own_name(kept.venue, kept.date):
                book.run("UPDATE session SET name = ? WHERE id = ?", (day.name, kept.id))
                row = {"id": kept.id}  # type: ignore[assignment]
                break
    if row is None:
        made = keeping.make_session(book, day.name, day.date, course_id, day.car or "", day.weather)
        return made, notes
    kept = rows.session_row(book, int(row["id"]))
    if kept.course_id is None and course_id is not None:
        book.run("UPDATE session SET course_id = ? WHERE id = ?", (course_id, kept.id))
    elif course_id is not None and course_id != kept.course_id:
        notes.append("the course differs from the one kept with this session, which stays")
    if not kept.car and day.car:
        book.run("UPDATE session SET car = ? WHERE id = ?", (day.car, kept.id))
    elif day.car and day.car != kept.car:
        notes.append(f'car: kept "{plain(kept.car)}", now "{plain(day.car)}"')
    _fill_weather(book, kept, day.weather, notes)
    return kept.id, notes


def _fill_weather(book: Logbook, kept: rows.SessionRow, weather: Mapping[str, str], notes: list[str]) -> None:
    found = {**weather, **kept.weather}
    for key, text in weather.items():
        if kept.weather.get(key, text) != text:
            notes.append(f'{key} of the session: kept "{plain(kept.weather[key])}", now "{plain(text)}"')
    if found != dict(kept.weather):
        book.run(
            "UPDATE session SET weather = ? WHERE id = ?", (json.dumps(found, ensure_ascii=False), kept.id)
        )


def _session_of_files(
    book: Logbook, options: FileOptions, drives: Sequence[FoundDrive], known: Sequence[int | None],
    data: bytes | None, course: Course | None, notes: list[str],
) -> int:  # fmt: skip
    """The session as named; that of the passes if they are known; the newest of this venue, day and car; a new one."""
    kept_ids = [pass_id for pass_id in known if pass_id is not None]
    if options.session is None and len(kept_ids) == len(known):
        return rows.pass_row(book, kept_ids[-1]).session_id
    date = _date(drives, course, notes)
    venue = "" if course is None else course.name
    same_day = [item for item in rows.sessions(book) if item.date == date]
    if options.session is not None:
        name = given.check_text(options.session, "a session's name")
        found = [item for item in same_day if item.name.casefold() == name.casefold()]
    else:
        name = _own_name(venue, date)
        found = [item for item in same_day if item.venue == venue and options.car in (None, item.car)]
    if found:
        chosen = found[-1]
        if options.car not in (None, chosen.car):
            raise SpeedlogError(
                f'"{plain(chosen.name)}" is a session of "{plain(chosen.car)}"',
                todo="Name another one: --session.",
            )
        if chosen.course_id is None and data is not None:
            book.run(
                "UPDATE session SET course_id = ? WHERE id = ?", (keeping.keep_course(book, data), chosen.id)
            )
        notes.append(f"session: {plain(chosen.name)}")
        return chosen.id
    car = options.car if options.car is not None else _last_car(book, notes)
    if options.session is None and any(item.name == name for item in same_day):
        name = f"{name}, {car}" if car else f"{name}, again"
    course_id = None if data is None else keeping.keep_course(book, data)
    notes.append(f"a new session: {plain(name)}")
    return keeping.make_session(book, name, date, course_id, car, {})


def _own_name(venue: str, date: str | None) -> str:
    """What a session is called that nobody named."""
    return ", ".join(part for part in (venue, date) if part) or "Undated"


def _date(drives: Sequence[FoundDrive], course: Course | None, notes: list[str]) -> str:
    dated = [drive.start for drive in drives if drive.dated]
    if dated:
        return given.local_date(max(dated), course)
    today = given.local_date(pd.Timestamp(dt.datetime.now(dt.UTC)), course)
    notes.append(f"no date in the logs: taken as of today, {today}")
    return today


def _last_car(book: Logbook, notes: list[str]) -> str:
    row = book.row(
        "SELECT session.car FROM pass JOIN session ON session.id = pass.session_id "
        "WHERE session.car <> '' ORDER BY pass.id DESC LIMIT 1"
    )
    if row is None:
        return ""
    notes.append(f"car as last time: {plain(row['car'])}")
    return str(row["car"])


def _finished(
    book: Logbook, session_id: int, done: Sequence[keeping.KeptPass], notes: Sequence[str],
    settings: Settings, begin: Begin | None,
) -> Added:  # fmt: skip
    results.bring_up_to_date(
        book, session_id, [item.pass_id for item in done], settings=settings, begin=begin
    )
    passes = tuple(
        AddedPass(
            rows.pass_row(book, item.pass_id),
            item.new,
            tuple(item.filled),
            tuple(item.contradictions),
            rows.review_json(book, item.pass_id),
        )
        for item in done
    )
    return Added(rows.session_row(book, session_id), passes, tuple(notes))
