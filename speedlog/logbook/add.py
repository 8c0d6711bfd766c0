"""Keeping passes: of a session.toml, or of bare files; the facts in one transaction, then the reviews.

Whoever is killed between the two has the facts; the next `add` or `refresh` makes the reviews that are missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import given, keeping, results, rows, sessions
from speedlog.logbook.given import GivenPass, ReadLog
from speedlog.logbook.joining import FoundDrive, drives_in, kept_pass
from speedlog.logbook.store import Logbook
from speedlog.session.day import Session
from speedlog.settings import LogbookSettings, Settings

Begin = Callable[[int, int], None]
_QUARTER_S = 900.0  # time zones differ by whole quarter hours


@dataclass(frozen=True)
class FileOptions:
    """What is said about bare files; see `speedlog add --help`.

    `setup` is the whole car, or nothing: then it is that of the car's last pass. `changes` go on top.
    """

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
    """What became of one pass: what of it was new, what contradicts what is kept, which logs could not be read."""

    row: rows.PassRow
    new: bool
    filled: tuple[str, ...] = ()
    contradictions: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    review: Mapping[str, Any] | None = None  # in the form of `review --json`


@dataclass(frozen=True, eq=False)
class Added:
    """What `add` did; `notes` say what it took for granted."""

    session: rows.SessionRow
    passes: tuple[AddedPass, ...]
    notes: tuple[str, ...] = ()


def add_session(
    book: Logbook, session: Session, *, settings: Settings | None = None, begin: Begin | None = None,
    seen: results.Seen | None = None,
) -> Added:  # fmt: skip
    """Keep a whole session.toml.

    Args:
        begin: told before each review: which of how many.
        seen: given each review that is made, with its traces.

    Raises:
        SpeedlogError: a log can't be read (nothing is kept then), or the logbook can't take it.
    """
    settings = settings or Settings()
    day = given.day_of_session(session, settings)
    with book.writing(f"added from {plain(session.path.name, 80)}"):
        venue = "" if session.course is None else session.course.name
        logs = [[keeping.keep_recording(book, log) for log in item.logs] for item in day.passes]
        session_id, notes = sessions.of_day(book, day, venue, logs, settings)
        done = []
        for item, mine in zip(day.passes, logs, strict=True):
            known = keeping.known_pass(book, session_id, item, venue, mine, settings.logbook)
            done.append(keeping.keep_pass(book, session_id, item, known, mine))
    return _finished(book, session_id, done, notes, settings, begin, seen)


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
    logs = [log for path in paths for log in reader.read(path, options.columns)]
    notes = [note for log in logs for note in log.notes]
    with book.writing(f"added from {', '.join(plain(path.name, 60) for path in paths[:4])}"):
        ids = [keeping.keep_recording(book, log) for log in logs]
        if options.to is not None:
            session_id, done = _join_to(book, options, logs, ids, settings)
        else:
            session_id, done = _as_passes(book, options, logs, ids, notes, settings)
    return _finished(book, session_id, done, notes, settings, begin)


def add_unlogged(book: Logbook, options: FileOptions, *, settings: Settings | None = None) -> Added:
    """Keep a pass of which no log was made: its figure counts all the same.

    Raises:
        SpeedlogError: no such session, or not one figure.
    """
    settings = settings or Settings()
    given.check_said(options.trap, options.wind)
    if not isinstance(options.trap, str):
        raise SpeedlogError("a pass without a log is its figure", todo='Give one: --trap "187.5 mph".')
    session = rows.session_named(book, options.session or "")
    with book.writing("added without a log"):
        done = keeping.keep_pass(book, session.id, _pass(options, [], None, options.trap), None, [])
    return _finished(book, session.id, [done], (), settings, None)


def _join_to(
    book: Logbook, options: FileOptions, logs: Sequence[ReadLog], ids: Sequence[int], settings: Settings
) -> tuple[int, list[keeping.KeptPass]]:
    """The files belong to the pass that was named, whatever their clocks say."""
    row = rows.pass_named(book, options.to or "")
    drives = drives_in(
        [log.recording for log in logs], results.course_from(rows.course_of(book, row.id)), settings
    )
    timed = book.row("SELECT start_utc FROM pass WHERE id = ?", (row.id,))
    # only a drive at the pass's own time may tell how long it was: a clock may be hours off
    lineage = [held for log in ids for held in keeping.held_by(book, log)]
    drive = next(
        (item for item in drives if kept_pass(book, item, row.venue, lineage, settings.logbook) == row.id),
        None,
    )
    if timed is not None and timed["start_utc"] is None and len(drives) == 1:
        drive = drives[0]  # the first log of it
    item = _pass(options, logs, drive, options.trap if isinstance(options.trap, str) else None)
    return row.session_id, [keeping.keep_pass(book, row.session_id, item, row.id, ids)]


def _as_passes(
    book: Logbook, options: FileOptions, logs: Sequence[ReadLog], ids: Sequence[int], notes: list[str],
    settings: Settings,
) -> tuple[int, list[keeping.KeptPass]]:  # fmt: skip
    data, course = sessions.course_of(book, options.course, options.session, logs, notes, settings)
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
    if course is None and options.trap is not None:
        raise SpeedlogError(
            "a trap figure needs the course", todo="Give --course C.toml (see: speedlog course --help)."
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
    session_id = sessions.of_files(
        book, sessions.Wanted(options.session, options.car), drives, known, data, course, notes
    )
    told = _told(options, drives, new)
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


def _told(options: FileOptions, drives: Sequence[FoundDrive], new: Sequence[int]) -> set[int]:
    """Of which drives note, wind, set-up and what was measured are said: of those that are new, or of the only one."""
    told = set(new) or ({0} if len(drives) == 1 else set())
    said = (options.note, options.wind, options.setup, options.changes, options.measured)
    if not told and any(said):
        raise SpeedlogError(
            f"{len(drives)} passes are in these files, all kept already: which one is meant?",
            todo=f"{given.listing(drives)} Say it of one: speedlog logbook amend --help.",
        )
    return told


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
        whole=bool(options.setup),
        note=options.note,
        measured=options.measured,
    )


def _logs_of(logs: Sequence[ReadLog], drives: Sequence[FoundDrive], drive: FoundDrive) -> list[ReadLog]:
    """The logs that saw a drive, and those on no clock that can tell: they belong to all that came with them."""
    seen = {place for item in drives for place in item.logs}
    return [log for place, log in enumerate(logs) if place in drive.logs or place not in seen]


def _finished(
    book: Logbook, session_id: int, done: Sequence[keeping.KeptPass], notes: Sequence[str],
    settings: Settings, begin: Begin | None, seen: results.Seen | None = None,
) -> Added:  # fmt: skip
    results.bring_up_to_date(
        book, session_id, [item.pass_id for item in done], settings=settings, begin=begin, seen=seen
    )
    passes = tuple(
        AddedPass(
            rows.pass_row(book, item.pass_id),
            item.new,
            tuple(item.filled),
            tuple(item.contradictions),
            tuple(item.unread),
            rows.review_json(book, item.pass_id),
        )
        for item in done
    )
    told = [text for item in passes if item.new and (text := _doubled(book, item.row, settings.logbook))]
    return Added(rows.session_row(book, session_id), passes, (*notes, *told))


def _doubled(book: Logbook, row: rows.PassRow, settings: LogbookSettings) -> str | None:
    """A new pass that is a kept one by a clock some quarter hours off (local time logged as UTC): said, not guessed."""
    if row.result is None or row.result.entry_utc is None or row.result.estimate_mps is None:
        return None
    for other in rows.passes(book, since=row.date):  # a look at the whole season would grow with it
        if other.id == row.id or other.date != row.date or other.venue != row.venue or other.result is None:
            continue
        found = other.result
        if found.entry_utc is None or found.estimate_mps is None or found.outbound is not row.result.outbound:
            continue
        apart_s = (pd.Timestamp(row.result.entry_utc) - pd.Timestamp(found.entry_utc)).total_seconds()
        quarters = round(apart_s / _QUARTER_S)
        near = abs(apart_s - quarters * _QUARTER_S) <= settings.same_moment_s
        alike = abs(row.result.estimate_mps / found.estimate_mps - 1) <= settings.same_speed
        if quarters and near and alike:
            return (
                f"pass {row.id} looks like pass {other.id} by a clock {quarters / 4:+g} h off; if so: "
                f"speedlog logbook amend {row.id} --set-aside, and add its log again with --to {other.id}"
            )
    return None
