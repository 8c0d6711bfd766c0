"""To which session passes go, and over which course they were driven."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content, given, keeping, results, rows
from speedlog.logbook.given import GivenDay, ReadLog
from speedlog.logbook.joining import FoundDrive, drives_in
from speedlog.logbook.store import Logbook
from speedlog.samples import Recording
from speedlog.settings import Settings


@dataclass(frozen=True)
class Wanted:
    """What is said of the session of bare files."""

    session: str | None
    car: str | None


def course_of(
    book: Logbook, path: Path | None, session: str | None, logs: Sequence[ReadLog], notes: list[str],
    settings: Settings,
) -> tuple[bytes | None, Course | None]:  # fmt: skip
    """The course as given, else the session's, else the one kept course over whose trap the files drive.

    Raises:
        SpeedlogError: no course file, or several kept courses fit.
    """
    if path is not None:
        return path.read_bytes(), Course.load(path)
    if session is not None:
        kept = [item for item in rows.sessions(book) if item.name.casefold() == session.strip().casefold()]
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


def of_day(
    book: Logbook, day: GivenDay, venue: str, logs: Sequence[Sequence[int]], settings: Settings
) -> tuple[int, list[str]]:
    """The session of this name and date; else the one of that date that its passes are in already; else a new one."""
    assert day.name is not None
    notes: list[str] = []
    course_id = None if day.course is None else keeping.keep_course(book, day.course)
    row = book.row("SELECT id FROM session WHERE name = ? AND date IS ?", (day.name, day.date))
    if row is not None:
        kept = rows.session_row(book, int(row["id"]))
    else:
        among = _among(book, day, venue, logs, settings)
        if among is None:
            made = keeping.make_session(book, day.name, day.date, course_id, day.car or "", day.weather)
            return made, notes
        kept = among
        own = _own_name(kept.venue, kept.date)
        if kept.name == own or kept.name.startswith(f"{own}, "):  # nobody has named it
            book.run("UPDATE session SET name = ? WHERE id = ?", (day.name, kept.id))
        else:
            notes.append(f'its passes are kept in "{plain(kept.name)}" already')
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


def _among(
    book: Logbook, day: GivenDay, venue: str, logs: Sequence[Sequence[int]], settings: Settings
) -> rows.SessionRow | None:
    """The session of the same date in which the first of these passes that is known is kept."""
    for item, mine in zip(day.passes, logs, strict=True):
        known = keeping.known_pass(book, None, item, venue, mine, settings.logbook)
        if known is not None:
            kept = rows.session_row(book, rows.pass_row(book, known).session_id)
            if kept.date == day.date:
                return kept
    return None


def _fill_weather(book: Logbook, kept: rows.SessionRow, weather: Mapping[str, str], notes: list[str]) -> None:
    found = {**weather, **kept.weather}
    for key, text in weather.items():
        if kept.weather.get(key, text) != text:
            notes.append(f'{key} of the session: kept "{plain(kept.weather[key])}", now "{plain(text)}"')
    if found != dict(kept.weather):
        book.run(
            "UPDATE session SET weather = ? WHERE id = ?", (json.dumps(found, ensure_ascii=False), kept.id)
        )


def of_files(
    book: Logbook, wanted: Wanted, drives: Sequence[FoundDrive], known: Sequence[int | None],
    data: bytes | None, course: Course | None, notes: list[str],
) -> int:  # fmt: skip
    """The session as named; that of the passes if they are known; the newest of this venue, day and car; a new one."""
    kept_ids = [pass_id for pass_id in known if pass_id is not None]
    if wanted.session is None and len(kept_ids) == len(known):
        theirs = rows.session_row(book, rows.pass_row(book, kept_ids[-1]).session_id)
        _give_course(book, theirs, data, course, notes)
        return theirs.id
    date = _date(drives, course, notes)
    venue = "" if course is None else course.name
    same_day = [item for item in rows.sessions(book) if item.date == date]
    if wanted.session is not None:
        name = given.check_text(wanted.session, "a session's name")
        found = [item for item in same_day if item.name.casefold() == name.casefold()]
    else:
        name = _own_name(venue, date)
        found = [item for item in same_day if item.venue == venue and wanted.car in (None, item.car)]
    if found:
        chosen = found[-1]
        if wanted.car not in (None, chosen.car):
            raise SpeedlogError(
                f'"{plain(chosen.name)}" is a session of "{plain(chosen.car)}"',
                todo="Name another one: --session.",
            )
        _give_course(book, chosen, data, course, notes)
        notes.append(f"session: {plain(chosen.name)}")
        return chosen.id
    car = wanted.car if wanted.car is not None else _last_car(book, notes)
    if wanted.session is None and any(item.name == name for item in same_day):
        name = f"{name}, {car}" if car else f"{name}, again"
    course_id = None if data is None else keeping.keep_course(book, data)
    notes.append(f"a new session: {plain(name)}")
    return keeping.make_session(book, name, date, course_id, car, {})


def _give_course(
    book: Logbook, kept: rows.SessionRow, data: bytes | None, course: Course | None, notes: list[str]
) -> None:
    """A course to a session that has none yet, with its name where nobody gave it another."""
    if data is None or course is None:
        return
    if kept.course_id is None:
        course_id = keeping.keep_course(book, data)
        book.run("UPDATE session SET course_id = ? WHERE id = ?", (course_id, kept.id))
        name = _own_name(course.name, kept.date)
        taken = book.row("SELECT 1 FROM session WHERE name = ? AND date IS ?", (name, kept.date))
        if kept.name == _own_name("", kept.date) and taken is None:
            book.run("UPDATE session SET name = ? WHERE id = ?", (name, kept.id))
    elif _course_bytes(book, kept.course_id) != data:
        notes.append("the course differs from the one kept with this session, which stays")


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
