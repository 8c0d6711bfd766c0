"""A table of session.toml whose every value is checked, and every mistake told with file and key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from speedlog.course.wind import Wind, parse_wind
from speedlog.errors import SpeedlogError, plain
from speedlog.units import Kind, Quantity, parse_quantity

_ABOVE_ZERO = frozenset({"wheel_diameter", "current_limit", "mass", "wind_height", "pressure", "qnh",
                         "tyre_diameter_before", "tyre_diameter_after", "pack_voltage_rest",
                         "pack_capacity", "lowest_cell", "tyre_limit", "tyre_limit_rpm", "wheelbase"})  # fmt: skip
_TRAP_HINT = 'Write a speed like "187.5 mph" or a time like "0.370 s".'


@dataclass(frozen=True)
class Table:
    """A table of the file, with where it stands, so that a mistake can say so."""

    content: Mapping[str, Any]
    file: Path
    where: str = ""

    def fail(self, key: str, problem: str, todo: str | None = None) -> NoReturn:
        raise SpeedlogError(f"{self.where}{key}: {problem}", file=self.file, todo=todo)

    def check_keys(self, known: Sequence[str], hint: str = "") -> None:
        for key in self.content:
            if key not in known:
                begun = [word for word in known if key and word.startswith(key)]
                near = begun or get_close_matches(key, known, 1)
                todo = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(known)}."
                self.fail(plain(key, 60), "not a key of a session", f"{todo}{hint}")

    def table(self, key: str) -> Table:
        value = self.content.get(key, {})
        if not isinstance(value, dict):
            self.fail(key, "must be a table", f"Write it like {key} = {{ … }}.")
        return Table(value, self.file, f"{self.where}{key}.")

    def text(self, key: str) -> str | None:
        value = self.content.get(key)
        if value is not None and not isinstance(value, str):
            self.fail(key, f"{plain(value, 40)} is not text", "Put it in quotes.")
        return value

    def quantity(self, key: str, kind: Kind) -> Quantity | None:
        value = self.content.get(key)
        if value is None:
            return None
        example = ' Write it like "55 %".' if kind == "share" else ""
        if not isinstance(value, str):
            self.fail(key, f"{plain(value, 40)} has no unit", f"Write it in quotes, with its unit.{example}")
        try:
            found = parse_quantity(value, kind, f"{self.where}{key}")
        except SpeedlogError as error:
            raise SpeedlogError(error.problem, file=self.file, todo=example.strip() or error.todo) from None
        if key in _ABOVE_ZERO and not found.value > 0:
            self.fail(key, f'"{plain(value)}" must be above zero')
        if kind == "share" and not 0 <= found.value <= 1:
            self.fail(key, f'"{plain(value)}" must lie between 0 % and 100 %')
        return found

    def number(self, key: str, *, whole: bool) -> int | float:
        value = self.content[key]
        kinds = (int,) if whole else (int, float)
        if isinstance(value, bool) or not isinstance(value, kinds) or not 0 < value < 1e6:
            what = "a whole number from 1" if whole else "a number above zero"
            self.fail(key, f"{plain(value, 40)} is not {what}", "Write it without quotes.")
        return value

    def existing(self, key: str) -> Path | None:
        name = self.text(key)
        if name is None:
            return None
        path = self.file.parent / name
        if not path.is_file():
            self.fail(key, f'no file "{plain(name)}" beside the session', "Check the name and the folder.")
        return path

    def trap(self) -> str | None:
        value = self.content.get("trap")
        if value is None:
            return None
        if not isinstance(value, str):
            self.fail(
                "trap", f"{plain(value, 40)} has no unit", f"Put it in quotes with its unit. {_TRAP_HINT}"
            )
        try:
            found = parse_trap(value)
        except SpeedlogError as error:
            raise SpeedlogError(f"{self.where}{error.problem}", file=self.file, todo=_TRAP_HINT) from None
        if not found.value > 0:
            self.fail("trap", f'"{plain(value)}" must be above zero', _TRAP_HINT)
        return value.strip()

    def wind(self) -> Wind | None:
        value = self.text("wind")
        if value is None:
            return None
        try:
            return parse_wind(value)
        except SpeedlogError as error:
            raise SpeedlogError(f"{self.where}{error.problem}", file=self.file, todo=error.todo) from None


def parse_trap(text: str) -> Quantity:
    """The trap figure: a speed or a time; `unit.kind` tells which.

    Raises:
        SpeedlogError: neither a speed nor a time.
    """
    try:
        return parse_quantity(text, "time", "trap")
    except SpeedlogError:
        return parse_quantity(text, "speed", "trap")
