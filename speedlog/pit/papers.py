"""The reports to show afterwards, as files to save: they open anywhere, and have their own script and style in them.

They are sent as attachments and never shown under the page's own address, whose policy allows no script inside a page.
"""

from __future__ import annotations

import datetime as dt
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from speedlog.logbook import rows
from speedlog.logbook.history import read_history
from speedlog.logbook.kept_day import review_kept_session
from speedlog.logbook.names import file_name
from speedlog.pit import views
from speedlog.pit.site import NotThereError, Site, shown_unit


class Papers:
    """Each method is one address; they run in threads."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def report(self, request: Request) -> Response:
        """The session report of a kept day, reviewed now."""
        from speedlog.report.page import session_page
        from speedlog.session.car import with_car

        number = int(request.path_params["id"])
        with self._site.keeper.book() as book:
            every = {item.id: item for item in rows.sessions(book)}
            if number not in every or not any(row.session_id == number for row in rows.passes(book)):
                raise NotThereError
            unit = shown_unit(request, views.known(book)).symbol
            found = review_kept_session(book, number, unit=unit, settings=self._site.keeper.settings)
        page = session_page(with_car(found), unit=unit, made=dt.datetime.now(dt.UTC), computer_clock=True)
        return _attached(page, f"{every[number].name}.html")

    def season(self, request: Request) -> Response:
        """The season page of everything kept."""
        from speedlog.report.season_page import season_page

        with self._site.keeper.book() as book:
            found = read_history(book, unit=shown_unit(request, views.known(book)).symbol)
        return _attached(season_page(found, made=dt.datetime.now(dt.UTC)), "Season.html")


def _attached(page: str, name: str) -> Response:
    """A file to save; its name in the form of RFC 6266 and RFC 8187."""
    plain = file_name(name, fallback="report.html")
    return Response(
        page,
        media_type="text/html",
        headers={"content-disposition": f"attachment; filename*=UTF-8''{quote(plain, safe='')}"},
    )
