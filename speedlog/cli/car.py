"""`speedlog car init`: a CAR.toml from a pass and a few answers."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.variadic import Variadic
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.vehicle.facts import CarFacts

car_app = typer.Typer(
    help="The car's own file, for speedlog forecast.", no_args_is_help=True, rich_markup_mode=None
)
_ASKED = {
    "mass": "Mass, ready to run",
    "wheel_diameter": "Diameter of the driven wheels",
    "gear_ratio": "Motor turns a wheel turn",
    "motor_kv": "Kv of the motor, rpm a volt",
    "cells": "Cells in series",
    "current_limit": "Current limit that is set",
    "ramp": "Ramp that is set",
    "lowest_cell": "Lowest cell voltage, by the pack's maker",
    "motor_limit": "Highest motor temperature, by its maker",
    "controller_limit": "Highest controller temperature, by its maker",
    "tyre_limit_rpm": "Highest wheel turns, by the tyre's maker",
    "run_up": "From the launch to the first beam",
    "trap_length": "Between the beams, by the tape",
    "runway_after_trap": "From the last beam to the runway's end",
}
_PLACE = (
    "run_up",
    "trap_length",
    "runway_after_trap",
)  # passes show them, and the course they were driven on


@car_app.callback()
def _car() -> None:
    """The car's own file, for speedlog forecast."""


@car_app.command("init", cls=Variadic)
def init(
    out: Annotated[
        Path, typer.Argument(metavar="CAR.toml", help="The file to write; an existing one is left alone.")
    ],
    passes: Annotated[
        list[str] | None,
        typer.Option(
            "--from",
            metavar="PASS...",
            help="Passes of this car: 12 14, or session.toml/2. Their set-up is taken.",
        ),
    ] = None,
    name: Annotated[str, typer.Option("--name", help="Of the car.")] = "",
    answers: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE...", help='Any key of the file: mass="7.9 kg" motor_limit="100 °C".'
        ),
    ] = None,
    ask: Annotated[bool, typer.Option("--ask/--no-ask", help="Ask for what the passes don't say.")] = True,
    logbook: Annotated[
        Path | None, typer.Option("--logbook", metavar="PATH", help="The logbook's file.")
    ] = None,
) -> None:
    """Write a CAR.toml in which every key stands with its unit and usual range; what isn't known is a comment.

    Example: speedlog car init car.toml --from session.toml/2 session.toml/9 --set mass="7.9 kg"
    """
    from speedlog.cli.forecast_passes import cars_of, read_passes
    from speedlog.cli.output import write_text
    from speedlog.vehicle.carfile import car_toml

    if out.exists():
        raise SpeedlogError("is there already", file=out, todo="Choose another name, or move it away.")
    known: dict[str, float] = {}
    if passes:
        sources = read_passes(passes, logbook, out.parent)
        for item in sources:  # later passes win: the car as it stands
            known |= of_facts(item.facts)
        cars = cars_of(sources)
        if len(cars) > 1:
            print(f"These passes are of {' and '.join(plain(item, 60) for item in cars)}: taken as one car.")
        place = sources[-1].course
        if place is not None:
            known["trap_length"] = place.length_m
    known |= read_answers(answers or [])
    if ask and sys.stdin.isatty():
        known |= _ask(known, placed=bool(passes))
    write_text(out, car_toml(name or out.stem, tuple(passes or ()), known))
    count = f"{len(known)} number{'' if len(known) == 1 else 's'} stated"
    print(f"{out}: {count}; all else begins at a usual value, as its comments show.")
    open_ = [key.replace("_", " ") for key in _ASKED if key not in known and not (passes and key in _PLACE)]
    if open_:
        print(f"Not stated, and worth stating: {', '.join(open_)}.")
    print(f"Next: speedlog forecast {out}{'' if passes else ' --from PASS...'}")


def of_facts(facts: CarFacts) -> dict[str, float]:
    """What a pass's set-up says, by the keys of CAR.toml and in their units."""
    said = {
        "mass": facts.mass_kg,
        "wheel_diameter": facts.wheel_diameter_m,
        "gear_ratio": facts.gear_ratio,
        "motor_kv": facts.motor_kv,
        "cells": facts.cells,
        "current_limit": facts.current_limit_a,
        "ramp": facts.ramp_s,
        "pack_capacity": facts.pack_capacity_ah,
        "pack_limit_c_rate": facts.pack_limit_c_rate,
        "lowest_cell": facts.lowest_cell_v,
        "motor_limit": facts.motor_limit_c,
        "controller_limit": facts.controller_limit_c,
        "tyre_limit_rpm": facts.tyre_limit_rpm,
        "tyre_limit": facts.tyre_limit_g,
    }
    return {key: float(value) for key, value in said.items() if value is not None}


def read_answers(texts: list[str]) -> dict[str, float]:
    """ "mass=7.9 kg" by key, in the unit that CAR.toml writes it in.

    Raises:
        SpeedlogError: no such key, a wrong unit, a value that can't be.
    """
    from speedlog.vehicle.carfile import KEYS, answer

    known = {key.key: key for key in KEYS}
    found = {}
    for text in texts:
        word, sign, value = text.partition("=")
        if not sign or word.strip() not in known:
            raise SpeedlogError(
                f'--set "{plain(text)}": not a key of a car', todo=f"Known: {', '.join(known)}."
            )
        found[word.strip()] = answer(known[word.strip()], value.strip().strip("\"'"))
    return found


def _ask(known: dict[str, float], placed: bool) -> dict[str, float]:
    """Ask on the terminal for the few that matter; an empty answer leaves a key open.

    Args:
        placed: passes are there, so the place isn't asked for.
    """
    from speedlog.vehicle.carfile import KEYS, answer, usual

    keys = {key.key: key for key in KEYS}
    found: dict[str, float] = {}
    for word, question in _ASKED.items():
        while word not in known and word not in found and not (placed and word in _PLACE):
            try:
                said = input(f"{question} (usual {usual(keys[word])}; Enter: not known): ").strip()
            except EOFError:  # no more answers: the rest stays open
                print()
                return found
            if not said:
                break
            try:
                found[word] = answer(keys[word], said)
            except SpeedlogError as error:
                print(error)
    return found
