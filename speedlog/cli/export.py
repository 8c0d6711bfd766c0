"""`speedlog export`: out of the logbook, for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain


def export(
    passes: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PASS]...", help="Their numbers in speedlog history; or --all."),
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", metavar="FOLDER", help="Where the files go.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Every pass.")] = False,
    originals: Annotated[
        bool, typer.Option("--originals", help="The logs and courses, bit for bit as they were added.")
    ] = False,
    csv: Annotated[
        bool, typer.Option("--csv", help="Samples of each log in one form, and the estimate; SI units.")
    ] = False,
    gpx: Annotated[bool, typer.Option("--gpx", help="Each GNSS log as a GPX track.")] = False,
    parquet: Annotated[bool, typer.Option("--parquet", help="Samples as Apache Parquet.")] = False,
    subtitles: Annotated[
        bool, typer.Option("--subtitles", help="The speed as WebVTT subtitles, to lay over a film.")
    ] = False,
    film_start: Annotated[
        str,
        typer.Option(
            "--film-start", metavar="WHEN", help='UTC, like 10:03:20; or before the drive begins: "12.5 s".'
        ),
    ] = "0 s",
    table: Annotated[
        bool, typer.Option("--table", help="A table of the passes: figures, set-up, notes.")
    ] = False,
    whole: Annotated[
        bool, typer.Option("--whole", help="All that is in a log, and not the drive alone.")
    ] = False,
    unit: Annotated[str | None, typer.Option("--unit", help="Of subtitles: mph, km/h or m/s.")] = None,
    logbook: LogbookFile = None,
) -> None:
    """Originals, samples, subtitles and tables out of the logbook. Logs and samples tell where you drove.

    Example: speedlog export 17 --subtitles --film-start "12.5 s" --to film
    """
    from speedlog.logbook import rows
    from speedlog.logbook.export import Wanted
    from speedlog.logbook.export import export as files_of
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path
    from speedlog.report.numbers import speed_unit

    if to is None:
        raise SpeedlogError("where shall the files go?", todo="Name a folder: --to season")
    if bool(passes) == every:
        raise SpeedlogError("which passes?", todo="Give their numbers in speedlog history, or --all.")
    wanted = Wanted(
        originals=originals, csv=csv, gpx=gpx, parquet=parquet, subtitles=subtitles, table=table, whole=whole,
        film_start=film_start, unit=None if unit is None else speed_unit(unit).symbol,
    )  # fmt: skip
    with Logbook.open(logbook_path(logbook), read_only=True) as book:
        chosen = rows.passes(book) if every else [rows.pass_named(book, text) for text in passes or []]
        files = files_of(book, list({row.id: row for row in chosen}.values()), wanted)
    _write(to, files)
    for name in files:
        print(plain(to / name, 300))


def _write(folder: Path, files: dict[str, bytes]) -> None:
    """All of the files, or none where one would take another's place."""
    from speedlog.cli.output import write_bytes

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            path = folder / name
            if path.exists() and (not path.is_file() or path.read_bytes() != data):
                raise SpeedlogError(
                    "is there already, and is another file", file=path, todo="Take an empty folder."
                )
    except OSError as error:
        raise SpeedlogError(
            f"can't be used ({error.strerror})", file=folder, todo="Check the folder."
        ) from None
    for name, data in files.items():
        write_bytes(folder / name, data)
