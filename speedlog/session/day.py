"""What a session is: frozen values, as written in session.toml, and what the review made of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from speedlog.course.wind import Wind
from speedlog.units import Quantity

if TYPE_CHECKING:
    from speedlog.course.coursefile import Course
    from speedlog.results import Pass, Review

SetupValue = str | int | float | Quantity


@dataclass(frozen=True)
class Weather:
    """Weather of a session or a pass; `pressure` is the one at the place, `qnh` reduced to sea level."""

    wind: Wind | None = None
    wind_height: Quantity | None = None
    temperature: Quantity | None = None
    humidity: Quantity | None = None
    pressure: Quantity | None = None
    qnh: Quantity | None = None
    elevation: Quantity | None = None


@dataclass(frozen=True)
class Change:
    """One thing in the set-up that differs from the pass before."""

    key: str
    before: SetupValue | None
    after: SetupValue


@dataclass(frozen=True)
class SessionPass:
    """One pass of the day.

    Attributes:
        number: the session's own number of it.
        logs: its log files; none where nothing was logged.
        trap: the timekeeper's figure as written, speed or time.
        setup: the car as run; what a pass does not say again is carried over from the pass before.
        stated: the keys of `setup` that this pass itself states.
        changes: what differs from the pass before, in the order of the keys.
    """

    number: int
    logs: tuple[Path, ...]
    trap: str | None = None
    weather: Weather = field(default_factory=Weather)
    setup: Mapping[str, SetupValue] = field(default_factory=dict)
    stated: frozenset[str] = frozenset()
    changes: tuple[Change, ...] = ()
    note: str = ""
    measured: Mapping[str, Quantity] = field(default_factory=dict)
    columns: Path | None = None


@dataclass(frozen=True)
class Session:
    """One day at one venue."""

    name: str
    date: dt.date | None
    course: Course | None
    course_path: Path | None
    car: str
    passes: tuple[SessionPass, ...]
    weather: Weather
    path: Path

    @property
    def folder(self) -> Path:
        return self.path.parent

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Every file that the session is made of; none of them may be written over."""
        others = [self.course_path, *(item.columns for item in self.passes)]
        logs = [log for item in self.passes for log in item.logs]
        return (self.path, *(path for path in others if path is not None), *logs)


@dataclass(frozen=True, eq=False)
class ReviewedPass:
    """A pass with what the review found, or the one line that says why there is nothing.

    `drives` are the passes found in its logs that belong to it: one, unless the logs hold more
    drives than the session names.
    """

    entry: SessionPass
    review: Review | None
    drives: tuple[Pass, ...] = ()
    error: str | None = None


@dataclass(frozen=True, eq=False)
class SessionReview:
    session: Session
    reviews: tuple[ReviewedPass, ...]
