"""`speedlog course`: make a course.toml from two points, or from a pass in a log; `course locate` beside it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.course_locate import locate
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.course.coursefile import Course
    from speedlog.course.geometry import Line

_POINT = re.compile(r"^\s*([+-]?\d+(?:\.\d+)?)\s*[,;\s]\s*([+-]?\d+(?:\.\d+)?)\s*$")
_PLACE_DECIMALS = 8  # a millimetre
_HEADING_DECIMALS = 5  # a millimetre at the far end of a long runway


course_app = typer.Typer(rich_markup_mode=None)
course_app.command("locate")(locate)


@course_app.callback(invoke_without_command=True)
def course(
    context: typer.Context,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="LAT,LON", help='Where the line starts: "53.1,-1.2" (degrees).'),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="LAT,LON", help="Any place far down the line, outbound.")
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option("--log", metavar="FILE", help="Take the line from a pass in this log instead."),
    ] = None,
    number: Annotated[
        int | None, typer.Option("--pass", metavar="N", help="Which pass of the log, from 1.")
    ] = None,
    trap_entry: Annotated[
        str | None, typer.Option("--trap-entry", help='First beam, from the start of the line: "520 m".')
    ] = None,
    trap_exit: Annotated[str | None, typer.Option("--trap-exit", help='Second beam: "550 m".')] = None,
    trap_length: Annotated[
        str | None, typer.Option("--trap-length", help='Instead of --trap-exit: "30 m" or "100 ft", by tape.')
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="What to call the course.")] = None,
    time_zone: Annotated[
        str | None, typer.Option("--time-zone", help='Of the venue, an IANA name: "Europe/Lisbon".')
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of the log's columns."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="C.toml", help="The file to write.")] = Path(
        "course.toml"
    ),
    force: Annotated[bool, typer.Option("--force", help="Write over a course that is there.")] = False,
) -> None:
    """Make a course.toml: a running line and the trap on it.

    Example: speedlog course --from "53.1,-1.2" --to "53.105,-1.171" --trap-entry "520 m" --trap-length "30 m"
    """
    from speedlog.cli.output import write_text
    from speedlog.course.coursefile import Course, check_time_zone

    if context.invoked_subcommand is not None:
        _refuse_misplaced(context)
        return
    if out.exists() and not force:
        raise SpeedlogError(
            "is there already", file=out, todo="Choose another --out, or add --force to write over it."
        )
    entry_m, exit_m = trap_of(trap_entry, trap_exit, trap_length)
    if time_zone is not None:
        check_time_zone(time_zone)
    if log is not None:
        if start is not None or end is not None:
            raise SpeedlogError("--log and --from/--to both give a line", todo="Give one of them.")
        line, how = _line_of_log(log, number, columns)
    else:
        line, how = _line_of_points(start, end)
    made = Course(
        name=(name or "").strip() or out.stem,
        line=_rounded(line),
        entry_m=entry_m,
        exit_m=exit_m,
        time_zone=time_zone,
        defaulted=("timer_resolution_s", "length_u_m", "place_u_m"),
    )
    # what is written is read again by the same rules, so that no course is made that review would refuse
    _check(made)
    write_text(out, made.to_toml(), inputs=[item for item in (log, columns) if item is not None])
    print(_in_words(made, out, how))


def _refuse_misplaced(context: typer.Context) -> None:
    """An option before the sub-command would be passed over in silence."""
    for name in context.params:
        source = context.get_parameter_source(name)
        if source is not None and source.name == "COMMANDLINE":
            word = context.invoked_subcommand
            raise SpeedlogError(
                f"an option stands before {word}", todo=f"Write it behind: speedlog course {word} …"
            )


def trap_of(entry: str | None, end: str | None, length: str | None) -> tuple[float, float]:
    """Entry and exit, metres along the line, from the options.

    Raises:
        SpeedlogError: too few, too many or contradicting distances.
    """
    from speedlog.units import parse_quantity

    if entry is None or (end is None) == (length is None):
        raise SpeedlogError(
            "the trap needs --trap-entry and either --trap-exit or --trap-length",
            todo='Write --trap-entry "520 m" --trap-exit "550 m".',
        )
    entry_m = parse_quantity(entry, "length", "--trap-entry").value
    if end is not None:
        exit_m = parse_quantity(end, "length", "--trap-exit").value
    else:
        exit_m = entry_m + parse_quantity(length or "", "length", "--trap-length").value
    if exit_m <= entry_m:
        raise SpeedlogError(
            f"the trap's exit ({exit_m:g} m) must lie beyond its entry ({entry_m:g} m)",
            todo="Both count along the outbound direction.",
        )
    return entry_m, exit_m


def point(text: str, option: str) -> tuple[float, float]:
    """ "53.1,-1.2" as latitude and longitude, degrees.

    Raises:
        SpeedlogError: not two numbers, or not on the Earth.
    """
    from speedlog.course.coursefile import check_place

    found = _POINT.match(text)
    if not found:
        raise SpeedlogError(
            f'{option}: "{plain(text)}" is not a latitude and a longitude',
            todo=f'Write it like {option} "53.1,-1.2": degrees, a decimal point, north and east positive.',
        )
    return check_place(float(found.group(1)), float(found.group(2)), option)


def _line_of_points(start: str | None, end: str | None) -> tuple[Line, str]:
    from speedlog.course.geometry import line_between
    from speedlog.settings import PassSettings

    if start is None or end is None:
        raise SpeedlogError(
            "a line needs --from and --to, or --log",
            todo='Write --from "53.1,-1.2" --to "53.10465,-1.17116".',
        )
    line, apart_m = line_between(point(start, "--from"), point(end, "--to"))
    if apart_m < PassSettings().line_least_m:
        raise SpeedlogError(
            f"--from and --to are only {apart_m:.1f} m apart, too near to tell a heading",
            todo="Go farther down the line.",
        )
    how = f"from two points {apart_m:.0f} m apart"
    if apart_m < PassSettings().line_good_m:
        how += f" (near: one of them a metre off turns the line by {57.3 / apart_m:.1f}°)"
    return line, how


def _line_of_log(log: Path, number: int | None, columns: Path | None) -> tuple[Line, str]:
    from speedlog.course.passes import find_passes
    from speedlog.importers import ReadOptions, read

    recording = read(log, ReadOptions(columns=columns))
    passes = find_passes(recording)
    if not passes:
        raise SpeedlogError(
            "no pass found in it", file=log, todo="Give a log of a pass, or use --from and --to."
        )
    if number is None and len(passes) > 1:
        told = ", ".join(f"{count}: {item.start:%H:%M:%S}" for count, item in enumerate(passes, 1))
        raise SpeedlogError(
            f"{len(passes)} passes in it ({told})", file=log, todo="Say which, for instance --pass 1."
        )
    if number is not None and not 1 <= number <= len(passes):
        raise SpeedlogError(
            f"has no pass {number}, only {len(passes)}", file=log, todo="Choose another --pass."
        )
    chosen = passes[(number or 1) - 1]
    began = (
        "launch point" if chosen.run_up_start is not None else "first position (the log starts while moving)"
    )
    found = f"from the pass at {chosen.start:%H:%M:%S} in {plain(log.name)}"
    how = f"{found}: start = its {began}, heading = the fitted line"
    return chosen.line, how


def _rounded(line: Line) -> Line:
    from speedlog.course.geometry import Line

    return Line(
        round(line.lat_deg, _PLACE_DECIMALS),
        round(line.lon_deg, _PLACE_DECIMALS),
        round(line.heading_deg, _HEADING_DECIMALS) % 360.0,
    )


def _check(made: Course) -> None:
    import tomllib

    from speedlog.course.coursefile import Course

    Course.from_mapping(tomllib.loads(made.to_toml()))


def _in_words(made: Course, out: Path, how: str) -> str:
    line = made.line
    zone = f", times in {made.time_zone}" if made.time_zone else ""
    lines = [
        f'Wrote {plain(out)}: "{plain(made.name)}"{zone}',
        f"  line {how}",
        f"  from {line.lat_deg:.6f}, {line.lon_deg:.6f}, heading {line.heading_deg:.2f}° true",
        f"  trap from {made.entry_m:g} m to {made.exit_m:g} m along it, {made.length_m:g} m long",
        "  The length must come from a tape. GNSS places the trap only to a metre or two: where it",
        "  matters, add place_u_m under [trap].",
    ]
    return "\n".join(lines)
