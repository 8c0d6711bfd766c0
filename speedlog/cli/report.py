"""`speedlog report`: the page of a session."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.errors import plain

if TYPE_CHECKING:
    from speedlog.session import ReviewedPass, SessionPass


def report(
    session: Annotated[Path, typer.Argument(help="A session.toml: the day's passes in plain text.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.html", help="The page to write.")],
    unit: Annotated[
        str | None, typer.Option("--unit", help="mph, km/h or m/s; that of the trap figures otherwise.")
    ] = None,
) -> None:
    """The report of a session: one page that opens offline and can be sent to anyone.

    Example: speedlog report session.toml --out day.html
    """
    from datetime import UTC, datetime

    from speedlog.cli.output import write_text
    from speedlog.report.numbers import speed_unit
    from speedlog.report.page import session_page
    from speedlog.session import load_session, review_session

    if unit is not None:
        speed_unit(unit)  # a mistake is told before the long work
    day = load_session(session)
    found = review_session(day, unit=unit, begin=_progress(len(day.passes)))
    _clear_progress()
    page = session_page(found, unit=unit, made=datetime.now(UTC), computer_clock=True)
    write_text(out, page, inputs=day.inputs)
    for item in found.reviews:
        print(in_words(item))
    print(f"Report: {out} (open it in any browser; it needs no network)")


def in_words(item: ReviewedPass) -> str:
    """A pass in one line a drive, for a terminal."""
    from speedlog.report import wording

    if item.error is not None or not item.drives:
        return f"Pass {item.entry.number}: not reviewed. {plain(item.error or '', 400)}"
    return "\n".join(
        f"Pass {item.entry.number}: {plain(wording.verdict(drive), 400)}" for drive in item.drives
    )


def _progress(count: int) -> Callable[[SessionPass], None]:
    """Says on a terminal which pass is being read, and nothing where the output is piped."""
    begun = itertools.count(1)

    def tell(item: SessionPass) -> None:
        place = next(begun)
        if sys.stderr.isatty():
            print(f"\rPass {item.number} ({place} of {count}) …  ", end="", file=sys.stderr, flush=True)

    return tell


def _clear_progress() -> None:
    if sys.stderr.isatty():
        print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
