"""Everything that the page keeps, through the logbook's own functions: one thing after the other, by one lock."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from secrets import token_urlsafe

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError
from speedlog.logbook import keeping, rows
from speedlog.logbook.add import Added, FileOptions, add_files
from speedlog.logbook.amend import AmendmentRow, Corrections, amend, amend_session, check_weather
from speedlog.logbook.store import Logbook
from speedlog.logbook.take_back import Scope, take_back
from speedlog.pit.words import Told, added_words
from speedlog.settings import Settings

Begin = Callable[[int, int], None]


@dataclass(frozen=True)
class News:
    """What the page may want to know without being loaded again."""

    count: int  # of changes so far
    pass_id: int | None  # that changed last
    busy: str  # what is being done, "" for nothing


class Keeper:
    """The logbook, and what the server itself remembers while it runs."""

    def __init__(self, path: Path, settings: Settings | None = None) -> None:
        """Makes the logbook where there is none.

        Raises:
            SpeedlogError: it can't be used there.
        """
        self.path = path
        self.settings = settings or Settings()
        self.typed: dict[int, dict[str, str]] = {}  # figures that wait for a course, as typed
        self.last_watch: Told | None = None  # what came of the watched folder's newest files
        self._lock = threading.Lock()  # the lane: one change at a time
        self._told: OrderedDict[str, Told] = OrderedDict()
        self._news = News(0, None, "")
        self._small = threading.Lock()
        Logbook.open(path, create=True).close()

    @contextmanager
    def book(self) -> Iterator[Logbook]:
        with Logbook.open(self.path, create=True) as book:
            yield book

    @contextmanager
    def _lane(self, what: str) -> Iterator[Logbook]:
        with self._lock, self.book() as book:
            self.say(what)
            try:
                yield book
            finally:
                self.say("")

    def add(self, files: Sequence[Path], options: FileOptions, begin: Begin | None = None) -> Added:
        """Keep logs; `begin` is told before each review.

        Raises:
            SpeedlogError: see `add_files`; nothing is kept then.
        """

        def told(place: int, count: int) -> None:
            self.say(f"review {place} of {count}")
            if begin is not None:
                begin(place, count)

        with self._lane("reading the logs") as book:
            if options.car is None:
                options = replace(options, car=_car(book))
            done = add_files(book, files, options, settings=self.settings, begin=told)
        self.changed(done.passes[-1].row.id)
        return done

    def amend(self, pass_id: int, wanted: Corrections, reason: str) -> list[AmendmentRow]:
        """Put a pass right. Raises SpeedlogError as `amend` does."""
        with self._lane("reviewing") as book:
            found = amend(book, pass_id, wanted, reason, settings=self.settings, begin=self._counting)
        self.changed(pass_id)
        return found

    def amend_session(self, session_id: int, wanted: Corrections, reason: str) -> list[AmendmentRow]:
        """Put a day right. Raises SpeedlogError as `amend_session` does."""
        with self._lane("reviewing the day") as book:
            found = amend_session(
                book, session_id, wanted, reason, settings=self.settings, begin=self._counting
            )
        self.changed(None)
        return found

    def take_back(self, scope: Scope, key: int) -> list[AmendmentRow]:
        """Take a change back. Raises SpeedlogError as `take_back` does."""
        with self._lane("reviewing") as book:
            found = take_back(book, scope, key, settings=self.settings)
        self.changed(scope.pass_id)
        return found

    def _counting(self, place: int, count: int) -> None:
        self.say(f"review {place} of {count}")

    def new_course(self, course: Course) -> int:
        """Keep a course; files that were made there are known by its place from now on. Returns its id."""
        with self._lane("keeping the course") as book, book.writing("made on the pit page"):
            return keeping.keep_course(book, course.to_toml().encode())

    def new_session(
        self, name: str, date: str, course_id: int | None, car: str, weather: Mapping[str, str]
    ) -> int:
        """Begin a day.

        Raises:
            SpeedlogError: there is a session of this name and day.
        """
        with self._lane("keeping the session") as book, book.writing("begun on the pit page"):
            check_weather(weather)
            if book.row("SELECT 1 FROM session WHERE name = ? AND date = ?", (name, date)):
                raise SpeedlogError(
                    f'there is a session "{name}" on {date} already',
                    todo="Choose another name, or another day.",
                )
            made = keeping.make_session(book, name, date, course_id, car, weather)
        self.changed(None)
        return made

    def tell(self, told: Told) -> str:
        """Remember an outcome for the page that is shown next; the key to it."""
        key = token_urlsafe(6)
        with self._small:
            self._told[key] = told
            while len(self._told) > self.settings.pit.told_kept:
                self._told.popitem(last=False)
        return key

    def told(self, key: str | None) -> Told | None:
        with self._small:
            return self._told.get(key or "")

    def tell_added(self, done: Added) -> str:
        return self.tell(added_words(done))

    @property
    def news(self) -> News:
        with self._small:
            return self._news

    def say(self, busy: str) -> None:
        """What is being done just now."""
        with self._small:
            self._news = replace(self._news, busy=busy)

    def changed(self, pass_id: int | None) -> None:
        with self._small:
            self._news = replace(self._news, count=self._news.count + 1, pass_id=pass_id)


def _car(book: Logbook) -> str | None:
    """The car of the newest session: that with which the page works."""
    newest = book.row("SELECT id FROM session ORDER BY id DESC LIMIT 1")
    return None if newest is None else rows.session_row(book, int(newest["id"])).car or None
