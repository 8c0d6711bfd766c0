"""The passes that a car is fitted to: of a session.toml ("session.toml/2") or of the logbook, as history names them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from speedlog.errors import SpeedlogError, plain
from speedlog.vehicle.facts import CarFacts, facts_of

if TYPE_CHECKING:
    from speedlog.course.coursefile import Course
    from speedlog.results import Pass

_OF_FILE = re.compile(r"^(?P<file>.+\.toml)/(?P<number>\d+)$", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Source:
    """A pass with its traces, what the user wrote of the car, and where it was."""

    name: str
    found: Pass
    facts: CarFacts
    course: Course | None
    car: str = ""


def read_passes(names: Sequence[str], logbook: Path | None, beside: Path | None) -> list[Source]:
    """The passes named, in the order named.

    Args:
        beside: a session.toml is looked for from here too, where it isn't found from the working folder.

    Raises:
        SpeedlogError: a pass isn't there, or its logs hold no motion.
    """
    found: dict[str, Source] = {}
    days: dict[str, list[str]] = {}
    kept = []
    for name in dict.fromkeys(names):
        of_file = _OF_FILE.match(name)
        if of_file:
            days.setdefault(of_file["file"], []).append(name)
        elif name.lower().endswith(".toml"):
            raise SpeedlogError(
                f"{plain(name, 200)}: which pass of it is not said",
                todo=f'Write "{plain(name, 100)}/2" for pass 2.',
            )
        else:
            kept.append(name)
    for file, wanted in days.items():
        found |= _of_session(_where(Path(file), beside), wanted)
    if kept:
        found |= _of_logbook(kept, logbook)
    return [found[name] for name in dict.fromkeys(names)]


def _where(file: Path, beside: Path | None) -> Path:
    other = None if beside is None or file.is_absolute() else beside / file
    return other if not file.is_file() and other is not None and other.is_file() else file


def _of_session(file: Path, wanted: Sequence[str]) -> dict[str, Source]:
    from speedlog.session import load_session, review_session

    day = load_session(file)
    numbers = {int(name.rpartition("/")[2]): name for name in wanted}
    missing = [number for number in numbers if number not in {item.number for item in day.passes}]
    if missing:
        known = ", ".join(str(item.number) for item in day.passes)
        raise SpeedlogError(f"no pass {missing[0]} in it", file=file, todo=f"Its passes: {known}.")
    chosen = [item for item in day.passes if item.number in numbers]
    logs = {log for item in chosen for log in item.logs}
    shared = any(logs & set(item.logs) for item in day.passes if item.number not in numbers)
    # passes that share a log take its drives in turn, so all of them are needed
    review = review_session(day if shared else replace(day, passes=tuple(chosen)))
    found = {}
    for item in review.reviews:
        if item.entry.number not in numbers:
            continue
        name = numbers[item.entry.number]
        if item.error is not None or not item.drives:
            raise SpeedlogError(f"{plain(name, 200)} can't be used: {item.error or 'no drive in it'}")
        facts = facts_of(item.entry.setup, item.entry.weather, item.entry.measured)
        found[name] = Source(name, item.drives[0], facts, day.course, day.car)
    return found


def _of_logbook(wanted: Sequence[str], logbook: Path | None) -> dict[str, Source]:
    from speedlog.logbook import rows
    from speedlog.logbook.results import course_from, inputs_of, review_of
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path
    from speedlog.session.day import Weather
    from speedlog.session.load import read_measured, read_setup, read_weather
    from speedlog.session.table import Table

    path = logbook_path(logbook)
    found = {}
    with Logbook.open(path, read_only=True) as book:
        for name in wanted:
            row = rows.pass_named(book, name)
            inputs = inputs_of(book, row.id)
            drives = review_of(inputs).passes
            if not drives:
                raise SpeedlogError(f"pass {plain(name)} can't be used: no drive in its logs")
            setup = read_setup(Table(row.setup, path, f"pass {row.id}, "))
            weather = read_weather(Table(row.weather, path, f"pass {row.id}, "), Weather(), None)
            measured = read_measured(Table(row.measured, path, f"pass {row.id}, "))
            found[name] = Source(
                name, drives[0], facts_of(setup, weather, measured), course_from(inputs.course), row.car
            )
    return found


def cars_of(sources: Sequence[Source]) -> list[str]:
    """The names of the cars of these passes, as first written; more than one: they may not be one car."""
    named = {item.car.strip().casefold(): item.car.strip() for item in reversed(sources) if item.car.strip()}
    return sorted(named.values())
