"""`speedlog history`: the season and the personal bests."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain


def history(
    car: Annotated[str | None, typer.Option("--car", help="Only this car.")] = None,
    venue: Annotated[
        str | None, typer.Option("--venue", help="Only this venue: the name of its course.")
    ] = None,
    setup: Annotated[
        list[str] | None,
        typer.Option("--setup", metavar="KEY=VALUE", help='Only passes run so: tyre="…"; may be repeated.'),
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="YYYY-MM-DD", help="Only from this day on.")
    ] = None,
    effect: Annotated[
        str | None,
        typer.Option(
            "--effect", metavar="KEY", help="What changing this did: current_limit, tyre, gear_ratio, …"
        ),
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="mph, km/h or m/s; that of most trap figures otherwise.")
    ] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write it as JSON (- prints it).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.html", help="Write the season page.")
    ] = None,
    logbook: LogbookFile = None,
) -> None:
    """The season: passes by date, trap PB and GNSS PB, two-way means, targets, loggers against the trap.

    Targets and rules are set with speedlog logbook target and speedlog logbook rule.

    Example: speedlog history --out season.html
    """
    from speedlog.cli.output import write_json, write_text
    from speedlog.cli.season_text import in_words
    from speedlog.logbook.history import Chosen, read_history
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path
    from speedlog.report.numbers import speed_unit

    shown = None if unit is None else speed_unit(unit).symbol
    chosen = Chosen(car, venue, _day(since), wanted_setup(setup or []))
    path = logbook_path(logbook)
    with Logbook.open(path, read_only=True) as book:
        found = read_history(book, chosen, shown, effect=effect)
    if json_out is not None:
        write_json(json_out, found.as_json(), inputs=[path])
    if out is not None:
        from datetime import UTC, datetime

        from speedlog.report.season_page import season_page

        write_text(out, season_page(found, made=datetime.now(UTC), beside=out.parent), inputs=[path])
    if json_out is None or str(json_out) != "-":
        print(in_words(found).replace("\u00a0", " "))  # pages want it, terminals and grep do not
        if out is not None:
            print(f"\nSeason page: {out} (open it in any browser; it needs no network)")


def wanted_setup(texts: Sequence[str]) -> dict[str, str]:
    """ "tyre=foam" as key and value.

    Raises:
        SpeedlogError: no "=" in it, or nothing before it.
    """
    found = {}
    for text in texts:
        key, sign, value = text.partition("=")
        if not sign or not key.strip():
            raise SpeedlogError(
                f'--setup "{plain(text)}" is not KEY=VALUE', todo='Write it like tyre="foam 88".'
            )
        found[key.strip()] = value.strip().strip("\"'")
    return found


def _day(text: str | None) -> str | None:
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise SpeedlogError(f'--since "{plain(text)}" is no day', todo="Write it like 2026-07-12.") from None
