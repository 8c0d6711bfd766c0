"""Set-ups as they are kept: as written, whole; only the change is typed, the rest is that of the last pass."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.rows import SetupText
from speedlog.logbook.store import Logbook
from speedlog.session.day import SetupValue, Weather
from speedlog.session.load import MEASURED, SETUP, read_measured, read_setup, read_toml, same_value
from speedlog.session.table import Table
from speedlog.units import Quantity

_TYPED = Path("--change")


def setup_file(path: Path) -> dict[str, SetupText]:
    """A set-up from a small TOML of its own, the keys of session.toml's setup at its top.

    Raises:
        SpeedlogError: the first mistake, with file and key.
    """
    return as_written(read_setup(Table(read_toml(path), path)))


def typed(texts: Sequence[str], what: str = "--change") -> dict[str, str]:
    """key="value" pairs as typed.

    Raises:
        SpeedlogError: no "=" in one, or a key twice.
    """
    found: dict[str, str] = {}
    for text in texts:
        key, sign, value = text.partition("=")
        key, value = key.strip(), value.strip().strip("\"'")
        if not sign or not key:
            raise SpeedlogError(
                f'{what} "{plain(text)}" is no key="value"', todo=f'Write {what} current_limit="320 A".'
            )
        if key in found:
            raise SpeedlogError(f"{what}: {plain(key)} is given twice", todo="Give it once.")
        found[key] = value
    return found


def setup_changes(texts: Sequence[str]) -> dict[str, SetupText]:
    """What `--change key="value"` says, checked as session.toml's set-up is."""
    return as_written(
        read_setup(Table({key: _number(key, text) for key, text in typed(texts).items()}, _TYPED))
    )


def measured_by_hand(texts: Sequence[str]) -> dict[str, str]:
    """What `--measured key="value"` says, checked as session.toml's is."""
    found = read_measured(Table(typed(texts, "--measured"), Path("--measured")))
    return {key: value.text for key, value in found.items()}


def as_written(setup: Mapping[str, SetupValue]) -> dict[str, SetupText]:
    return {key: value.text if isinstance(value, Quantity) else value for key, value in setup.items()}


def same_setup(key: str, one: SetupText | None, other: SetupText) -> bool:
    """Whether two entries say the same: "88 mm" and "8.8 cm" are one wheel."""
    if one is None:
        return False
    values = [read_setup(Table({key: value}, _TYPED)).get(key) for value in (one, other)]
    return values[1] is not None and same_value(values[0], values[1])


def same_measured(key: str, one: str, other: str) -> bool:
    values = [read_measured(Table({key: value}, _TYPED))[key] for value in (one, other)]
    return same_value(values[0], values[1])


def in_order(setup: Mapping[str, SetupText]) -> dict[str, SetupText]:
    """A set-up with its keys in the order of `SETUP`."""
    return {key: setup[key] for key in SETUP if key in setup}


def weather_as_written(weather: Weather) -> dict[str, str]:
    found = {
        "wind": None if weather.wind is None else weather.wind.text,
        **{
            key: None if (value := getattr(weather, key)) is None else value.text
            for key in ("wind_height", "temperature", "humidity", "pressure", "qnh", "elevation")
        },
    }
    return {key: text for key, text in found.items() if text is not None}


def last_setup(book: Logbook, car: str, before_utc: str | None) -> dict[str, SetupText]:
    """The set-up of the last pass of a car: before a moment, or the last one added where that isn't known."""
    order = "pass.start_utc DESC, pass.id DESC" if before_utc else "pass.id DESC"
    row = book.row(
        "SELECT pass.setup FROM pass JOIN session ON session.id = pass.session_id "
        "WHERE session.car = ? AND pass.set_aside_at IS NULL AND (? IS NULL OR pass.start_utc < ?) "
        f"ORDER BY {order} LIMIT 1",
        (car, before_utc, before_utc),
    )
    return {} if row is None else dict(json.loads(row["setup"]))


def known_measured() -> tuple[str, ...]:
    return tuple(MEASURED)


def _number(key: str, text: str) -> SetupText:
    """What TOML would have as a number, from a command line where all is text."""
    if SETUP.get(key) not in ("number", "count"):
        return text
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return text  # told by the check that follows
    return int(value) if value.is_integer() and SETUP[key] == "count" else value
