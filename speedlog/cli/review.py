"""`speedlog review`: from log files and a trap figure to a verdict."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.options import Columns, Measured, TrapFigure, Wind
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.results import Review
    from speedlog.results_car import CarPass


def review(
    files: Annotated[list[Path], typer.Argument(help="The logs of one pass, or of several passes.")],
    course: Annotated[
        Path | None, typer.Option("--course", metavar="C.toml", help="The running line and the trap on it.")
    ] = None,
    trap: TrapFigure = None,
    wind: Wind = None,
    wheel_diameter: Annotated[
        str | None,
        typer.Option("--wheel-diameter", help='Nominal, "88 mm"; its true size is found from the logs.'),
    ] = None,
    gear_ratio: Annotated[
        float | None, typer.Option("--gear-ratio", help="Motor turns per wheel turn.")
    ] = None,
    pole_pairs: Annotated[
        int | None, typer.Option("--pole-pairs", help="Where the controller counts electrical turns.")
    ] = None,
    setup: Annotated[
        Path | None,
        typer.Option(
            "--setup", metavar="FILE.toml", help="The car as run: what the pass cost it, in its limits."
        ),
    ] = None,
    measured: Measured = None,
    columns: Columns = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="mph, km/h or m/s; that of the trap figure otherwise.")
    ] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write the result as JSON (- prints it).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="REPORT.html", help="Write a report page.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers", min=1, help="Processes for a day of many passes; as many as cores otherwise."
        ),
    ] = None,
) -> None:
    """One pass, or all passes found in the files, against the trap figure.

    Example: speedlog review gps.nmea controller.csv --course course.toml --trap "187.5 mph"
    """
    from speedlog.cli.car_given import car_given
    from speedlog.cli.on_cores import on_cores
    from speedlog.cli.output import write_json, write_text
    from speedlog.course.coursefile import Course
    from speedlog.pipeline import review as run

    car = car_given(setup, measured or [], wind, wheel_diameter, gear_ratio, pole_pairs)
    with on_cores(workers) as cores:
        found = run(
            files,
            course=None if course is None else Course.load(course),
            trap=trap_figures(trap),
            wind=wind,
            wheel_diameter=car.wheel_diameter,
            gear_ratio=car.gear_ratio,
            pole_pairs=car.pole_pairs,
            columns=columns,
            unit=unit,
            facts=car.facts,
            cores=cores,
        )
    inputs = [*files, *(path for path in (course, columns, setup) if path)]
    if json_out is not None:
        write_json(json_out, found.as_json(), inputs=inputs)
    if out is not None:
        from datetime import UTC, datetime

        from speedlog.report.page import review_page

        write_text(
            out, review_page(found, unit=unit, made=datetime.now(UTC), computer_clock=True), inputs=inputs
        )
    if json_out is None or str(json_out) != "-":
        print(in_words(found, unit))
        if out is not None:
            print(f"Report: {out}")


def trap_figures(given: list[str] | None) -> str | dict[int, str] | list[str] | None:
    """What `--trap` said: one figure, one a pass in order, or some by the number of the pass.

    Raises:
        SpeedlogError: numbered and plain figures mixed, a number twice, or no number before "=".
    """
    if not given:
        return None
    numbered: dict[int, str] = {}
    for text in given:
        head, sign, figure = text.partition("=")
        if not sign:
            continue
        if not head.strip().isdecimal() or int(head) < 1:
            raise SpeedlogError(
                f'--trap "{plain(text)}": no pass number before "="', todo='Write --trap 2="187.5 mph".'
            )
        if int(head) in numbered:
            raise SpeedlogError(f"--trap: pass {int(head)} has two figures", todo="Give one figure a pass.")
        numbered[int(head)] = figure.strip().strip("\"'")
    if numbered and len(numbered) != len(given):
        raise SpeedlogError(
            "--trap: some figures name their pass and some don't", todo="Name the pass in all or none."
        )
    if numbered:
        return numbered
    return given[0] if len(given) == 1 else list(given)


def in_words(found: Review, asked: str | None = None) -> str:
    """The result for a terminal: a verdict a pass, the three numbers, what each logger saw."""
    from speedlog.reconcile.wording import Speeds

    lines: list[str] = []
    for item in found.passes:
        official = item.trap.official if item.trap else None
        speed = Speeds.of(asked or (official.unit if official else "km/h")).speed
        lines.append(
            f"Pass {item.number}, {item.start_utc:%Y-%m-%d %H:%M:%S} UTC, heading {item.heading_deg:.0f}°"
        )
        if item.verdict:
            lines.append(f"  {item.verdict.text}")
        if item.trap and item.trap.estimate_mps is not None and item.trap.interval95_mps is not None:
            low, high = item.trap.interval95_mps
            lines.append(
                f"  estimate through the trap: {speed(item.trap.estimate_mps)}, 95 % {speed(low)} to {speed(high)}"
            )
        if item.peak:
            low, high = item.peak.interval95_mps
            lines.append(f"  peak: {speed(item.peak.estimate_mps)}, 95 % {speed(low)} to {speed(high)}")
        lines += [f"  {plain(logger.file)}: {logger.text}" for logger in item.loggers]
        if item.car is not None:
            lines += _of_the_car(item.car, asked or (official.unit if official else "km/h"))
        lines += [f"  warning: {plain(text, 300)}" for text in item.warnings]
    for recording in found.recordings:
        lines += [f"{plain(recording.file)}: warning: {plain(text, 300)}" for text in recording.warnings]
    lines += [f"warning: {plain(text, 300)}" for text in found.warnings]
    return "\n".join(lines)


def _of_the_car(car: CarPass, unit: str) -> list[str]:
    from speedlog.report.car_brief import car_lines
    from speedlog.report.numbers import as_text, speed_unit

    shown = speed_unit(unit)
    return [f"  {plain(as_text(text, shown), 300)}".replace("\u00a0", " ") for text in car_lines(car)]
