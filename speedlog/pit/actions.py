"""What the page does: the handlers of POST. Whatever fails is told in one line, and what was typed stays."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from dataclasses import replace
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import rows
from speedlog.logbook.add import FileOptions
from speedlog.logbook.amend import Corrections
from speedlog.logbook.keeping import same_figure
from speedlog.logbook.take_back import pass_scope
from speedlog.pit import forms, views, words
from speedlog.pit.keeper import Begin
from speedlog.pit.pages import amend_page
from speedlog.pit.site import LOOKS, Site, seen
from speedlog.pit.undo import courses_of, said, taken_back, wanted_change
from speedlog.pit.uploads import Received
from speedlog.pit.words import Told
from speedlog.report.numbers import DIGITS

ENTERED, NONE_READ_OUT = "entered on the pit page", "none was read out"
_YEAR_S = 365 * 86400


class Actions:
    """Each public method is one address."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._tasks: set[asyncio.Task[Any]] = set()

    async def files(self, request: Request) -> Response:
        """Logs: kept at once, with the figure if it was typed. The script asks for lines of progress."""
        received = await self._site.desk.receive(request)
        earlier = self._site.desk.taken(received.fields.get("waiting", ""))
        if earlier is not None:
            received = _joined(earlier, received)
        if not received.files:
            with self._site.keeper.book() as book:
                return self._site.pass_page(
                    request,
                    book,
                    views.newest_pass(book),
                    422,
                    error="No file was chosen.",
                    typed=received.fields,
                )
        if request.headers.get("x-pit") == "lines":
            return StreamingResponse(self._lines(received), media_type="application/x-ndjson")
        return await run_in_threadpool(self._plainly, request, received)

    def _plainly(self, request: Request, received: Received) -> Response:
        try:
            return seen(*self._add(received, None))
        except SpeedlogError as error:
            key, text = self._refused(received, error)
        with self._site.keeper.book() as book:
            return self._site.pass_page(
                request, book, views.newest_pass(book), 422, waiting=key, error=text, typed=received.fields,
                files=[path.name for path in received.files],
            )  # fmt: skip

    async def _lines(self, received: Received) -> AsyncIterator[str]:
        """A line of JSON a step: {"say": …}, and at the end {"go": …}."""
        loop = asyncio.get_running_loop()
        queue: asyncio.Queue[dict[str, str] | None] = asyncio.Queue()

        def put(item: dict[str, str] | None) -> None:
            loop.call_soon_threadsafe(queue.put_nowait, item)

        def work() -> None:
            try:
                path, told = self._add(
                    received, lambda place, count: put({"say": f"Review {place} of {count} …"})
                )
                put({"go": f"{path}?told={told}"})
            except SpeedlogError as error:
                key, text = self._refused(received, error)
                put({"say": text, "go": f"/waiting/{key}"})
            finally:
                put(None)

        # goes on to its end even where the browser has gone away: all or nothing is kept
        task = asyncio.create_task(run_in_threadpool(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        yield json.dumps({"say": "Received. Reading …"}) + "\n"
        while (item := await queue.get()) is not None:
            yield json.dumps(item) + "\n"

    def _refused(self, received: Received, error: SpeedlogError) -> tuple[str, str]:
        text = words.error_words(error)
        return self._site.desk.wait(replace(received, fields={**received.fields, "error": text})), text

    def _add(self, received: Received, begin: Begin | None) -> tuple[str, str]:
        """Keep the logs; where to go then. A figure that doesn't fit keeps no log from being kept."""
        keeper, fields = self._site.keeper, received.fields
        options = FileOptions(to=plain(fields["to"]) if fields.get("to") else None)
        refused = ""
        try:
            done = keeper.add(received.files, replace(options, trap=forms.figure(fields)), begin)
        except SpeedlogError as error:
            if not fields.get("trap", "").strip():
                raise
            done = keeper.add(received.files, options, begin)
            refused = f"The figure {plain(fields['trap'], 40)} is not kept yet: {words.error_words(error)}"
        number = done.passes[-1].row.id
        if "none" in fields and done.passes[-1].row.trap_text is None:
            keeper.amend(number, Corrections(no_figure=True), NONE_READ_OUT)
        told = words.added_words(done)
        if refused:
            told = Told(told.head, (refused, *told.more), bad=True)
            keeper.typed[number] = {name: fields[name] for name in ("trap", "unit") if name in fields}
        received.drop()
        return f"/pass/{number}", keeper.tell(told)

    async def figure(self, request: Request) -> Response:
        """The figure, and what else is new of a pass that was just made."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._figure, request, fields)

    def _figure(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.pass_id(request)
        with site.keeper.book() as book:
            row = rows.pass_row(book, number)
        try:
            none = "none" in fields
            typed = bool(fields.get("trap", "").strip())
            wanted = forms.corrections(row, fields, trap=typed and not none)
            if none and row.trap_text is None and not row.no_figure:
                wanted = replace(wanted, no_figure=True)
            if wanted.trap and row.trap_text and not same_figure(wanted.trap, row.trap_text):
                raise SpeedlogError(
                    f"{row.trap_text} is kept already, typed meanwhile elsewhere",
                    todo='If it is wrong: "Put something right".',
                )
            if not none and not typed and row.trap_text is None and forms.says_nothing(wanted, row):
                raise SpeedlogError("no figure was typed", todo='Type it, or tap "No figure".')
            if not forms.says_nothing(wanted, row):
                site.keeper.amend(number, wanted, NONE_READ_OUT if none else ENTERED)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return site.pass_page(
                    request, book, number, 422, error=words.error_words(error), typed=fields,
                    wrong=forms.wrong_field(fields, ("trap",)) or ("" if typed or none else "trap"),
                )  # fmt: skip
        site.keeper.typed.pop(number, None)
        return seen(f"/pass/{number}")

    async def amend(self, request: Request) -> Response:
        """A kept pass put right."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._amend, request, fields)

    def _amend(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.pass_id(request)
        with site.keeper.book() as book:
            row = rows.pass_row(book, number)
        try:
            wanted = forms.corrections(row, fields)
            wanted = replace(wanted, number=forms.number_of_pass(row, fields))
            if fields.get("aside") in ("yes", "no"):
                wanted = Corrections(set_aside=fields["aside"] == "yes")
            if "part" in fields:
                wanted = Corrections(part=fields["part"])
            done = site.keeper.amend(number, wanted, fields.get("reason", "") or "put right on the pit page")
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return amend_page(
                    site, request, book, number, 422, error=words.error_words(error), typed=fields
                )
        with site.keeper.book() as book:
            told = Told(f"Put right: {said(done, courses_of(book))}.")
        return seen(f"/pass/{number}", site.keeper.tell(told))

    async def undo(self, request: Request) -> Response:
        """A change of the pass or its day taken back: the one that the button stands beside, else the last."""
        fields = (await self._site.desk.receive(request)).fields
        return await run_in_threadpool(self._undo, request, fields)

    def _undo(self, request: Request, fields: Mapping[str, str]) -> Response:
        site, number = self._site, self._site.pass_id(request)
        try:
            with site.keeper.book() as book:
                scope = pass_scope(book, number)
                key = wanted_change(book, scope, fields)
            told = taken_back(site.keeper, scope, key)
        except SpeedlogError as error:
            with site.keeper.book() as book:
                return site.pass_page(request, book, number, 422, error=words.error_words(error))
        return seen(f"/pass/{number}", site.keeper.tell(told))

    async def look(self, request: Request) -> Response:
        """Bright or dark, and the unit of speeds: remembered by this browser."""
        fields = (await self._site.desk.receive(request)).fields
        back = fields.get("back", "/")
        answer = seen(back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/")
        for name, known in (("look", LOOKS), ("unit", tuple(DIGITS))):
            if fields.get(name) in known:
                answer.set_cookie(name, fields[name], max_age=_YEAR_S, samesite="strict", httponly=True)
        return answer


def _joined(earlier: Received, now: Received) -> Received:
    """Files that waited, and what is said of them now."""
    files = earlier.files
    if now.files and earlier.folder is not None:
        for path in now.files:
            goal = earlier.folder / path.name
            if not goal.exists():
                files.append(path.replace(goal))
    now.drop()
    return Received({**earlier.fields, **now.fields}, earlier.folder, files)
