"""The door for phones: a code, typed or brought along by the QR code, is changed for a key of this browser."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from speedlog.errors import SpeedlogError
from speedlog.pit.codes import COOKIE
from speedlog.pit.guard import Doors
from speedlog.pit.site import Site, page_of_enter, seen


class Door:
    """GET and POST of /enter. To look at the form uses no code up: whatever opens links by itself can't take it."""

    def __init__(self, site: Site, doors: Doors) -> None:
        self._site, self._doors = site, doors

    def form(self, request: Request) -> Response:
        if self._doors.codes is None:
            return seen("/")
        code = request.query_params.get("code", "")[:20]
        return HTMLResponse(page_of_enter(self._site, request, code, ""))

    async def enter(self, request: Request) -> Response:
        if self._doors.codes is None:
            return seen("/")
        try:
            fields = (await self._site.desk.receive(request)).fields
        except SpeedlogError:
            fields = {}
        key = self._doors.codes.take(fields.get("code", "")[:40])
        if key is None:
            shut = self._doors.codes.is_shut
            text = (
                "Too many wrong codes: start speedlog pit again."
                if shut
                else "Not the code. Each is good once."
            )
            return HTMLResponse(page_of_enter(self._site, request, "", text), 403)
        answer = seen("/")
        answer.set_cookie(COOKIE, key, samesite="strict", httponly=True)
        return answer
