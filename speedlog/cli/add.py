"""`speedlog add`: the same as a review, kept in the logbook."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.cli.options import Columns, LogbookFile, Measured, TrapFigure, Wind
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.logbook.add import Added, AddedPass, FileOptions
    from speedlog.logbook.sheet import SheetRow
    from speedlog.logbook.sheet_match import SheetDone
    from speedlog.logbook.store import Logbook


def add(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Logs of one pass or of several, or one session.toml.")
    ] = None,
    session: Annotated[
        str | None,
        typer.Option("--session", metavar="NAME", help="The session; otherwise that of this place and day."),
    ] = None,
    course: Annotated[
        Path | None, typer.Option("--course", metavar="C.toml", help="Once; it is known again by the place.")
    ] = None,
    trap: TrapFigure = None,
    setup: Annotated[
        Path | None,
        typer.Option("--setup", metavar="FILE.toml", help="The car as run; that of its last pass otherwise."),
    ] = None,
    change: Annotated[
        list[str] | None, typer.Option("--change", help='What is new on the car: current_limit="320 A".')
    ] = None,
    note: Annotated[str, typer.Option("--note", help="In your own words.")] = "",
    wind: Wind = None,
    measured: Measured = None,
    car: Annotated[
        str | None, typer.Option("--car", help="That of the session, or of the last pass, otherwise.")
    ] = None,
    columns: Columns = None,
    to: Annotated[
        str | None, typer.Option("--to", metavar="PASS", help="The files belong to this kept pass.")
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet", metavar="TIMES.csv", help="The timekeeper's table; alone, or with the day's files."
        ),
    ] = None,
    logbook: LogbookFile = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write what was kept as JSON (- prints it).")
    ] = None,
) -> None:
    """Review passes and keep them: logs, figures, set-up, notes. The same files twice are kept once.

    Example: speedlog add gps.nmea controller.csv --course course.toml --trap "187.5 mph" --change current_limit="320 A"
    """
    from speedlog.cli.output import write_json
    from speedlog.cli.review import trap_figures
    from speedlog.logbook.add import FileOptions
    from speedlog.logbook.setups import measured_by_hand, setup_changes, setup_file
    from speedlog.logbook.sheet import read_sheet
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

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
    given = files or []
    _check_together(given, options, sheet)
    figures = None if sheet is None else read_sheet(sheet)
    path = logbook_path(logbook)
    new = not path.exists()
    with Logbook.open(path, create=bool(given)) as book:
        done = _add(book, given, options) if given or options.trap else None
        timed = None if figures is None or sheet is None else _timed(book, figures, sheet, done, session)
    clear_progress()
    if json_out is not None:
        inputs = [*given, path, *([sheet] if sheet else [])]
        write_json(json_out, as_json(done, timed), inputs=inputs)
    if json_out is None or str(json_out) != "-":
        print("\n".join([*([in_words(done)] if done else []), *([sheet_in_words(timed)] if timed else [])]))
        if new:
            print(f"(a new logbook: {path})")


def _check_together(files: list[Path], options: FileOptions, sheet: Path | None) -> None:
    from dataclasses import replace

    if not files and sheet is None and options.trap and options.session:
        return
    if not files and sheet is None:
        raise SpeedlogError(
            "nothing to add",
            todo="Name logs, a session.toml or a --sheet; a pass without a log needs --session and --trap.",
        )
    if not any(path.suffix.lower() == ".toml" for path in files):
        said = replace(options, session=None)
        if not files and said != type(options)():
            raise SpeedlogError(
                "these options need a file to go with", todo="Name the logs, or see: speedlog logbook amend."
            )
        return
    if len(files) > 1:
        raise SpeedlogError(
            "a session.toml is added alone", file=files[0], todo="Add the other files by themselves."
        )
    if options != type(options)():
        raise SpeedlogError(
            "a session.toml says all of its passes itself",
            file=files[0],
            todo="Write it in there, or add the logs.",
        )


def _add(book: Logbook, files: list[Path], options: FileOptions) -> Added:
    from speedlog.logbook.add import add_files, add_session, add_unlogged
    from speedlog.session import load_session

    if not files:
        return add_unlogged(book, options)
    if files[0].suffix.lower() == ".toml":
        return add_session(book, load_session(files[0]), begin=progress)
    return add_files(book, files, options, begin=progress)


def _timed(
    book: Logbook, figures: list[SheetRow], sheet: Path, done: Added | None, session: str | None
) -> SheetDone:
    """The figures put to the session just added to, to the one named, or to the newest."""
    from speedlog.logbook import rows
    from speedlog.logbook.sheet_match import add_sheet

    if done is not None:
        whose = done.session
    elif session is not None:
        whose = rows.session_named(book, session)
    else:
        every = rows.sessions(book)
        if not every:
            raise SpeedlogError(
                "no session to put the sheet's figures to", todo="Add the day's logs first, or with it."
            )
        whose = every[-1]
    return add_sheet(book, figures, whose, begin=progress, name=sheet.name)


def in_words(done: Added) -> str:
    """What became of each pass, a line each and one for what was not taken."""
    lines = [line for item in done.passes for line in _lines(item)]
    return "\n".join([*lines, *(f"({plain(note, 300)})" for note in done.notes)])


def sheet_in_words(done: SheetDone) -> str:
    """What became of the sheet: every figure taken, every one that was not, and why."""
    lines = [
        f"Pass {row.id} ({plain(row.session, 60)}, no. {row.number}): {plain(item.figure, 40)} "
        f"from line {item.line} of the sheet."
        for item, row in done.taken
    ]
    if done.same:
        lines.append(f"{done.same} figure{'s' * (done.same != 1)} of the sheet kept already.")
    lines += [
        f"  not taken, line {item.line}: pass {row.id}, {text} (speedlog logbook amend {row.id} --help)"
        for item, row, text in done.contradictions
    ]
    lines += [f"  not taken, line {item.line}: {_row(item)}: {reason}" for item, reason in done.left]
    return "\n".join(lines) or "The sheet has no rows."


def _row(item: SheetRow) -> str:
    number = None if item.number is None else f"no. {item.number}"
    clock = None
    if item.clock_s is not None:
        whole = int(item.clock_s)
        clock = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return ", ".join(plain(part, 40) for part in (number, clock, item.figure) if part) or "a row"


def as_json(done: Added | None, timed: SheetDone | None = None) -> dict[str, Any]:
    """The same for other programs."""
    found: dict[str, Any] = {"schema_version": 1, "session": None, "passes": [], "notes": [], "sheet": None}
    if done is not None:
        whose = done.session
        found["session"] = {"name": whose.name, "date": whose.date, "venue": whose.venue, "car": whose.car}
        found["passes"] = [_pass_json(item) for item in done.passes]
        found["notes"] = list(done.notes)
    if timed is not None:
        found["sheet"] = {
            "taken": [{"line": item.line, "pass": row.id, "trap": item.figure} for item, row in timed.taken],
            "same": timed.same,
            "contradictions": [
                {"line": item.line, "pass": row.id, "text": text} for item, row, text in timed.contradictions
            ],
            "left": [{"line": item.line, "reason": reason} for item, reason in timed.left],
        }
    return found


def _pass_json(item: AddedPass) -> dict[str, Any]:
    result = item.row.result
    return {
        "pass": item.row.id,
        "number": item.row.number,
        "new": item.new,
        "trap": item.row.trap_text,
        "verdict": result.verdict if result else None,
        "error": result.error if result else None,
        "filled": list(item.filled),
        "contradictions": list(item.contradictions),
        "unread": list(item.unread),
    }


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
    lines += [f"  {plain(text, 300)}" for text in item.unread]
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


def progress(place: int, count: int) -> None:
    """Says on a terminal which review is being made, and nothing where the output is piped."""
    if sys.stderr.isatty():
        print(f"\rReview {place} of {count} …  ", end="", file=sys.stderr, flush=True)


def clear_progress() -> None:
    """Takes that line away again."""
    if sys.stderr.isatty():
        print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
