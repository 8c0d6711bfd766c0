"""`speedlog course locate`: where the trap is, from passes whose trap figures are known."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.course.coursefile import Course
    from speedlog.reconcile.locate import Located
    from speedlog.session import Session, SessionPass
    from speedlog.session.figured import Gathered

Span = tuple[float, float]
_DECIMALS = 2  # a centimetre


def locate(
    files: Annotated[
        list[Path], typer.Argument(help="A session.toml, or the logs of several passes with --trap.")
    ],
    course: Annotated[
        Path | None,
        typer.Option(
            "--course", metavar="C.toml", help="The running line; where it says the trap is does not count."
        ),
    ] = None,
    trap: Annotated[
        list[str] | None,
        typer.Option("--trap", help='With logs: a figure a pass, in order; 2="187.5 mph" names pass 2.'),
    ] = None,
    trap_length: Annotated[
        str | None, typer.Option("--trap-length", help='By tape: "30 m"; that of the course otherwise.')
    ] = None,
    between: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--between",
            metavar="FROM TO",
            help='The trap lies between these: "300 m" "700 m" along the line.',
        ),
    ] = None,
    without: Annotated[
        list[int] | None, typer.Option("--without", metavar="N", help="Leave pass N out; may be repeated.")
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of a table's columns."),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="What to call the course.")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="NEW.toml", help="The course file to write.")] = Path(
        "located.toml"
    ),
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write the result as JSON too (- prints it).")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a course that is there.")] = False,
) -> None:
    """Find where the trap is, from several passes with trap figures, and write the course.

    Example: speedlog course locate session.toml --trap-length "30 m" --out located.toml
    """
    from speedlog.cli.output import write_json, write_text
    from speedlog.reconcile.locate import locate as find
    from speedlog.settings import Settings

    if out.exists() and not force:
        raise SpeedlogError(
            "is there already", file=out, todo="Choose another --out, or add --force to write over it."
        )
    session = _session(files, trap, columns)
    span = None if between is None else _span(between)
    base = _base(session, course, trap_length)
    inputs = [*files, *(session.inputs if session else ()), *(path for path in (course, columns) if path)]
    gathered = _gather(session, files, trap, base, span, frozenset(without or ()), columns)
    found = find(
        [item.traced for item in gathered.passes], base.length_m, base.length_u_m, Settings().locate,
        _reach(base, span),
    )  # fmt: skip
    usable(found)
    assert found is not None
    made = located_course(base, found, gathered, name)
    write_text(out, made.to_toml(), inputs=inputs)
    if json_out is not None:
        write_json(json_out, as_json(found, gathered), inputs=[*inputs, out])
    if json_out is None or str(json_out) != "-":
        print(in_words(made, out, found, gathered))


def usable(found: Located | None) -> None:
    """Refuse a place that the passes can't tell.

    Raises:
        SpeedlogError: why, and what to do.
    """
    if found is None:
        raise SpeedlogError(
            "not located: the passes share no stretch as long as the trap",
            todo="Check --between and --trap-length, and that the logs go on past the trap.",
        )
    refused = next((doubt for doubt in found.doubts if doubt.forbids), None)
    if refused is not None:
        raise SpeedlogError(f"not located: {refused.text}", todo=refused.todo)


def located_course(base: Course, found: Located, gathered: Gathered, name: str | None) -> Course:
    """The course with its trap where the passes say, marked with these passes."""
    import tomllib

    from speedlog.course.coursefile import Course

    entry = round(found.entry_m, _DECIMALS)
    end = round(entry + found.length_m, 6)
    made = replace(
        base,
        name=(name or "").strip() or base.name,
        entry_m=entry,
        exit_m=end,
        place_u_m=max(round(found.sd_m, _DECIMALS), 10**-_DECIMALS),
        defaulted=tuple(key for key in base.defaulted if key != "place_u_m"),
        located_from=tuple(text for item in gathered.passes for text in item.witnesses(entry, end)),
    )
    # read again by the same rules, so that no course is made that review would refuse
    return Course.from_mapping(tomllib.loads(made.to_toml()))


def as_json(found: Located, gathered: Gathered) -> dict[str, Any]:
    """Place, uncertainty, consistency and doubts, for other programs."""
    return {
        "schema_version": 1,
        "entry_m": found.entry_m,
        "exit_m": found.entry_m + found.length_m,
        "place_u_m": found.sd_m,
        "interval95_m": list(found.interval95_m),
        "searched_m": list(found.stretch_m),
        "chi_square": found.chi_square,
        "degrees": found.degrees,
        "chance": found.chance,
        "passes": [
            {"number": item.number, "official_mps": item.traced.official_mps, "misfit": float(misfit)}
            for item, misfit in zip(gathered.passes, found.misfits, strict=True)
        ],
        "left_out": list(gathered.left_out),
        "warnings": [{"code": doubt.code, "text": doubt.text, "todo": doubt.todo} for doubt in found.doubts],
    }


def in_words(made: Course, out: Path, found: Located, gathered: Gathered) -> str:
    """What was found, for a terminal."""
    low, high = found.interval95_m
    numbers = ", ".join(str(item.number) for item in gathered.passes)
    fit = "" if found.chance is None else f"; so large a misfit comes by chance in {found.chance:.0%}"
    lines = [
        f'Wrote {plain(out)}: "{plain(made.name)}"',
        f"  The trap's first beam is {made.entry_m:.1f} m along the line, 95 % {low:.1f} m to {high:.1f} m, by "
        f"{len(gathered.passes)} passes ({numbers}).",
        f"  length {made.length_m:g} m, as given: only a tape can tell it",
        f"  chi-square {found.chi_square:.1f} for {found.degrees}{fit}",
        *(f"  not used: {plain(text, 300)}" for text in gathered.left_out),
        *(f"  warning: {plain(doubt.text, 300)}. {doubt.todo}" for doubt in found.doubts),
        "  These passes are marked in the file: against this course they are no independent check. The next",
        "  pass is.",
    ]
    return "\n".join(lines)


def _session(files: list[Path], trap: list[str] | None, columns: Path | None) -> Session | None:
    """The session, if that is what was given."""
    from speedlog.session import load_session

    tomls = [path for path in files if path.suffix.lower() == ".toml"]
    if not tomls:
        return None
    if len(files) > 1:
        raise SpeedlogError(
            "give one session.toml, or logs, not both", file=tomls[0], todo="Name the logs in the session."
        )
    for given, option in ((trap, "--trap"), (columns, "--columns")):
        if given:
            raise SpeedlogError(
                f"{option} does not go with a session", todo="Write it into the session.toml."
            )
    return load_session(tomls[0])


def _base(session: Session | None, course: Path | None, trap_length: str | None) -> Course:
    """The line and the trap's length."""
    from speedlog.course.coursefile import Course
    from speedlog.units import parse_quantity

    base = Course.load(course) if course is not None else session.course if session else None
    if base is None:
        raise SpeedlogError(
            "the running line is not known: no course is given",
            todo='Add --course C.toml; make one with: speedlog course --log FILE --trap-entry "0 m" '
            '--trap-length "30 m" (here its trap entry does not count).',
        )
    if trap_length is None:
        return base
    length = parse_quantity(trap_length, "length", "--trap-length").value
    if not 0.1 <= length <= 2000.0:
        raise SpeedlogError(f'--trap-length: "{plain(trap_length)}" is no trap', todo='Write it like "30 m".')
    return replace(base, exit_m=base.entry_m + length)


def _span(between: tuple[str, str]) -> Span:
    from speedlog.units import parse_quantity

    low, high = (parse_quantity(text, "length", "--between").value for text in between)
    if not 0.0 <= low < high:
        raise SpeedlogError(
            f"--between: {low:g} m to {high:g} m is no stretch",
            todo='Write it like --between "300 m" "700 m".',
        )
    return low, high


def _reach(base: Course, span: Span | None) -> Span:
    """Where the trap can lie at all: on the line, before the runway's end, and where the user says."""
    end = base.end_m if base.end_m is not None else float("inf")
    return (0.0, end) if span is None else (span[0], min(span[1], end))


def _gather(
    session: Session | None, files: list[Path], trap: list[str] | None, base: Course, span: Span | None,
    without: frozenset[int], columns: Path | None,
) -> Gathered:  # fmt: skip
    from speedlog.cli.review import trap_figures
    from speedlog.session.figured import of_logs, of_session
    from speedlog.settings import Settings

    if session is not None:
        gathered = of_session(session, base, span, without, Settings(), _say_which)
        if sys.stderr.isatty():
            print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
        return gathered
    if not trap:
        raise SpeedlogError(
            "no trap figures were given", todo='Give each pass its own: --trap 1="187.5 mph".'
        )
    return of_logs(files, trap_figures(trap), base, span, without, Settings(), columns)


def _say_which(item: SessionPass) -> None:
    """Says on a terminal which pass is being read, and nothing where the output is piped."""
    if sys.stderr.isatty():
        print(f"\rPass {item.number} …  ", end="", file=sys.stderr, flush=True)
