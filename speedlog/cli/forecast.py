"""`speedlog forecast`: what a change should bring, from a car fitted to its own logs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from speedlog.cli.forecast_passes import Source
    from speedlog.settings.forecast import ForecastSettings
    from speedlog.vehicle.carfile import CarFile
    from speedlog.vehicle.plan import Known, Plan
    from speedlog.vehicle.target import Told


def forecast(
    car: Annotated[Path, typer.Argument(metavar="CAR.toml", help="The car: speedlog car init writes one.")],
    passes: Annotated[
        list[str] | None,
        typer.Option("--from", metavar="PASS...", help="Passes to fit the car to: 12 14, or session.toml/2."),
    ] = None,
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="KEY=VALUE...",
            help='current_limit="320 A" ramp="2.5 s" wheel_diameter="88 mm" cells=12 gear_ratio=1.0 mass="6.9 kg" '
            'run_up="600 m" wind="3 m/s head".',
        ),
    ] = None,
    target: Annotated[
        str | None, typer.Option("--target", help='"205 mph": what reaches it, and what gives first.')
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option("--sweep", metavar="KEY=A..B", help="One number turned: current_limit=260..360."),
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mph, km/h or m/s.")] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT", help="Write it as JSON (- prints it).")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.html", help="Write a page, the forecast over the passes."),
    ] = None,
    logbook: Annotated[
        Path | None, typer.Option("--logbook", metavar="PATH", help="The logbook's file.")
    ] = None,
) -> None:
    """What a change should bring: the car fitted to its own passes, driven again with another set-up.

    Example: speedlog forecast car.toml --from 12 14 17 --set current_limit="320 A" run_up="600 m" --target "205 mph"
    """
    from speedlog.cli.forecast_json import as_json
    from speedlog.cli.forecast_passes import read_passes
    from speedlog.cli.forecast_text import in_words
    from speedlog.cli.output import write_json, write_text
    from speedlog.report.numbers import speed_unit
    from speedlog.units import parse_quantity
    from speedlog.vehicle.carfile import load_car

    file = load_car(car)
    asked = parse_quantity(target, "speed", "target") if target is not None else None
    if asked is not None and asked.value <= 0:
        raise SpeedlogError(
            f'target: "{plain(target)}" can\'t be', todo='Write a speed above 0, like "205 mph".'
        )
    shown = speed_unit(unit or (asked.unit.symbol if asked else "km/h"))
    setup = read_changes(changes or [])
    turned = None if sweep is None else read_sweep(sweep)
    sources = read_passes(passes or list(file.passes), logbook, car.parent)
    found = tell(file, sources, setup, None if asked is None else asked.value, turned)
    inputs = [car]
    if json_out is not None:
        write_json(json_out, as_json(found), inputs=inputs)
    if out is not None:
        from datetime import UTC, datetime

        from speedlog.report.forecast_page import forecast_page

        write_text(out, forecast_page(found, unit=shown.symbol, made=datetime.now(UTC)), inputs=inputs)
    if json_out is None or str(json_out) != "-":
        print(in_words(found, shown).replace("\u00a0", " "))  # pages want it, terminals and grep do not
        if out is not None:
            print(f"\nPage: {out} (open it in any browser; it needs no network)")


def tell(
    file: CarFile, sources: Sequence[Source], setup: dict[str, Any], target_mps: float | None,
    turned: tuple[str, float, float] | None,
) -> Told:  # fmt: skip
    """Fit, forecast, and what was asked besides."""
    from speedlog.settings.forecast import ForecastSettings
    from speedlog.vehicle.forecast import forecast as run
    from speedlog.vehicle.target import Told, sweep, value_of, ways_to, with_value

    settings = ForecastSettings()
    known, plan = begin(file, sources, settings)
    known = replace(known, assumed=tuple(item for item in known.assumed if sources or item not in setup))
    wind = setup.pop("wind", None)
    if wind is not None:
        plan = _blown(plan, wind, sources)
    for key, value in setup.items():
        if key == "cells" and value_of(known, plan, "cells") is None:
            raise SpeedlogError("cells: the car's own number is not known", todo="Write cells in CAR.toml.")
        plan = with_value(plan, key, value)
    told = run(known, plan, settings)
    ways = () if target_mps is None else ways_to(known, plan, target_mps, settings)
    swept = None if turned is None else sweep(known, plan, *turned, settings)
    return Told(file.name or file_name(file), known, told, ways, target_mps, swept)


def file_name(file: CarFile) -> str:
    return "" if file.path is None else file.path.stem


def begin(file: CarFile, sources: Sequence[Source], settings: ForecastSettings) -> tuple[Known, Plan]:
    """The fitted car, and a plan like its last pass."""
    from speedlog.cli.forecast_passes import cars_of
    from speedlog.physics.air import standard_density
    from speedlog.vehicle.fit import fit
    from speedlog.vehicle.forecast import known_from
    from speedlog.vehicle.observed import observe
    from speedlog.vehicle.plan import Known, Makers, Plan
    from speedlog.vehicle.stopping import braking

    stated = file.makers
    if not sources:
        run_up, trap = file.number("run_up"), file.number("trap_length")
        if run_up is None:
            raise SpeedlogError(
                "no passes to fit the car to, and no run_up in it", file=file.path,
                todo='Name passes (--from 12 14), or write run_up = "500 m".',
            )  # fmt: skip
        guessed = ("wind", "weather", *(() if trap else ("trap_length",)))
        known = Known(file.car, None, file.cells, file.number("pack_capacity"), stated, assumed=guessed)
        return known, Plan(
            run_up, trap or settings.usual_trap_m, 0.0, settings.wind_unknown_mps, standard_density(),
            settings.density_unknown, file.number("runway_after_trap"),
        )  # fmt: skip
    seen = []
    for item in sources:
        part = observe(item.found, item.facts, settings, item.name)
        if part is None:
            raise SpeedlogError(f"pass {plain(item.name)} can't be used: its logs show no run-up")
        seen.append(part)
    fitted = fit(file.car, seen, settings)
    braked = [stop for item in sources if (stop := braking(item.found, settings)) is not None]
    known = known_from(fitted, braked)
    own = known.makers
    known = replace(
        known, cells=file.cells or known.cells, capacity_ah=file.number("pack_capacity") or known.capacity_ah,
        makers=Makers(**{
            name: getattr(own, name) if getattr(stated, name) is None else getattr(stated, name)
            for name in Makers.__dataclass_fields__
        }),
        assumed=("one_car",) * (len(cars_of(sources)) > 1) + _taken(known.assumed, file, seen[-1]),
    )  # fmt: skip
    return known, _like_last(file, sources[-1], fitted.passes[-1], settings)


def _taken(of_passes: Sequence[str], file: CarFile, last: Any) -> tuple[str, ...]:
    """What nobody said: not the passes' set-up, not the car's file, not the course."""
    stated = {key for key in ("mass", "run_up", "trap_length") if file.number(key) is not None}
    place = [] if last.entry_m is not None else ["run_up"]
    if last.entry_m is None or last.exit_m is None:
        place.append("trap_length")
    return tuple(item for item in (*of_passes, *place) if item not in stated)


def _like_last(file: CarFile, source: Source, last: Any, settings: ForecastSettings) -> Plan:
    from speedlog.vehicle.plan import Plan

    seen = last.observed
    run_up, trap = file.number("run_up"), file.number("trap_length")
    if run_up is None:
        run_up = seen.entry_m if seen.entry_m is not None else float(last.travel_m[-1])
    if trap is None:
        known = seen.entry_m is not None and seen.exit_m is not None
        trap = seen.exit_m - seen.entry_m if known else settings.usual_trap_m
    room, course = file.number("runway_after_trap"), source.course
    if room is None and course is not None:
        room = course.room_m(bool(source.found.outbound))
    motor, box = seen.motor_temp_c, seen.controller_temp_c
    return Plan(
        run_up, trap, last.head_mps, last.head_u_mps, seen.density_kgm3, seen.density_share_u, room,
        motor_start_c=None if motor is None else motor[0], controller_start_c=None if box is None else box[0],
    )  # fmt: skip


def _blown(plan: Plan, wind: Any, sources: Sequence[Source]) -> Plan:
    """The plan in another wind, given as a reading at 2 m, along the last pass's direction."""
    from speedlog.physics.air import wind_share
    from speedlog.settings.forecast import ForecastSettings
    from speedlog.settings.vehicle import VehicleSettings

    if wind.side is None and not sources:
        raise SpeedlogError(
            "wind: without passes a bearing means nothing", todo='Write wind="3 m/s head" or "tail".'
        )
    settings, site = ForecastSettings(), VehicleSettings()
    heading = sources[-1].found.heading_deg if sources else 0.0
    height = next((item.facts.wind_height_m for item in reversed(sources) if item.facts.wind_height_m), 2.0)
    share = wind_share(site.car_height_m, height, site.roughness_m) if height > site.car_height_m else 1.0
    head = wind.along_across(heading)[0] * share
    unsure = (settings.wind_share * share * wind.speed.value, settings.wind_least_mps)
    return replace(plan, head_mps=head, head_u_mps=(unsure[0] ** 2 + unsure[1] ** 2) ** 0.5)


def read_changes(texts: Sequence[str]) -> dict[str, Any]:
    """ "ramp=2.5 s" as key and SI value; the wind as a `Wind`.

    Raises:
        SpeedlogError: no such key, no "=", a wrong unit, a value that can't be.
    """
    from speedlog.course.wind import parse_wind
    from speedlog.vehicle.target import KNOBS

    found: dict[str, Any] = {}
    for text in texts:
        key, sign, value = text.partition("=")
        key, value = key.strip(), value.strip().strip("\"'")
        if not sign or key not in (*KNOBS, "wind"):
            raise SpeedlogError(
                f'--set "{plain(text)}": not a change that can be forecast',
                todo=f"Known: {', '.join((*KNOBS, 'wind'))}.",
            )
        if key in found:
            raise SpeedlogError(f"--set: {key} is given twice", todo="Give it once.")
        found[key] = parse_wind(value) if key == "wind" else _value(key, value)
    return found


def read_sweep(text: str) -> tuple[str, float, float]:
    """ "current_limit=260..360" as key and ends; the unit may stand at either end, or be left out."""
    from speedlog.vehicle.target import KNOBS

    key, _, span = text.partition("=")
    low, dots, high = span.strip().strip("\"'").partition("..")
    key = key.strip()
    if not dots or key not in KNOBS:
        raise SpeedlogError(
            f'--sweep "{plain(text)}" is not KEY=A..B',
            todo=f"Write it like current_limit=260..360. Known: {', '.join(KNOBS)}.",
        )
    symbol = KNOBS[key].symbol
    tail = high.lstrip("+-0123456789.,eE \t").strip() or symbol

    def one(word: str) -> float:
        bare = word.strip().removesuffix(tail).strip()
        return _value(key, f"{bare} {tail}".strip())

    first, last = one(low), one(high)
    if not first < last:
        raise SpeedlogError(
            f'--sweep "{plain(text)}": the first must be below the last', todo="Write 260..360."
        )
    return key, first, last


def _value(key: str, text: str) -> float:
    from speedlog.units import parse_quantity
    from speedlog.vehicle.target import KNOBS

    knob = KNOBS[key]
    if knob.kind is not None:
        value = parse_quantity(text, knob.kind, key).value
    else:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            raise SpeedlogError(
                f'{key}: "{plain(text)}" is not a number', todo=f"Write it like {key}=1.0."
            ) from None
        if key == "cells" and value != round(value):
            raise SpeedlogError(
                f'cells: "{plain(text)}" is not a whole number', todo="Write it like cells=12."
            )
    if not knob.low <= value <= knob.high:
        raise SpeedlogError(
            f'{key}: "{plain(text)}" can\'t be', todo=f"It lies between {knob.low:g} and {knob.high:g}."
        )
    return value
