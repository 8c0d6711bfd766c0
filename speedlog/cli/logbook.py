"""`speedlog logbook`: what is kept put right, made again, copied and checked."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.cli.add import clear_progress, progress
from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.logbook.amend import AmendmentRow
    from speedlog.logbook.refresh import ChangedResult, Refreshed

logbook_app = typer.Typer(
    help="Look after the logbook: put figures right, review all passes again.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
_FIELDS = {
    "trap_text": "trap",
    "course_id": "course no.",
    "set_aside_at": "set aside",
    "session_id": "session no.",
}
Reason = Annotated[str, typer.Option("--reason", help="Why; kept with the old value.")]
JsonOut = Annotated[
    Path | None, typer.Option("--json", metavar="OUT", help="Write what was done as JSON (- prints it).")
]


@logbook_app.command("amend")
def amend(
    pass_named: Annotated[
        str, typer.Argument(metavar="PASS", help="Its number in speedlog history, or DATE/NUMBER.")
    ],
    trap: Annotated[
        str | None, typer.Option("--trap", help='"187.5 mph" or "0.311 s"; "" takes it out.')
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="In place of the old one.")] = None,
    number: Annotated[int | None, typer.Option("--number", help="In its session.")] = None,
    wind: Annotated[
        str | None, typer.Option("--wind", help='"4 m/s from 250"; "" as in the session.')
    ] = None,
    weather: Annotated[list[str] | None, typer.Option("--weather", help='temperature="21 °C".')] = None,
    change: Annotated[
        list[str] | None,
        typer.Option("--change", help='The set-up: current_limit="320 A"; ramp="" takes it out.'),
    ] = None,
    measured: Annotated[
        list[str] | None, typer.Option("--measured", help='motor_temp_after="61 °C".')
    ] = None,
    session_name: Annotated[str | None, typer.Option("--session-name", help="Of the whole session.")] = None,
    date: Annotated[str | None, typer.Option("--date", help="Of the whole session, like 2026-07-12.")] = None,
    car: Annotated[str | None, typer.Option("--car", help="Of the whole session.")] = None,
    course: Annotated[
        Path | None, typer.Option("--course", metavar="C.toml", help="Of the whole session.")
    ] = None,
    part: Annotated[
        str | None, typer.Option("--part", metavar="LOG", help="A log that belongs to another pass.")
    ] = None,
    set_aside: Annotated[
        bool | None,
        typer.Option("--set-aside/--take-back", help="Kept, but no pass of the season; or one again."),
    ] = None,
    reason: Reason = "",
    logbook: LogbookFile = None,
    json_out: JsonOut = None,
) -> None:
    """Put something right. The old value, the moment and the reason are kept; without options they are listed.

    Example: speedlog logbook amend 17 --trap "187.5 mph" --reason "misheard at the line"
    """
    from speedlog.logbook import rows
    from speedlog.logbook.amend import Corrections, amendments
    from speedlog.logbook.amend import amend as put_right
    from speedlog.logbook.setups import typed
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    wanted = Corrections(
        trap=trap, note=note, number=number, wind=wind, weather=typed(weather or [], "--weather"),
        setup=typed(change or []), measured=typed(measured or [], "--measured"), session_name=session_name,
        date=date, car=car, course=course, set_aside=set_aside, part=part,
    )  # fmt: skip
    with Logbook.open(logbook_path(logbook)) as book:
        row = rows.pass_named(book, pass_named)
        if wanted == Corrections():
            if reason:
                raise SpeedlogError(
                    "a reason, and nothing to change", todo="See: speedlog logbook amend --help"
                )
            found = amendments(book, row.id)
        else:
            found = put_right(book, row.id, wanted, reason, begin=progress)
            clear_progress()
        row = rows.pass_row(book, row.id)
        review = rows.review_json(book, row.id)
    _tell(
        json_out, {"pass": row.id, "amendments": [_amendment_json(item) for item in found]}, _amended(found)
    )
    if str(json_out) != "-" and wanted != Corrections() and review and review["passes"][0]["verdict"]:
        print(plain(review["passes"][0]["verdict"]["text"], 400))


@logbook_app.command("note")
def note(
    pass_named: Annotated[
        str, typer.Argument(metavar="PASS", help="Its number in speedlog history, or DATE/NUMBER.")
    ],
    text: Annotated[str, typer.Argument(help="What to remember of it.")],
    logbook: LogbookFile = None,
) -> None:
    """Add to the note of a pass.

    Example: speedlog logbook note 17 "rear tyre chunked on the left"
    """
    from speedlog.logbook import rows
    from speedlog.logbook.amend import Corrections
    from speedlog.logbook.amend import amend as put_right
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    with Logbook.open(logbook_path(logbook)) as book:
        row = rows.pass_named(book, pass_named)
        whole = f"{row.note} {text}".strip()
        put_right(book, row.id, Corrections(note=whole), "a note added")
    print(f"Pass {row.id}: {plain(whole, 400)}")


@logbook_app.command("refresh")
def refresh(
    everything: Annotated[
        bool, typer.Option("--all", help="Also passes whose result is of this version already.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; as many as there are cores otherwise.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="ADDRESS", help="A Dask scheduler, like tcp://192.168.1.7:8786."),
    ] = None,
    logbook: LogbookFile = None,
    json_out: JsonOut = None,
) -> None:
    """Review all passes again with this version of the program; stopped at any moment, it goes on where it was.

    Example: speedlog logbook refresh
    """
    import sys

    from speedlog.logbook.refresh import refresh as run
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    with Logbook.open(logbook_path(logbook)) as book:
        if sys.stderr.isatty():
            with typer.progressbar(length=1, label="Passes", file=sys.stderr) as bar:

                def begin(count: int) -> None:
                    bar.length = max(count, 1)

                done = run(
                    book, workers=workers, scheduler=scheduler, every=everything, begin=begin, step=bar.update
                )
        else:
            done = run(book, workers=workers, scheduler=scheduler, every=everything)
    _tell(json_out, _refreshed_json(done), _refreshed(done))


def _tell(json_out: Path | None, content: Mapping[str, Any], words: str) -> None:
    from speedlog.cli.output import write_json

    if json_out is not None:
        write_json(json_out, {"schema_version": 1, **content})
    if json_out is None or str(json_out) != "-":
        print(words)


def _amendment_json(item: AmendmentRow) -> dict[str, str | None]:
    return {name: getattr(item, name) for name in ("what", "field", "old", "new", "at", "reason")}


def _amended(found: list[AmendmentRow]) -> str:
    lines = [line for item in found for line in _old_and_new(item)]
    return "\n".join(lines) or "Nothing of it was ever amended."


def _old_and_new(item: AmendmentRow) -> list[str]:
    """A line for each value; a set-up's keys one by one; the moments of entering left out."""
    import json

    if item.field.endswith("entered_at"):
        return []
    pairs = [(_FIELDS.get(item.field, item.field), item.old, item.new)]
    if item.field in ("setup", "weather"):
        was, now = json.loads(item.old or "{}"), json.loads(item.new or "{}")
        pairs = [
            (key, was.get(key), now.get(key))
            for key in [*was, *now.keys() - was.keys()]
            if was.get(key) != now.get(key)
        ]
    elif item.field == "stated":
        return []
    where = "session, " if item.what == "session" else ""
    when = f"{item.at[:16].replace('T', ' ')} UTC, {plain(item.reason)}"
    return [f"{where}{plain(key)}: {_value(old)} → {_value(new)} ({when})" for key, old, new in pairs]


def _value(text: object) -> str:
    return "none" if text in (None, "") else plain(text)


def _refreshed(done: Refreshed) -> str:
    lines = [f"Pass {item.pass_id}: {_moves(item)}" for item in done.changed]
    same = done.made - len(done.changed)
    lines.append(
        f"{done.made} reviewed again: {len(done.changed)} came out otherwise, {same} the same. "
        f"{done.current} were of this version already."
    )
    return "\n".join(lines)


def _moves(item: ChangedResult) -> str:
    def show(value: Any) -> str:
        return f"{value:.7g}" if isinstance(value, float) else _value(value)

    return "; ".join(
        f"{name.replace('_mps', ' (m/s)')} {show(was)} → {show(now)}"
        for name, (was, now) in item.changes.items()
    )


def _refreshed_json(done: Refreshed) -> dict[str, Any]:
    return {
        "made": done.made,
        "current": done.current,
        "changed": [
            {"pass": item.pass_id, "changes": {name: list(pair) for name, pair in item.changes.items()}}
            for item in done.changed
        ],
    }
