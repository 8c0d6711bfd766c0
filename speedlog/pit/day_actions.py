"""What the page does for days and courses: the handlers of POST. Errors are told in one line; what was typed stays."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import given, rows
from speedlog.logbook.amend import Corrections
from speedlog.logbook.take_back import Scope
from speedlog.pit import course_making, forms, views, words
from speedlog.pit.actions import ENTERED
from speedlog.pit.pages import day_page
from speedlog.pit.site import Site, seen, today
from speedlog.pit.undo import courses_of, said, taken_back, wanted_change
from speedlog.pit.uploads import Received
from speedlog.pit.words import Told


class DayActions:
    """Each public method is one address."""

    def __init__(self, site: Site) -> None:
        self._site = site

    async def course_of_pass(self, request: Request) -> Response:
        """The course from this pass and two distances, and the figure if it is known."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._course_of_pass, request, fields)

    def _course_of_pass(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.pass_id(request)
        try:
            with site.keeper.book() as book:
                course = course_making.course_of_pass(book, number, fields, site.keeper.settings)
                figure = forms.figure(fields)
                row = rows.pass_row(book, number)
                # a day that nobody has named goes by its date alone until its venue is known
                name = f"{course.name}, {row.date}" if row.session == row.date else None
                if book.row("SELECT 1 FROM session WHERE name = ? AND date = ?", (name, row.date)):
                    name = None
            car = plain(fields.get("car", ""), 80) or None
            with _as_file(course) as path:
                wanted = Corrections(course=path, trap=figure, session_name=name, car=car)
                site.keeper.amend(number, wanted, ENTERED)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return site.pass_page(
                    request, book, number, 422, error=words.error_words(error), typed=fields,
                    wrong=forms.wrong_field(fields, ("entry", "length", "name", "trap")),
                )  # fmt: skip
        site.keeper.typed.pop(number, None)
        told = f"Course kept: {course.name}, trap {course.entry_m:g} m to {course.exit_m:g} m."
        return seen(f"/pass/{number}", site.keeper.tell(Told(told)))

    async def course(self, request: Request) -> Response:
        """A course from stands, or from a file."""
        received = await self._site.desk.receive(request)
        return await run_in_threadpool(self._course, request, received)

    def _course(self, request: Request, received: Received) -> Response:
        site, files = self._site, received.files
        try:
            if not files:
                raise SpeedlogError(
                    "no file was chosen", todo="Choose the logs of the stands, or a course.toml."
                )
            if len(files) == 1 and files[0].suffix.lower() == ".toml":
                course = course_making.course_of_file(files[0])
            else:
                course = course_making.course_of_stands(files, received.fields, site.keeper.settings)
            site.keeper.new_course(course)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return site.page(
                    request, book, "course", 422, error=words.error_words(error), typed=received.fields
                )
        finally:
            received.drop()
        told = Told(
            f"Course kept: {course.name}, trap {course.entry_m:.1f} m to {course.exit_m:.1f} m along."
        )
        return seen("/day", site.keeper.tell(told))

    async def day(self, request: Request) -> Response:
        """A new day, or another car."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._day, request, fields)

    def _day(self, request: Request, fields: Mapping[str, str]) -> Response:
        site = self._site
        try:
            with site.keeper.book() as book:
                courses = {str(number): (number, name) for number, name in views.known(book).courses}
            chosen = courses.get(fields.get("course", ""))
            date = given.check_date(fields.get("date") or today())
            venue = "" if chosen is None else chosen[1]
            car = given.check_text(fields.get("car", ""), "the car's name", 80)
            name = plain(fields.get("name", "")) or ", ".join(part for part in (venue, date, car) if part)
            name = given.check_text(name, "the day's name", 120)
            weather = forms.weather({}, fields)
            site.keeper.new_session(name, date, None if chosen is None else chosen[0], car, weather)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return site.page(
                    request, book, "day", 422, error=words.error_words(error), typed=fields, today=today()
                )
        return seen("/", site.keeper.tell(Told(f"Begun: {name}. Drop the first logs.")))

    async def amend(self, request: Request) -> Response:
        """A kept day put right: for all its passes."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._amend, request, fields)

    def _amend(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.session_id(request)
        try:
            with site.keeper.book() as book:
                row = rows.session_row(book, number)
                courses = {int(item["id"]) for item in book.rows("SELECT id FROM course")}
            wanted = forms.day_corrections(row, fields, courses)
            done = site.keeper.amend_session(number, wanted, "put right on the pit page")
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return day_page(
                    site, request, book, number, 422, error=words.error_words(error), typed=fields
                )
        with site.keeper.book() as book:
            told = Told(f"Put right: {said(done, courses_of(book))}.")
        return seen(f"/day/{number}", site.keeper.tell(told))

    async def undo(self, request: Request) -> Response:
        """A change of the day taken back."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._undo, request, fields)

    def _undo(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.session_id(request)
        try:
            with site.keeper.book() as book:
                key = wanted_change(book, Scope(number), fields)
            told = taken_back(site.keeper, Scope(number), key)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return day_page(site, request, book, number, 422, error=words.error_words(error))
        return seen(f"/day/{number}", site.keeper.tell(told))


@contextmanager
def _as_file(course: Course) -> Iterator[Path]:
    """A course as a file, as the logbook's amend wants it, for as long as it takes."""
    with tempfile.TemporaryDirectory(prefix="speedlog-pit-") as folder:
        path = Path(folder) / "course.toml"
        path.write_text(course.to_toml(), encoding="utf-8", newline="\n")
        yield path
