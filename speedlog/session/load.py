"""session.toml to a Session, or the first mistake in one line."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from speedlog.course.wind import Wind
from speedlog.errors import SpeedlogError, plain
from speedlog.session.day import Change, Session, SessionPass, SetupValue, Weather
from speedlog.session.table import Table
from speedlog.units import Kind, Quantity

SETUP: Mapping[str, Kind | Literal["text", "number", "count", "own words"]] = MappingProxyType(
    {
        "tyre": "text",
        "wheel_diameter": "length",
        "gear_ratio": "number",
        "pole_pairs": "count",
        "cells": "own words",
        "current_limit": "current",
        "ramp": "text",
        "timing": "angle",
        "mass": "mass",
        "motor": "text",
        "controller": "text",
        "pack": "text",
        "body": "text",
        "motor_kv": "number",
        "current_of": "text",
        "pack_capacity": "charge",
        "pack_limit_c_rate": "number",
        "lowest_cell": "voltage",
        "motor_limit": "temperature",
        "controller_limit": "temperature",
        "tyre_limit": "acceleration",
        "tyre_limit_rpm": "rotation",
        "wheels_driven": "count",
        "wheelbase": "length",
        "other": "own words",
    }
)
_CHOICES: Mapping[str, tuple[str, ...]] = MappingProxyType({"current_of": ("pack", "motor")})
MEASURED: Mapping[str, Kind] = MappingProxyType(
    {
        "motor_temp_before": "temperature",
        "motor_temp_after": "temperature",
        "pack_voltage_rest": "voltage",
        "charge_put_back": "charge",
        "tyre_diameter_before": "length",
        "tyre_diameter_after": "length",
    }
)
_WEATHER: Mapping[str, Kind] = MappingProxyType(
    {
        "wind_height": "length",
        "temperature": "temperature",
        "humidity": "share",
        "pressure": "pressure",
        "qnh": "pressure",
        "elevation": "length",
    }
)
_SESSION_KEYS = ("name", "date", "course", "car", "columns", "weather", "pass")
_PASS_KEYS = ("number", "logs", "trap", "wind", "weather", "setup", "note", "measured", "columns")


def load_session(path: str | Path) -> Session:
    """Read a session.toml.

    Raises:
        SpeedlogError: the first mistake found, with the file and the key.
    """
    from speedlog.course.coursefile import Course

    file = Path(path)
    top = Table(read_toml(file), file)
    top.check_keys(_SESSION_KEYS)
    course_path = top.existing("course")
    weather = read_weather(top.table("weather"), Weather(), None)
    listed = top.content.get("pass")
    if not isinstance(listed, list) or not listed or not all(isinstance(item, dict) for item in listed):
        top.fail("pass", "the session names no pass", "Begin each pass with a line [[pass]].")
    passes: list[SessionPass] = []
    for place, content in enumerate(listed, start=1):
        passes.append(_pass(Table(content, file, f"pass {place}, "), place, weather, passes))
    return Session(
        name=(top.text("name") or file.stem).strip(),
        date=_date(top),
        course=None if course_path is None else Course.load(course_path),
        course_path=course_path,
        car=(top.text("car") or "").strip(),
        passes=tuple(replace(item, columns=item.columns or top.existing("columns")) for item in passes),
        weather=weather,
        path=file,
    )


def read_toml(file: Path) -> dict[str, Any]:
    """A TOML file, or the one line that says where it is none."""
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SpeedlogError(
            "is not UTF-8 text", file=file, todo='Save it again with the encoding "UTF-8".'
        ) from None
    except OSError as error:
        raise SpeedlogError(f"can't be read ({error.strerror})", file=file, todo="Check the name.") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.match(r"(.*?) \(at (?:line (\d+), column \d+|end of document)\)$", str(error), re.DOTALL)
        problem, line = (found[1], found[2]) if found else (str(error), None)
        slash = 'Write folders with "/" and not with "\\".' if "\\" in problem or "scape" in problem else None
        raise SpeedlogError(
            f"not a sound TOML file: {problem}", file=file, line=int(line) if line else None, todo=slash
        ) from None


def _date(top: Table) -> dt.date | None:
    value = top.content.get("date")
    if value is None or (isinstance(value, dt.date) and not isinstance(value, dt.datetime)):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError):
        top.fail("date", f'"{plain(value, 40)}" is not a date', "Write it like 2026-07-12.")


def _pass(table: Table, place: int, weather: Weather, earlier: Sequence[SessionPass]) -> SessionPass:
    table.check_keys(_PASS_KEYS)
    number = int(table.number("number", whole=True)) if "number" in table.content else place
    table = replace(table, where=f"pass {number}, ")
    if any(item.number == number for item in earlier):
        table.fail("number", f"two passes have the number {number}", "Give each pass its own.")
    before = dict(earlier[-1].setup) if earlier else {}
    stated = read_setup(table.table("setup"))
    run = before | stated
    changed = [key for key in stated if earlier and not same_value(before.get(key), stated[key])]
    return SessionPass(
        number=number,
        logs=_logs(table),
        trap=table.trap(),
        weather=read_weather(table.table("weather"), weather, table.wind()),
        setup=MappingProxyType({key: run[key] for key in SETUP if key in run}),
        stated=frozenset(stated),
        changes=tuple(Change(key, before.get(key), stated[key]) for key in changed),
        note=(table.text("note") or "").strip(),
        measured=MappingProxyType(read_measured(table.table("measured"))),
        columns=table.existing("columns"),
    )


def _logs(table: Table) -> tuple[Path, ...]:
    names = table.content.get("logs")
    if not isinstance(names, list) or not all(isinstance(name, str) and name.strip() for name in names):
        table.fail(
            "logs",
            "must be a list of files",
            'Write it like logs = ["a.nmea", "b.csv"]; [] if there is none.',
        )
    paths = tuple(table.file.parent / name for name in names)
    for place, path in enumerate(paths):
        if not path.is_file():
            table.fail("logs", f'no file "{plain(names[place])}"', "Check the name and the folder.")
        if path in paths[:place]:
            table.fail("logs", f'"{plain(names[place])}" is named twice', "Name it once.")
    return paths


def read_setup(table: Table) -> dict[str, SetupValue]:
    """A set-up, its keys in the order of `SETUP`."""
    table.check_keys(tuple(SETUP), ' Your own words go under "other".')
    found: dict[str, SetupValue] = {}
    for key, kind in SETUP.items():
        if key not in table.content:
            continue
        value: SetupValue | None
        if kind == "count" or (kind == "own words" and isinstance(table.content[key], int)):
            value = table.number(key, whole=True)
        elif kind == "number":
            value = table.number(key, whole=False)
        elif kind in ("text", "own words"):
            value = _choice(table, key)
        else:
            value = table.quantity(key, kind)  # type: ignore[arg-type]  # the words are dealt with above
        if value is not None:
            found[key] = value
    return found


def _choice(table: Table, key: str) -> str | None:
    text, choices = table.text(key), _CHOICES.get(key)
    if choices is None or text is None:
        return text
    if text.strip().lower() not in choices:
        table.fail(key, f'"{plain(text, 40)}" is not known', f'Write "{choices[0]}" or "{choices[1]}".')
    return text.strip().lower()


def read_measured(table: Table) -> dict[str, Quantity]:
    """What was measured by hand."""
    table.check_keys(tuple(MEASURED))
    found = {key: table.quantity(key, kind) for key, kind in MEASURED.items()}
    return {key: value for key, value in found.items() if value is not None}


def same_value(one: SetupValue | None, other: SetupValue) -> bool:
    """ "88 mm" and "8.8 cm" are the same wheel."""
    if isinstance(one, Quantity) and isinstance(other, Quantity):
        return abs(one.value - other.value) <= 1e-9 * max(abs(one.value), abs(other.value))
    return one == other


def read_weather(table: Table, base: Weather, pass_wind: Wind | None) -> Weather:
    """The weather of `table` over `base`; pressure and QNH replace each other as a group."""
    table.check_keys(("wind", *_WEATHER))
    wind = table.wind()
    if wind is not None and pass_wind is not None:
        table.fail("wind", "the wind is given twice for this pass", "Give it once.")
    own: dict[str, Any] = {key: table.quantity(key, kind) for key, kind in _WEATHER.items()}
    if own["pressure"] is not None and own["qnh"] is not None:
        table.fail("qnh", "pressure and qnh are both given", "Keep the one that was read at the place.")
    if own["pressure"] is not None or own["qnh"] is not None:
        base = replace(base, pressure=None, qnh=None)
    merged = replace(base, **{key: value for key, value in own.items() if value is not None})
    if merged.qnh is not None and merged.elevation is None:
        table.fail("qnh", "needs the elevation of the place", 'Add elevation = "120 m", or give "pressure".')
    return replace(merged, wind=pass_wind or wind or base.wind)
