"""What all handlers share: the logbook's keeper, the desk for uploads, and how a page is rendered."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache, cached_property
from hashlib import sha256
from importlib import resources
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from speedlog import __version__
from speedlog.errors import SpeedlogError
from speedlog.logbook.rows import PassRow
from speedlog.logbook.store import Logbook
from speedlog.pit import forms, views, words
from speedlog.pit.keeper import Keeper
from speedlog.pit.uploads import Desk
from speedlog.report.assets import isolated
from speedlog.report.numbers import DIGITS, as_html, as_text, speed_unit, write_number
from speedlog.report.wording import MEASURED, SETUP
from speedlog.units import Unit

LOOKS = ("bright", "dark")
_MOST_ID = 2**31
_FIELDS = {"figure": ("trap",), "course": ("name", "entry", "length", "trap")}
COMMON_SETUP = ("tyre", "wheel_diameter", "gear_ratio", "current_limit", "ramp", "cells")


class NotThereError(Exception):
    """No such page, pass or file."""


@dataclass
class Site:
    """The page, as its handlers see it. `watched`: the folder that is looked at, for the reader."""

    keeper: Keeper
    desk: Desk
    watched: str = ""

    @cached_property
    def templates(self) -> jinja2.Environment:
        return jinja2.Environment(
            loader=jinja2.PackageLoader("speedlog.pit", "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def page(self, request: Request, book: Logbook, name: str, status: int = 200, **more: Any) -> Response:
        """A page of the logbook as it is now."""
        known = views.known(book)
        unit = shown_unit(request, known)
        look = request.cookies.get("look")
        filters = {
            "speeds": lambda text: as_html(isolated(text), unit),
            "spoken": lambda text: as_text(isolated(text), unit),
            "clean": isolated,
            "shown": lambda value: write_number(value, unit),
        }
        made = self.templates.overlay()
        made.filters = {**made.filters, **filters}
        facts: dict[str, Any] = {
            "known": known,
            "unit": unit,
            "units": list(DIGITS),
            "figure_units": forms.FIGURE_UNITS,
            "look": look if look in LOOKS else "",
            "told": self.keeper.told(request.query_params.get("told")),
            "error": "",
            "wrong": "",
            "waiting": None,
            "typed": {},
            "news": self.keeper.news,
            "watched": self.watched,
            "from_watch": self.keeper.last_watch,
            "here": request.url.path,
            "words": words,
            "names": {**SETUP, **MEASURED},
            "setup_units": forms.SETUP_UNITS,
            "measured_units": forms.MEASURED_UNITS,
            "weather_names": words.WEATHER,
            "weather_units": forms.WEATHER_UNITS,
            "style": _address("pit.css"),
            "script": _address("pit.js"),
            "version": __version__,
        }
        return HTMLResponse(made.get_template(f"{name}.html.j2").render({**facts, **more}), status)

    def pass_page(
        self, request: Request, book: Logbook, pass_id: int | None, status: int = 200, **more: Any
    ) -> Response:
        """The first screen: a pass, the list of its day, and the place to drop the next logs."""
        view = None
        if pass_id is not None:
            view = views.pass_view(book, pass_id, self.keeper.settings.report)
        day = None if view is None else views.day_of(book, view.row.session_id)
        fields = () if view is None else setup_fields(view.row)
        shown: dict[str, Any] = {
            "waiting": None,
            "files": (),
            "typed": self.keeper.typed.get(pass_id or 0, {}),
        }
        here = _FIELDS.get(view.asks if view is not None else "", ())
        if more.get("wrong") not in here:  # the form with that field is not on the page (any more)
            more["wrong"] = ""
        facts = {"view": view, "day": day, "setup_keys": fields, "measured_keys": tuple(MEASURED)}
        return self.page(request, book, "pass", status, **{**shown, **facts, **more})

    def failed(self, request: Request, error: SpeedlogError, status: int = 422) -> Response:
        """A page that only says what is wrong."""
        return self.note(request, words.error_words(error), status)

    def note(self, request: Request, text: str, status: int) -> Response:
        made = self.templates.get_template("note.html.j2")
        look = request.cookies.get("look")
        facts = {"style": _address("pit.css"), "look": look if look in LOOKS else "", "text": isolated(text)}
        return HTMLResponse(made.render(facts), status)

    def pass_id(self, request: Request, name: str = "id") -> int:
        """The pass in the address. Raises NotThereError."""
        number = int(request.path_params[name])
        if number < _MOST_ID:
            with self.keeper.book() as book:
                if book.row("SELECT 1 FROM pass WHERE id = ?", (number,)):
                    return number
        raise NotThereError

    def session_id(self, request: Request) -> int:
        """The day in the address. Raises NotThereError."""
        number = int(request.path_params["id"])
        if number < _MOST_ID:
            with self.keeper.book() as book:
                if book.row("SELECT 1 FROM session WHERE id = ?", (number,)):
                    return number
        raise NotThereError


def shown_unit(request: Request, known: views.Known) -> Unit:
    """The unit of speeds: as chosen in this browser, else that of the figures."""
    asked = request.cookies.get("unit", "")
    return speed_unit(asked if asked in DIGITS else known.unit)


def setup_fields(row: PassRow) -> tuple[list[str], list[str]]:
    """The set-up's fields on the form: what is stated and what every car has, and the others."""
    first = [key for key in SETUP if key in row.setup or key in COMMON_SETUP]
    return first, [key for key in SETUP if key not in first]


def seen(path: str, told: str | None = None) -> RedirectResponse:
    """On to another page, with what came of it."""
    return RedirectResponse(path + (f"?told={told}" if told else ""), 303)


def today() -> str:
    return dt.datetime.now().astimezone().date().isoformat()


@cache
def own_file(name: str) -> bytes:
    """A style or script of the page, from the package."""
    return resources.files("speedlog.pit").joinpath("style", name).read_bytes()


@cache
def _address(name: str) -> str:
    """Where it is served; the address changes with its content."""
    return f"/style/{name}?{sha256(own_file(name)).hexdigest()[:10]}"


def page_of_enter(site: Site, request: Request, code: str, error: str) -> str:
    """The form for the code; it shows nothing of the logbook."""
    look = request.cookies.get("look")
    facts = {
        "style": _address("pit.css"),
        "look": look if look in LOOKS else "",
        "code": code,
        "error": error,
    }
    return site.templates.get_template("enter.html.j2").render(facts)
