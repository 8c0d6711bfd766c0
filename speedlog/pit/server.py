"""The server of the pit page: its addresses, its socket, and how it starts and stops."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from speedlog.errors import SpeedlogError
from speedlog.pit.actions import Actions
from speedlog.pit.codes import Codes
from speedlog.pit.day_actions import DayActions
from speedlog.pit.door import Door
from speedlog.pit.guard import Doors, Guard
from speedlog.pit.keeper import Keeper
from speedlog.pit.pages import Pages
from speedlog.pit.papers import Papers
from speedlog.pit.site import NotThereError, Site
from speedlog.pit.uploads import Desk, TooMuchError, sweep
from speedlog.pit.watch import Watch
from speedlog.settings.pit import PitSettings

HERE = "127.0.0.1"


@dataclass(frozen=True)
class Serving:
    """How the page is to be served. `port` None: the usual one, or the next that is free."""

    logbook: Path
    port: int | None = None
    watch: Path | None = None
    lan: bool = False
    browser: bool = True


def make_app(site: Site, doors: Doors, watch: Watch | None = None) -> Starlette:
    """The page as an ASGI application."""
    pages, papers, actions, door = Pages(site), Papers(site), Actions(site), Door(site, doors)
    days = DayActions(site)
    get, post = ["GET"], ["POST"]
    routes = [
        Route("/", pages.first, methods=get),
        Route("/files", actions.files, methods=post),
        Route("/waiting/{key}", pages.waiting, methods=get),
        Route("/pass/{id:int}", pages.one_pass, methods=get),
        Route("/pass/{id:int}/charts", pages.charts, methods=get),
        Route("/pass/{id:int}/figure", actions.figure, methods=post),
        Route("/pass/{id:int}/course", days.course_of_pass, methods=post),
        Route("/pass/{id:int}/amend", pages.amend, methods=get),
        Route("/pass/{id:int}/amend", actions.amend, methods=post),
        Route("/pass/{id:int}/undo", actions.undo, methods=post),
        Route("/compare/{one:int}/{other:int}", pages.compare, methods=get),
        Route("/days", pages.days, methods=get),
        Route("/report/{id:int}", papers.report, methods=get),
        Route("/season", papers.season, methods=get),
        Route("/day", pages.day, methods=get),
        Route("/day", days.day, methods=post),
        Route("/day/{id:int}", pages.amend_day, methods=get),
        Route("/day/{id:int}", days.amend, methods=post),
        Route("/day/{id:int}/undo", days.undo, methods=post),
        Route("/course", pages.course, methods=get),
        Route("/course", days.course, methods=post),
        Route("/look", actions.look, methods=post),
        Route("/news", pages.news, methods=get),
        Route("/style/{name}", pages.style, methods=get),
        Route("/enter", door.form, methods=get),
        Route("/enter", door.enter, methods=post),
    ]

    async def told(request: Request, error: Exception) -> Response:
        if isinstance(error, TooMuchError):
            return site.note(request, str(error), error.status)
        if isinstance(error, SpeedlogError):
            return site.failed(request, error)
        if isinstance(error, HTTPException) and error.status_code != 404:
            return site.note(request, "That can't be asked here.", error.status_code)
        return site.note(request, "There is no such page here.", 404)

    async def gone(request: Request, error: Exception) -> Response:
        return Response(status_code=400)  # nobody is there to read it

    @contextlib.asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        if watch is not None:
            watch.start()
        threading.Thread(target=_warm, name="warm-up", daemon=True).start()
        yield
        if watch is not None:
            watch.stop()
        site.desk.close()

    biggest = int(site.keeper.settings.pit.biggest_upload_mb * 1e6)
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, doors=doors, biggest_bytes=biggest)],
        exception_handlers={
            TooMuchError: told, SpeedlogError: told, NotThereError: told, HTTPException: told, ClientDisconnect: gone,
        },
        lifespan=life,
    )  # fmt: skip


def serve(wanted: Serving, say: Callable[[str], None]) -> None:
    """Serve until Ctrl-C.

    Raises:
        SpeedlogError: the port is taken, or the logbook can't be used.
    """
    from speedlog.pit.lan import addresses, invitation

    keeper = Keeper(wanted.logbook)
    settings = keeper.settings.pit
    sweep(settings)
    listening = bind("0.0.0.0" if wanted.lan else HERE, wanted.port, settings)
    port = listening.getsockname()[1]
    codes = None
    if wanted.lan:
        places = addresses()
        codes = Codes(settings, lambda code: say(invitation(places, port, code)))
    watch = None if wanted.watch is None else Watch(wanted.watch, keeper)
    site = Site(keeper, Desk(settings), "" if wanted.watch is None else str(wanted.watch))
    app = make_app(site, Doors(port, codes), watch)
    address = f"http://{HERE}:{port}/"
    say(f"The pit page: {address}   (logbook: {wanted.logbook}; Ctrl-C stops it)")
    if wanted.watch is not None:
        say(f"Watching {wanted.watch}: new logs are taken when they stop growing.")
    if codes is not None:
        say(invitation(places, port, codes.code))
    if wanted.browser:
        threading.Timer(0.3, webbrowser.open, (address,)).start()
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, date_header=False, lifespan="on",
        timeout_graceful_shutdown=3, h11_max_incomplete_event_size=64 * 1024, limit_concurrency=200,
        proxy_headers=False,
    )  # fmt: skip
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listening])


def bind(host: str, port: int | None, settings: PitSettings) -> socket.socket:
    """A socket that listens on the port asked for, or on the usual one or the next that is free.

    Raises:
        SpeedlogError: none is free.
    """
    tried = [port] if port is not None else range(settings.port, settings.port + settings.ports_tried)
    for number in tried:
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            else:  # elsewhere that would let two programs share the port
                made.setsockopt(
                    socket.SOL_SOCKET, getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR), 1
                )
            made.bind((host, number))
            made.listen(64)
        except (OSError, OverflowError):
            made.close()
            continue
        return made
    raise SpeedlogError(
        f"port {port if port is not None else settings.port} can't be used: another program listens there",
        todo="Is the pit page open already? Else choose another one: --port 8500.",
    )


def _warm() -> None:
    """Loads what the first review needs, so that the first pass of the day doesn't wait for it."""
    from speedlog.course.coursefile import Course
    from speedlog.demo import sample_folder
    from speedlog.pipeline import review

    with contextlib.suppress(SpeedlogError):
        folder = sample_folder()
        review(
            [folder / "p01_front.nmea", folder / "p01_rear.csv"],
            course=Course.load(folder / "course.toml"),
            trap="160.0 mph",
        )
