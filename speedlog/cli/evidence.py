"""`speedlog evidence`: a claim in one zip, and what can be told of such a zip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.add import clear_progress, progress
from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    import datetime as dt

    from speedlog.logbook.evidence_check import Checked
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.two_way import Rule
    from speedlog.session import SessionReview

FOUND = 1  # the exit code where a check finds something


def evidence(
    passes: Annotated[
        list[str], typer.Argument(metavar="PASS... | check FILE.zip", help="The passes of a claim; or check.")
    ],
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE.zip", help="The zip to write.")] = None,
    attach: Annotated[
        list[Path] | None,
        typer.Option(
            "--attach", metavar="FILE", help="Photo of the timing slip, certificate of tape or timer."
        ),
    ] = None,
    rule: Annotated[
        str | None, typer.Option("--rule", metavar="NAME", help="Your rule of a two-way mean, by its name.")
    ] = None,
    logbook: LogbookFile = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="With check: write it as JSON (- prints it).")
    ] = None,
) -> None:
    """Everything about the passes of a claim in one zip that anybody can check and compute again.

    "speedlog evidence check FILE.zip" tells whether such a zip is unchanged and re-computes.

    Example: speedlog evidence 16 17 --out claim.zip --attach slip.jpg --rule "club record"
    """
    if passes[0] == "check":
        if len(passes) != 2 or out or attach or rule:
            raise SpeedlogError("check takes one zip", todo="Like: speedlog evidence check claim.zip")
        _check(Path(passes[1]), json_out)
        return
    if out is None:
        raise SpeedlogError("where shall it be written?", todo="Say it: --out claim.zip")
    _make(passes, out, attach or [], rule, logbook)


def _make(passes: list[str], out: Path, attach: list[Path], rule: str | None, logbook: Path | None) -> None:
    from speedlog.cli.output import write_bytes
    from speedlog.logbook import rows
    from speedlog.logbook.evidence import make
    from speedlog.logbook.evidence_text import SAID
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    path = logbook_path(logbook)
    with Logbook.open(path, read_only=True) as book:
        chosen = [rows.pass_named(book, text) for text in passes]
        made = make(
            book, chosen, page, rule=_rule(book, rule), attachments=_attached(attach), made_with=page_made_with(),
            begin=progress,
        )  # fmt: skip
    clear_progress()
    write_bytes(out, made.zipped, inputs=[path, *attach])
    count = len(chosen)
    print(
        f"{out}: {count} pass{'es' * (count != 1)}, {len(made.files)} files, {len(made.zipped) / 1e6:.1f} MB"
    )
    if made.claim.rule is not None:
        print(f'By the rule "{plain(made.claim.rule.name, 80)}".')
    print(f"sha256 of the zip, to be sent by another way too: {made.sha256}")
    print(SAID)


def _check(path: Path, json_out: Path | None) -> None:
    from speedlog.cli.output import write_json
    from speedlog.logbook.evidence_check import check

    found = check(path, page, made_with=page_made_with(), begin=progress)
    clear_progress()
    if json_out is not None:
        write_json(json_out, found.as_json(), inputs=[path])
    if json_out is None or str(json_out) != "-":
        print(in_words(found))
    if not (found.unchanged and found.recomputes):
        raise typer.Exit(FOUND)


def in_words(found: Checked) -> str:
    """Two answers, and nothing beyond what they mean."""
    from speedlog.logbook.evidence_text import SAID

    lines = [f"changed: {text}" for text in found.changed]
    lines += [f"does not re-compute: {text}" for text in found.differing]
    if found.unchanged:
        lines.append(f"unchanged: {found.files} files are as their hashes in the zip say")
    if found.recomputes:
        lines.append(
            f"re-computes: all figures come out again from the originals (made by speedlog {found.program})"
        )
    lines += [f"not compared: {text}" for text in found.left_out]
    lines.append(f"sha256 of the zip: {found.sha256} (is it the one that you were sent by another way?)")
    return "\n".join([*lines, SAID])


def page(day: SessionReview, made: dt.datetime) -> str:
    """The report that goes into the zip; times by the course's zone, else UTC, whatever this computer's clock says."""
    from speedlog.report.page import session_page

    return session_page(day, made=made)


def page_made_with() -> dict[str, str]:
    """Versions that a page's bytes hang on, besides the program's."""
    from importlib.metadata import version

    return {name: version(name) for name in ("jinja2", "markupsafe", "plotly")}


def _rule(book: Logbook, name: str | None) -> Rule | None:
    """The rule as named, or the only one that is set."""
    from speedlog.logbook.rules import rule_named, rules

    if name is not None:
        return rule_named(book, name)
    every = rules(book)
    return every[0] if len(every) == 1 else None


def _attached(paths: list[Path]) -> dict[str, bytes]:
    from speedlog.logbook.names import file_name
    from speedlog.settings import LogbookSettings

    biggest = int(LogbookSettings().attachment_biggest_mb * 1e6)
    taken: set[str] = set()
    found = {}
    for path in paths:
        if not path.is_file():
            raise SpeedlogError("no such file", file=path, todo="Check the name.")
        try:
            with path.open("rb") as file:
                data = file.read(biggest + 1)
        except OSError as error:
            raise SpeedlogError(
                f"can't be read ({error.strerror})", file=path, todo="Check the file."
            ) from None
        if len(data) > biggest:
            raise SpeedlogError(
                f"over the limit of {biggest / 1e6:.0f} MB", file=path, todo="Hand it over by itself."
            )
        found[file_name(path.name, taken, "attachment")] = data
    return found
