"""`speedlog report`: the page of a session, or the share picture of one of its passes."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.session import ReviewedPass, SessionPass, SessionReview

ASSETS = ("inside", "shared")
PICTURES = (".svg", ".png")


def report(
    session: Annotated[
        str, typer.Argument(help="A session.toml, or a session in the logbook by its name or date.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The page to write; with --picture an .svg or .png.")
    ],
    unit: Annotated[
        str | None, typer.Option("--unit", help="mph, km/h or m/s; that of the trap figures otherwise.")
    ] = None,
    assets: Annotated[
        str,
        typer.Option(
            "--assets", help="inside: one file with all in it. shared: reports in a folder share one library."
        ),
    ] = "inside",
    with_place: Annotated[
        bool,
        typer.Option("--with-place", help="Tell in the page where the line and the trap lie on the earth."),
    ] = False,
    picture: Annotated[
        int | None,
        typer.Option(
            "--picture", metavar="PASS", help="A picture of this pass to share, instead of the page."
        ),
    ] = None,
    logbook: LogbookFile = None,
) -> None:
    """The report of a session: one page that opens offline and can be sent to anyone.

    It has no coordinates, only distances along the line, unless --with-place asks for them.

    Example: speedlog report session.toml --out day.html

    Example: speedlog report 2026-07-12 --picture 3 --out pass3.png
    """
    from speedlog.report.numbers import speed_unit

    if unit is not None:
        speed_unit(unit)  # a mistake is told before the long work
    _check(out, assets, picture)
    found, inputs = _reviewed(str(session), unit, picture, logbook)
    if picture is not None:
        _write_picture(found, picture, out, unit, inputs)
        return
    _write_page(found, out, unit, assets == "shared", with_place, inputs)
    for item in found.reviews:
        print(in_words(item))
    needs = "it needs no network" if assets == "inside" else "it needs no network, and the .js file beside it"
    print(f"Report: {out} (open it in any browser; {needs})")


def _check(out: Path, assets: str, picture: int | None) -> None:
    """Mistakes that can be told before the long work."""
    if assets not in ASSETS:
        raise SpeedlogError(
            f'--assets "{plain(assets)}" is neither inside nor shared', todo="Take one of them."
        )
    suffix = out.suffix.lower()
    if picture is not None and suffix not in PICTURES:
        raise SpeedlogError("a picture is written as .svg or .png", file=out, todo="Name it like pass.png.")
    if picture is None and suffix in PICTURES:
        raise SpeedlogError(
            f"a page is no {suffix} file", file=out, todo="Add --picture PASS, or name it like day.html."
        )


def _reviewed(
    named: str, unit: str | None, only: int | None, logbook: Path | None
) -> tuple[SessionReview, Sequence[Path]]:
    """The session reviewed (of a file only the pass `only`, if given), and the files it is made of."""
    path = Path(named)
    if path.suffix.lower() != ".toml" and not path.exists():
        return _kept(named, unit, logbook)
    from dataclasses import replace

    from speedlog.session import load_session, review_session

    day = load_session(path)
    wanted = day.passes if only is None else tuple(item for item in day.passes if item.number == only)
    try:
        found = review_session(replace(day, passes=wanted), unit=unit, begin=_progress(len(wanted)))
    finally:
        _clear_progress()
    return found, day.inputs


def _kept(named: str, unit: str | None, logbook: Path | None) -> tuple[SessionReview, Sequence[Path]]:
    """The same of a session in the logbook."""
    from speedlog.logbook.kept_day import kept_session, review_kept_session
    from speedlog.logbook.rows import session_named
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    path = logbook_path(logbook)
    with Logbook.open(path, read_only=True) as book:
        row = session_named(book, named)
        try:
            count = len(kept_session(book, row.id).passes)
            return review_kept_session(book, row.id, unit=unit, begin=_progress(count)), [path]
        finally:
            _clear_progress()


def _write_page(
    found: SessionReview, out: Path, unit: str | None, shared: bool, with_place: bool, inputs: Sequence[Path]
) -> None:
    from datetime import UTC, datetime

    from speedlog.cli.output import write_text
    from speedlog.report import charting
    from speedlog.report.page import session_page
    from speedlog.session.car import with_car

    made = datetime.now(UTC)
    page = session_page(
        with_car(found), unit=unit, made=made, computer_clock=True, shared=shared, with_place=with_place
    )
    # the library first: a page whose library could not be written is not left behind
    if shared and not charting.is_shared_in(out.parent):
        write_text(out.parent / charting.shared_name(), str(charting.library()))
    write_text(out, page, inputs=inputs)


def _write_picture(
    found: SessionReview, number: int, out: Path, unit: str | None, inputs: Sequence[Path]
) -> None:
    from speedlog.cli.output import write_bytes, write_text
    from speedlog.report.page import page_unit
    from speedlog.report.picture import Caption, alternative
    from speedlog.report.picture import picture as drawn
    from speedlog.report.picture_out import as_png, as_svg

    item = next((item for item in found.reviews if item.entry.number == number), None)
    if item is None:
        raise SpeedlogError(
            f"the session has no pass {number}", todo="Its passes: the report without --picture."
        )
    if not item.drives:
        raise SpeedlogError(f"pass {number} was not reviewed: {plain(item.error or 'nothing found', 300)}")
    drive, day = item.drives[0], found.session
    shown = page_unit(unit, [drive])
    date = "" if day.date is None else day.date.isoformat()
    caption = Caption(f"Pass {number}", ", ".join(part for part in (day.name, date) if part), day.car)
    shapes = drawn(drive, caption, shown)
    if out.suffix.lower() == ".png":
        write_bytes(out, as_png(shapes), inputs=inputs)
    else:
        write_text(out, as_svg(shapes, alternative(drive, caption, shown)), inputs=inputs)
    print(in_words(item))
    print(f"Picture: {out}")


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
