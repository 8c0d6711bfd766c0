"""`speedlog logbook verify`, `backup` and `merge`: is it sound, a copy of it, and two laptops' seasons as one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.add import clear_progress, progress
from speedlog.cli.options import LogbookFile
from speedlog.errors import plain

if TYPE_CHECKING:
    from speedlog.logbook.merge import Conflict, Merged
    from speedlog.logbook.verify import Verified

FOUND = 1  # the exit code where a check finds something
JSON = typer.Option("--json", metavar="OUT", help="Write it as JSON (- prints it).")


def verify(
    review: Annotated[
        bool,
        typer.Option("--review/--no-review", help="Also make every result again, about a second a pass."),
    ] = True,
    logbook: LogbookFile = None,
    json_out: Annotated[Path | None, JSON] = None,
) -> None:
    """Check the file, the hash of every kept log, and every result by making it again. Nothing is changed.

    Exit code 1 where something is damaged or wrong.

    Example: speedlog logbook verify
    """
    from speedlog.cli.output import write_json
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.verify import verify as check
    from speedlog.logbook.where import logbook_path

    with Logbook.open(logbook_path(logbook), read_only=True) as book:
        found = check(book, review=review, begin=progress)
    clear_progress()
    if json_out is not None:
        write_json(json_out, found.as_json())
    if json_out is None or str(json_out) != "-":
        print(_verified(found))
    if not found.sound:
        raise typer.Exit(FOUND)


def backup(
    target: Annotated[
        Path, typer.Argument(metavar="TO", help="A folder, or the copy's name; on another disk, best.")
    ],
    logbook: LogbookFile = None,
) -> None:
    """Copy the logbook, also while it is in use; the copy is read back before it takes an older one's place.

    Example: speedlog logbook backup E:\\
    """
    from speedlog.logbook.backup import backup as copy
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    with Logbook.open(logbook_path(logbook)) as book:
        done = copy(book, target)
    size = max(done.size / 1e6, 0.1)
    print(f"Copied and read back: {done.passes} passes, {done.files} logs, {size:.1f} MB, in {done.path}")


def merge(
    other: Annotated[Path, typer.Argument(metavar="OTHER.db", help="The other laptop's logbook; only read.")],
    review: Annotated[
        bool,
        typer.Option("--review/--no-review", help="Review what came out otherwise; refresh does it later."),
    ] = True,
    logbook: LogbookFile = None,
    json_out: Annotated[Path | None, JSON] = None,
) -> None:
    """Bring another laptop's logbook into this one. No kept value is overwritten; conflicts are listed.

    Example: speedlog logbook merge D:/laptop2/logbook.db
    """
    from speedlog.cli.output import write_json
    from speedlog.logbook import results, rows
    from speedlog.logbook.merge import merge as bring
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    with Logbook.open(logbook_path(logbook)) as book:
        done = bring(book, other)
        reviewed = 0
        if review:
            for session in rows.sessions(book):
                reviewed += len(results.bring_up_to_date(book, session.id, begin=progress))
    clear_progress()
    if json_out is not None:
        write_json(json_out, done.as_json(), inputs=[other])
    if json_out is None or str(json_out) != "-":
        print(_merged(done, reviewed))


def _verified(found: Verified) -> str:
    lines = [f"{plain(item.name, 100)}: {plain(item.text, 300)}" for item in found.troubles]
    wrong = sum(item.kind != "stale" for item in found.troubles)
    stale = len(found.troubles) - wrong
    lines.append(
        f"{found.files} files hashed, {found.reviewed} of {found.passes} passes reviewed again: "
        + ("no trouble found." if not wrong else f"{wrong} of them in trouble.")
    )
    if stale:
        lines.append(f"{stale} to be reviewed anew: speedlog logbook refresh")
    return "\n".join(lines)


def _merged(done: Merged, reviewed: int) -> str:
    lines = [plain(text, 300) for text in (*done.changed, *done.notes)]
    lines += [_conflict(item) for item in done.conflicts]
    new = len(done.passes)
    lines.append(
        f"{new} new pass{'es' * (new != 1)}, {done.files} new logs; {len(done.conflicts)} conflicts."
    )
    if reviewed:
        lines.append(f"{reviewed} passes reviewed.")
    if done.conflicts:
        lines.append(
            "Where both differ, the value here stands and the other one is noted: speedlog logbook amend"
        )
    return "\n".join(lines)


def _conflict(item: Conflict) -> str:
    kept, other = (plain(value, 120) or "none" for value in (item.kept, item.other))
    return f'{plain(item.what, 100)}, {plain(item.field, 60)}: here "{kept}", there "{other}"'
