"""What a driver gives to be kept: one day's passes, from a session.toml or from bare files; read, drives found."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.wind import parse_wind
from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions, load, open_logs
from speedlog.importers.delimited_map import load_mapping
from speedlog.logbook.content import sha256_of
from speedlog.logbook.joining import FoundDrive, drives_in
from speedlog.logbook.kept_logs import KeptLog
from speedlog.logbook.rows import SetupText
from speedlog.logbook.setups import as_written, weather_as_written
from speedlog.samples import Recording
from speedlog.session.day import Session, SessionPass
from speedlog.session.table import parse_trap
from speedlog.settings import Settings


@dataclass(frozen=True, eq=False)
class ReadLog:
    """A log given: its own bytes (unpacked, where it came packed), what was read from them, what else came with it."""

    kept: KeptLog
    recording: Recording
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class GivenPass:
    """A pass as given.

    Attributes:
        logs: its files; `drive` is None where no drive that can only be this pass is in them.
        number: as the user counts it; None: the next of the session.
        weather: what differs from the session's.
        setup: what is said of the set-up; `stated`: the keys of it typed for this pass. Where not `whole`, the
            rest is that of the car's last pass.
    """

    logs: tuple[ReadLog, ...]
    drive: FoundDrive | None
    number: int | None = None
    trap: str | None = None
    weather: Mapping[str, str] = field(default_factory=dict)
    setup: Mapping[str, SetupText] = field(default_factory=dict)
    stated: frozenset[str] = frozenset()
    whole: bool = False
    note: str = ""
    measured: Mapping[str, str] = field(default_factory=dict)
    unread: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class GivenDay:
    """Passes of one session. `name` None: the session of the same place and day; `date` None: as the logs say."""

    passes: tuple[GivenPass, ...]
    course: bytes | None
    name: str | None = None
    date: str | None = None
    car: str | None = None
    weather: Mapping[str, str] = field(default_factory=dict)


def day_of_session(session: Session, settings: Settings) -> GivenDay:
    """A session.toml as read, with its logs and their drives.

    A log that can't be read keeps nothing else from being kept: its one line goes into the pass's `unread`.
    """
    reader = Reader(settings)
    weather = weather_as_written(session.weather)
    passes = []
    for item in session.passes:
        logs, unread = _readable(reader, item)
        passes.append(
            GivenPass(
                logs=logs,
                drive=_drive_of(session, item, logs, settings),
                number=item.number,
                trap=item.trap,
                weather=_own_weather(weather, weather_as_written(item.weather)),
                setup=as_written(item.setup),
                stated=item.stated,
                whole=True,
                note=item.note,
                measured={key: value.text for key, value in item.measured.items()},
                unread=unread,
            )
        )
    course = None if session.course_path is None else session.course_path.read_bytes()
    date = session.date.isoformat() if session.date else _date_of(passes, session.course)
    return GivenDay(tuple(passes), course, session.name, date, session.car or None, weather)


class Reader:
    """Reads each file once."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._known: dict[tuple[Path, Path | None], tuple[ReadLog, ...]] = {}

    def read(self, path: Path, columns: Path | None) -> tuple[ReadLog, ...]:
        """The logs of a file: itself, or those of an archive."""
        if (path, columns) not in self._known:
            self._known[path, columns] = self._read(path, columns)
        return self._known[path, columns]

    def _read(self, path: Path, columns: Path | None) -> tuple[ReadLog, ...]:
        mapping = None
        if columns is not None:
            load_mapping(columns, path.name)  # its mistakes are told with its own name
            mapping = load(columns, self._settings.read).data
        digest = None if mapping is None else sha256_of(mapping)
        return tuple(
            ReadLog(
                KeptLog(
                    opened.source.name or path.name, opened.source.sha256, digest, opened.source.data, mapping
                ),
                opened.recording,
                opened.notes,
            )
            for opened in open_logs(path, ReadOptions(columns=columns, settings=self._settings.read))
        )


def local_date(moment: pd.Timestamp, course: Course | None) -> str:
    """The date at the venue, by the course's time zone, else by the computer's."""
    return moment.floor("us").to_pydatetime().astimezone(zone_of(course)).date().isoformat()


def zone_of(course: Course | None) -> dt.tzinfo | None:
    """The time zone of a course; None: the computer's own."""
    if course is None or course.time_zone is None:
        return None
    try:
        return ZoneInfo(course.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def figures_for(
    given: str | Sequence[str] | Mapping[int, str] | None, drives: Sequence[FoundDrive], new: Sequence[int]
) -> dict[int, str]:
    """Which drive each trap figure belongs to, by its place among the drives.

    In order, they go to the drives that are not kept yet, or to all; by number, as `speedlog review` counts.

    Raises:
        SpeedlogError: their count fits neither, or a number is none of a drive.
    """
    if given is None:
        return {}
    if isinstance(given, Mapping):
        unknown = [number for number in given if not 1 <= number <= len(drives)]
        if unknown:
            raise SpeedlogError(
                f"a trap figure is given for pass {unknown[0]}, but {len(drives)} were found",
                todo=listing(drives),
            )
        return {number - 1: text for number, text in given.items()}
    texts = [given] if isinstance(given, str) else list(given)
    for places in (new, range(len(drives))):
        if len(texts) == len(places):
            return dict(zip(places, texts, strict=True))
    raise SpeedlogError(
        f"{len(texts)} trap figure{'s' * (len(texts) != 1)} for {len(new)} new of {len(drives)} passes",
        todo=f'{listing(drives)} Name the pass, like --trap 2="187.5 mph".',
    )


def listing(drives: Sequence[FoundDrive]) -> str:
    """The drives with their times, for a message."""
    times = ", ".join(f"{n} at {drive.start:%H:%M:%S}" for n, drive in enumerate(drives[:12], start=1))
    return f"Passes found (UTC): {times}."


def _drive_of(
    session: Session, item: SessionPass, logs: Sequence[ReadLog], settings: Settings
) -> FoundDrive | None:
    """The drive that is this pass: the only one of its logs, or its turn among the passes that share them."""
    if not logs:
        return None
    sharers = [other for other in session.passes if set(other.logs) & set(item.logs)]
    drives = drives_in([log.recording for log in logs], session.course, settings)
    return drives[sharers.index(item)] if len(drives) == len(sharers) else None


def _readable(reader: Reader, item: SessionPass) -> tuple[tuple[ReadLog, ...], tuple[str, ...]]:
    logs: list[ReadLog] = []
    unread: list[str] = []
    for path in item.logs:
        try:
            found = reader.read(path, item.columns)
            logs += found
            unread += [note for log in found for note in log.notes]
        except SpeedlogError as error:
            unread.append(f"{plain(path.name, 60)} is not kept: {error.problem}")
    return tuple(logs), tuple(unread)


def _date_of(passes: Sequence[GivenPass], course: Course | None) -> str | None:
    starts = [item.drive.start for item in passes if item.drive and item.drive.dated]
    return local_date(min(starts), course) if starts else None


def _own_weather(session: Mapping[str, str], own: Mapping[str, str]) -> dict[str, str]:
    return {key: text for key, text in own.items() if session.get(key) != text}


def check_said(trap: str | Sequence[str] | Mapping[int, str] | None, wind: str | None) -> None:
    """Raises SpeedlogError where a trap figure is neither speed nor time, or the wind is none."""
    texts = (
        [trap] if isinstance(trap, str) else list(trap.values() if isinstance(trap, Mapping) else trap or ())
    )
    for text in texts:
        if not parse_trap(text).value > 0:
            raise SpeedlogError(f'trap: "{plain(text)}" must be above zero', todo="Check the figure.")
    if wind is not None:
        parse_wind(wind)


def check_text(text: str, what: str, longest: int = 200) -> str:
    """A name fit for one line.

    Raises:
        SpeedlogError: empty or too long.
    """
    found = plain(text, longest + 1)
    if not found or len(found) > longest:
        raise SpeedlogError(f"{what} must be 1 to {longest} characters long")
    return found


def check_date(text: str) -> str:
    """A date as YYYY-MM-DD.

    Raises:
        SpeedlogError: it is none.
    """
    try:
        return dt.date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise SpeedlogError(f'"{plain(text)}" is not a date', todo="Write it like 2026-07-12.") from None
