"""`speedlog compare`: passes side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import plain

if TYPE_CHECKING:
    from speedlog.logbook.compare import Comparison
    from speedlog.units import Unit


def compare(
    passes: Annotated[
        list[str],
        typer.Argument(
            metavar="PASS PASS...", help="Numbers in speedlog history, or DATE/NUMBER: 2026-07-12/3."
        ),
    ],
    unit: Annotated[
        str | None, typer.Option("--unit", help="mph, km/h or m/s; that of the trap figures otherwise.")
    ] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write it as JSON (- prints it).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.html", help="Write a page with both speed curves.")
    ] = None,
    logbook: LogbookFile = None,
) -> None:
    """Passes side by side: set-up differences first, then trap, fastest moment, launch, and the speed curves.

    The first pass is the one that the others are set against.

    Example: speedlog compare 12 17 --out compare.html
    """
    from speedlog.cli.output import write_json, write_text
    from speedlog.logbook.compare import read_comparison
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path
    from speedlog.report.numbers import speed_unit

    shown = None if unit is None else speed_unit(unit).symbol
    path = logbook_path(logbook)
    with Logbook.open(path, read_only=True) as book:
        found = read_comparison(book, passes, shown)
    if json_out is not None:
        write_json(json_out, found.as_json(), inputs=[path])
    if out is not None:
        from datetime import UTC, datetime

        from speedlog.report.compare_page import compare_page

        write_text(out, compare_page(found, made=datetime.now(UTC)), inputs=[path])
    if json_out is None or str(json_out) != "-":
        print(in_words(found).replace("\u00a0", " "))  # pages want it, terminals and grep do not
        if out is not None:
            print(f"\nPage: {out} (open it in any browser; it needs no network)")


def in_words(found: Comparison) -> str:
    """The comparison for a terminal."""
    from speedlog.cli.season_text import aligned
    from speedlog.report import compare_words as words
    from speedlog.report.numbers import as_text, speed_unit

    unit = speed_unit(found.unit)
    head = ["", *(f"pass {side.row.id}" for side in found.sides)]
    parts = [
        "\n".join(
            plain(as_text(f"{words.name(side)}: {words.where(side)}", unit), 300) for side in found.sides
        )
    ]
    table = [
        [plain(words.key(item), 40), *(plain(words.value(text), 60) for text in item.values)]
        for item in found.setup
    ]
    parts.append(
        f"{words.SETUP_TITLE}\n{_indented(aligned([head, *table]))}" if table else words.changes(found)
    )
    table = [
        [plain(words.key(item), 40), *(plain(words.value(text), 60) for text in item.values)]
        for item in found.conditions
    ]
    if table:
        parts.append(f"{words.CONDITIONS_TITLE}\n{_indented(aligned([head, *table]))}")
    parts.append(
        f"{as_text(words.headline(found), unit)}\n{_indented(aligned([head, *_figures(found, unit)]))}"
    )
    if found.car:
        parts.append(f"{words.CAR_TITLE}\n{_indented(aligned([head, *_of_the_car(found)]))}")
    if found.launch:
        rows = [["to", *(f"pass {side.row.id}" for side in found.sides)]]
        for row in found.launch:
            told = [f"{words.reached_time(item)}, {words.reached_distance(item)}" for item in row.by]
            rows.append([f"{unit.from_si(row.speed_mps):.0f} {unit.symbol}", *told])
        parts.append(f"{words.LAUNCH_TITLE}\n{_indented(aligned(rows))}")
    if found.no_curves:
        parts.append(plain(found.no_curves, 400))
    if found.marks:
        assert found.origin is not None
        origin = as_text(words.ORIGIN[found.origin], unit)
        parts.append(f"{words.CURVES_TITLE}. {origin}\n{_indented(aligned(_marks(found, unit), right={0}))}")
    parts.append(words.HOW_SURE)
    return "\n\n".join(parts)


def _indented(text: str) -> str:
    return "\n".join(f"  {line}" for line in text.splitlines())


def _figures(found: Comparison, unit: Unit) -> list[list[str]]:
    from speedlog.report import compare_words as words
    from speedlog.report.numbers import as_text

    rows = []
    for row in found.figures:
        cells = [as_text(words.cell(found, row, place), unit) for place in range(len(row.figures))]
        gains = [as_text(words.gained(gain), unit) for gain in row.gains]
        rows.append([words.FIGURES[row.name], *cells])
        if any(gains):
            rows.append(["  gain", *gains])
    return rows


def _of_the_car(found: Comparison) -> list[list[str]]:
    from speedlog.report import compare_words as words

    rows = []
    for row in found.car:
        places = range(len(row.by))
        rows.append([words.car_name(row), *(words.car_value(row, place) for place in places)])
        if any(more := [words.car_more(row, place) for place in places]):
            rows.append(["  more", *more])
    return rows


def _marks(found: Comparison, unit: Unit) -> list[list[str]]:
    from speedlog.report.numbers import write_number

    names = [side.row.id for side in found.sides]
    head = ["m", *(f"pass {name}, {unit.symbol}" for name in names)]
    head += [f"gain of {name}" for name in names[1:]] + [f"time of {name}, s" for name in names]
    table = [head]
    for mark in found.marks:
        gains = [
            f"{write_number(gain.mps, unit, signed=True)} ± {write_number(gain.u95_mps or 0.0, unit)}"
            + ("" if gain.beyond else " (noise)")
            for gain in mark.gains
        ]
        speeds = [write_number(speed.mps, unit) for speed in mark.speeds]
        table.append([f"{mark.distance_m:.0f}", *speeds, *gains, *(f"{time:.2f}" for time in mark.times_s)])
    return table
