"""What the page shows: the handlers of GET."""

from __future__ import annotations

from dataclasses import replace

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.compare import Comparison, read_comparison
from speedlog.logbook.results import review_kept
from speedlog.logbook.store import Logbook
from speedlog.logbook.take_back import Scope
from speedlog.pit import views
from speedlog.pit.chart import PassChart, pass_charts
from speedlog.pit.site import NotThereError, Site, own_file, setup_fields, shown_unit, today
from speedlog.pit.undo import told_changes
from speedlog.report import compare_words
from speedlog.report.compare_chart import curves_chart, gain_chart
from speedlog.report.numbers import speed_unit
from speedlog.report.wording import MEASURED

_KINDS = {"pit.css": "text/css", "pit.js": "text/javascript", "mark.svg": "image/svg+xml"}


class Pages:
    """Each method is one address; they run in threads."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def first(self, request: Request) -> Response:
        """The last pass."""
        with self._site.keeper.book() as book:
            return self._site.pass_page(request, book, views.newest_pass(book))

    def one_pass(self, request: Request) -> Response:
        number = self._site.pass_id(request)
        with self._site.keeper.book() as book:
            return self._site.pass_page(request, book, number)

    def charts(self, request: Request) -> Response:
        """The charts of a pass: a part of its page, or a page without script."""
        number = self._site.pass_id(request)
        settings = self._site.keeper.settings
        part = request.headers.get("x-pit") == "part"
        with self._site.keeper.book() as book:
            unit = shown_unit(request, views.known(book))
            why, charts, files, faults = "", list[PassChart](), tuple[str, ...](), False
            try:
                found = review_kept(book, number, settings=settings).passes[0]
                charts = pass_charts(found, unit, settings.report)
                files = tuple(item.file for item in found.loggers)
                faults = any(item.faults for item in found.loggers)
            except SpeedlogError as error:
                why = error.problem
            return self._site.page(
                request,
                book,
                "charts_part" if part else "charts",
                charts=charts,
                why=why,
                files=files,
                number=number,
                faults=faults,
            )

    def compare(self, request: Request) -> Response:
        """Two passes side by side."""
        numbers = [self._site.pass_id(request, name) for name in ("one", "other")]
        if numbers[0] == numbers[1]:
            raise NotThereError
        with self._site.keeper.book() as book:
            shown = shown_unit(request, views.known(book)).symbol
            found = read_comparison(
                book, [str(number) for number in numbers], shown, self._site.keeper.settings.compare
            )
            found = _by_number(found)
            unit = speed_unit(found.unit)
            drawn = bool(found.curves)
            return self._site.page(
                request, book, "compare", found=found, said=compare_words,
                curves=curves_chart(found, unit) if drawn else None,
                gain=gain_chart(found, unit) if drawn else None, numbers=numbers,
            )  # fmt: skip

    def amend(self, request: Request) -> Response:
        number = self._site.pass_id(request)
        with self._site.keeper.book() as book:
            return amend_page(self._site, request, book, number)

    def days(self, request: Request) -> Response:
        with self._site.keeper.book() as book:
            return self._site.page(request, book, "days", days=views.days(book))

    def day(self, request: Request) -> Response:
        """The form of a new day."""
        with self._site.keeper.book() as book:
            return self._site.page(request, book, "day", today=today())

    def amend_day(self, request: Request) -> Response:
        """The form on which a day is put right."""
        number = self._site.session_id(request)
        with self._site.keeper.book() as book:
            return day_page(self._site, request, book, number)

    def course(self, request: Request) -> Response:
        """The form of a new course."""
        with self._site.keeper.book() as book:
            return self._site.page(request, book, "course")

    def waiting(self, request: Request) -> Response:
        """Files that were refused, with the reason; a word from the user may help."""
        key = request.path_params["key"]
        received = self._site.desk.waiting(key)
        if received is None:
            raise NotThereError
        with self._site.keeper.book() as book:
            return self._site.pass_page(
                request, book, views.newest_pass(book), waiting=key, files=[path.name for path in received.files],
                error=received.fields.get("error", ""), typed=received.fields,
            )  # fmt: skip

    def news(self, request: Request) -> Response:
        """For the script: what has changed meanwhile."""
        found = self._site.keeper.news
        return JSONResponse({"count": found.count, "pass": found.pass_id, "busy": found.busy})

    def style(self, request: Request) -> Response:
        """The page's own style and script."""
        name = request.path_params["name"]
        if name not in _KINDS:
            raise NotThereError
        return Response(
            own_file(name),
            media_type=_KINDS[name],
            headers={"cache-control": "public, max-age=31536000, immutable"},
        )


def _by_number(found: Comparison) -> Comparison:
    """Passes of one day go by their numbers in it, as everywhere on the page; others by those of the logbook."""
    if len({side.row.session_id for side in found.sides}) > 1:
        return found
    sides = tuple(replace(side, row=replace(side.row, id=side.row.number)) for side in found.sides)
    return replace(found, sides=sides)


def amend_page(
    site: Site, request: Request, book: Logbook, number: int, status: int = 200, **more: object
) -> Response:
    """The form on which a kept pass is put right."""
    view = views.pass_view(book, number, site.keeper.settings.report)
    return site.page(
        request, book, "amend", status, view=view, setup_keys=setup_fields(view.row), measured_keys=tuple(MEASURED),
        logs=[item.name for item in rows.recordings(book, number)],
        history=told_changes(book, Scope(view.row.session_id, number)), **more,
    )  # fmt: skip


def day_page(
    site: Site, request: Request, book: Logbook, number: int, status: int = 200, **more: object
) -> Response:
    """The form on which a kept day is put right."""
    return site.page(
        request, book, "day_amend", status, day=rows.session_row(book, number),
        count=sum(row.session_id == number for row in rows.passes(book)),
        history=told_changes(book, Scope(number)), **more,
    )  # fmt: skip
