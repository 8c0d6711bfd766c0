"""`speedlog add`: the same as a review, kept in the logbook."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.logbook.add import Added, AddedPass

LOGBOOK = typer.Option(
    "--logbook", metavar="PATH", help="The logbook's file; SPEEDLOG_LOGBOOK or your data folder otherwise."
)


def add(
    files: Annotated[list[Path], typer.Argument(help="Logs of one pass or of several, or one session.toml.")],
    session: Annotated[
        str | None,
        typer.Option("--session", metavar="NAME", help="The session; otherwise that of this place and day."),
    ] = None,
    course: Annotated[
        Path | None, typer.Option("--course", metavar="C.toml", help="Once; it is known again by the place.")
    ] = None,
    trap: Annotated[
        list[str] | None,
        typer.Option(
            "--trap", help='The timekeeper\'s figure: "187.5 mph" or "0.311 s"; 2="187.5 mph" names pass 2.'
        ),
    ] = None,
    setup: Annotated[
        Path | None,
        typer.Option("--setup", metavar="FILE.toml", help="The car as run; that of its last pass otherwise."),
    ] = None,
    change: Annotated[
        list[str] | None, typer.Option("--change", help='What is new on the car: current_limit="320 A".')
    ] = None,
    note: Annotated[str, typer.Option("--note", help="In your own words.")] = "",
    wind: Annotated[
        str | None, typer.Option("--wind", help='"4 m/s from 250" (true degrees) or "8 mph tail".')
    ] = None,
    measured: Annotated[
        list[str] | None, typer.Option("--measured", help='By hand: motor_temp_after="61 °C".')
    ] = None,
    car: Annotated[
        str | None, typer.Option("--car", help="That of the session, or of the last pass, otherwise.")
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of a table's columns."),
    ] = None,
    to: Annotated[
        str | None, typer.Option("--to", metavar="PASS", help="The files belong to this kept pass.")
    ] = None,
    logbook: Annotated[Path | None, LOGBOOK] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write what was kept as JSON (- prints it).")
    ] = None,
) -> None:
    """Review passes and keep them: logs, figures, set-up, notes. The same files twice are kept once.

    Example: speedlog add gps.nmea controller.csv --course course.toml --trap "187.5 mph" --change current_limit="320 A"
    """
    from speedlog.cli.output import write_json
    from speedlog.cli.review import trap_figures
    from speedlog.logbook.add import FileOptions, add_files, add_session
    from speedlog.logbook.setups import measured_by_hand, setup_changes, setup_file
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path
    from speedlog.session import load_session

    options = FileOptions(
        session=session,
        course=course,
        trap=trap_figures(trap),
        setup={} if setup is None else setup_file(setup),
        changes=setup_changes(change or []),
        note=plain(note, 2000),
        wind=wind,
        measured=measured_by_hand(measured or []),
        car=car,
        columns=columns,
        to=to,
    )
    day = load_session(files[0]) if _is_session(files) else None
    if day is not None and options != FileOptions():
        raise SpeedlogError(
            "a session.toml says all of its passes itself",
            file=files[0],
            todo="Write it in there, or add the logs.",
        )
    with Logbook.open(logbook_path(logbook), create=True) as book:
        if day is not None:
            done = add_session(book, day, begin=_progress)
        else:
            done = add_files(book, files, options, begin=_progress)
    _clear_progress()
    if json_out is not None:
        write_json(json_out, as_json(done), inputs=files)
    if json_out is None or str(json_out) != "-":
        print(in_words(done))


def in_words(done: Added) -> str:
    """What became of each pass, a line each and one for what was not taken."""
    lines = [line for item in done.passes for line in _lines(item)]
    return "\n".join([*lines, *(f"({plain(note, 300)})" for note in done.notes)])


def as_json(done: Added) -> dict[str, Any]:
    """The same for other programs."""
    return {
        "schema_version": 1,
        "session": {"name": done.session.name, "date": done.session.date, "venue": done.session.venue,
                    "car": done.session.car},
        "passes": [
            {
                "pass": item.row.id,
                "number": item.row.number,
                "new": item.new,
                "trap": item.row.trap_text,
                "verdict": item.row.result.verdict if item.row.result else None,
                "error": item.row.result.error if item.row.result else None,
                "filled": list(item.filled),
                "contradictions": list(item.contradictions),
            }
            for item in done.passes
        ],
        "notes": list(done.notes),
    }  # fmt: skip


def _lines(item: AddedPass) -> list[str]:
    row = item.row
    what = (
        "kept as new"
        if item.new
        else f"known; now with {'; '.join(item.filled)}"
        if item.filled
        else "known already"
    )
    lines = [f"Pass {row.id} ({plain(row.session, 60)}, no. {row.number}): {plain(what, 200)}. {_said(item)}"]
    return lines + [
        f"  not taken: {plain(text, 300)} (speedlog logbook amend {row.id} --help)"
        for text in item.contradictions
    ]


def _said(item: AddedPass) -> str:
    """The verdict's sentence, or what there is without a trap figure."""
    from speedlog.reconcile.wording import Speeds

    result = item.row.result
    if result is None or item.review is None:
        return f"Not reviewed: {plain(result.error, 400)}" if result else "Not reviewed yet."
    found = item.review["passes"][0]
    if found["verdict"]:
        return plain(found["verdict"]["text"], 400)
    speed = Speeds.of("km/h").speed
    for name, value, low, high in (
        ("through the trap", result.estimate_mps, result.estimate_low_mps, result.estimate_high_mps),
        ("peak", result.peak_mps, result.peak_low_mps, result.peak_high_mps),
    ):
        if value is not None and low is not None and high is not None:
            return f"No trap figure; {name} {speed(value)}, 95 % {speed(low)} to {speed(high)}."
    return "No trap figure, and no speed that can be told."


def _is_session(files: list[Path]) -> bool:
    """A session.toml alone; a log is never a TOML."""
    if not any(path.suffix.lower() == ".toml" for path in files):
        return False
    if len(files) > 1:
        raise SpeedlogError(
            "a session.toml is added alone",
            file=files[0],
            todo="Add the logs without it, or it without them.",
        )
    return True


def _progress(place: int, count: int) -> None:
    if sys.stderr.isatty():
        print(f"\rReview {place} of {count} …  ", end="", file=sys.stderr, flush=True)


def _clear_progress() -> None:
    if sys.stderr.isatty():
        print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
