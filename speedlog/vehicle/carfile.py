"""CAR.toml: the car as its builder knows it; one clear line for every mistake, every key explained."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.units import Kind, find_unit, parse_quantity
from speedlog.vehicle.car import PARTS, Car
from speedlog.vehicle.plan import Makers

_BIGGEST_BYTES = 200_000
_KINDS: Mapping[str, Kind] = {
    "kg": "mass",
    "m": "length",
    "A": "current",
    "V": "voltage",
    "s": "time",
    "°C": "temperature",
    "Ah": "charge",
    "g": "acceleration",
    "rpm": "rotation",
}
_SHOWN = {"g": "gn"}  # standard gravity: "g" alone may be read as a mass


@dataclass(frozen=True)
class Key:
    """A key of the file: unit ("" for a pure number), what it means, its usual and its possible range.

    `whole`: only whole numbers.
    """

    key: str
    unit: str
    meaning: str
    typical: tuple[float, float]
    possible: tuple[float, float]
    heading: str = ""
    whole: bool = False

    @property
    def quoted(self) -> bool:
        """Written as text with its unit; else a plain number, whose unit the key names."""
        return self.unit in _KINDS

    @property
    def in_mm(self) -> bool:
        """A length of the car: written in millimetres."""
        return self.unit == "m" and self.possible[1] <= 2


_FIRST = {"mass": "The car", "motor_kv": "Motor and controller", "gear_ratio": "Wheels", "pack_voltage": "Pack",
          "current_limit": "As set in the controller"}  # fmt: skip
KEYS: tuple[Key, ...] = (
    *(Key(item.key, item.unit, item.meaning, item.typical, item.possible, _FIRST.get(item.key, "")) for item in PARTS),
    Key("cells", "", "of the pack, in series", (4, 16), (1, 60), "Pack and makers' limits", True),
    Key("pack_capacity", "Ah", "of the pack", (2, 10), (0.1, 200)),
    Key("pack_limit_c_rate", "", "greatest current over capacity, per hour, by the pack's maker", (30, 150), (1, 1000)),
    Key("lowest_cell", "V", "of a cell under load, by the pack's maker", (3.2, 3.6), (1, 5)),
    Key("motor_limit", "°C", "by the motor's maker", (80, 140), (30, 400)),
    Key("controller_limit", "°C", "by the controller's maker", (80, 120), (30, 400)),
    Key("tyre_limit", "g", "v²/r of the tread, by the tyre's maker", (10_000, 40_000), (10, 1e6)),
    Key("tyre_limit_rpm", "rpm", "of the wheel, by the tyre's maker", (10_000, 40_000), (100, 1e6)),
    Key("run_up", "m", "from the launch to the first beam", (200, 800), (10, 5000), "The place"),
    Key("trap_length", "m", "between the beams", (10, 50), (0.1, 2000)),
    Key("runway_after_trap", "m", "from the trap's exit to the runway's end", (300, 1500), (1, 20_000)),
)  # fmt: skip
_TEXTS = {
    "name": "of the car",
    "passes": 'that it is fitted to, as speedlog history or "session.toml/2" names them',
}


@dataclass(frozen=True)
class CarFile:
    """What the file says. `stated`: its keys; a number that isn't there is the first guess."""

    name: str = ""
    car: Car = field(default_factory=Car)
    passes: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)
    path: Path | None = None

    def number(self, key: str) -> float | None:
        return self.numbers.get(key)

    @property
    def cells(self) -> int | None:
        found = self.numbers.get("cells")
        return None if found is None else round(found)

    @property
    def makers(self) -> Makers:
        get = self.numbers.get
        gn = find_unit("gn", "acceleration")
        tyre = get("tyre_limit")
        return Makers(
            get("motor_limit"), get("controller_limit"), get("lowest_cell"), get("pack_limit_c_rate"),
            None if tyre is None or gn is None else gn.from_si(tyre), get("tyre_limit_rpm"),
        )  # fmt: skip


def load_car(path: str | Path) -> CarFile:
    """Read a CAR.toml.

    Raises:
        SpeedlogError: it can't be read, or the first mistake in it, with its key.
    """
    file = Path(path)
    content = _toml(file)
    known = {key.key: key for key in KEYS}
    for word in content:
        if word not in known and word not in _TEXTS:
            near = difflib.get_close_matches(word, [*known, *_TEXTS], 1)
            todo = f'Did you mean "{near[0]}"?' if near else "speedlog car init writes a file with every key."
            raise SpeedlogError(f"{plain(word, 60)}: not a key of a car", file=file, todo=todo)
    numbers = {word: _number(known[word], value, file) for word, value in content.items() if word in known}
    named = {part.key: part.name for part in PARTS}
    car = Car().with_values({named[word]: value for word, value in numbers.items() if word in named})
    return CarFile(_text(content, file), car, _passes(content, file), numbers, file)


def _toml(file: Path) -> dict[str, Any]:
    try:
        data = file.read_bytes()
    except OSError as error:
        raise SpeedlogError(f"can't be read ({error.strerror})", file=file, todo="Check the name.") from None
    if len(data) > _BIGGEST_BYTES:
        raise SpeedlogError("too long for a car: it is another file", file=file)
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise SpeedlogError(
            "is not UTF-8 text", file=file, todo='Save it with the encoding "UTF-8".'
        ) from None
    except tomllib.TOMLDecodeError as error:
        found = re.match(r"(.*?) \(at line (\d+)", str(error))
        raise SpeedlogError(
            f"not a sound TOML file: {found[1] if found else error}",
            file=file,
            line=int(found[2]) if found else None,
        ) from None


def answer(key: Key, text: str) -> float:
    """A value as typed: "7.9 kg", or a plain number where the key has none of a quantity's units.

    Returns it in the unit that the key names (g for a tyre's limit).
    """
    value: Any = text
    if not key.quoted:
        try:
            value = float(
                text.strip().removesuffix(key.unit).replace(",", ".")
            )  # "520 rpm/V" as well as "520"
        except ValueError:
            value = text
    found = _number(key, value, None)
    gn = find_unit("gn", "acceleration")
    return gn.from_si(found) if key.unit == "g" and gn is not None else found


def _number(key: Key, value: Any, file: Path | None) -> float:
    example = write(key, key.typical[0])
    if key.quoted:
        if not isinstance(value, str):
            raise SpeedlogError(
                f"{key.key}: {plain(value, 40)} has no unit", file=file, todo=f"Write it like {example}."
            )
        try:
            found = parse_quantity(value, _KINDS[key.unit], key.key).value
        except SpeedlogError as error:
            raise SpeedlogError(error.problem, file=file, todo=f"Write it like {example}.") from None
        gn = find_unit("gn", "acceleration")
        shown = gn.from_si(found) if key.unit == "g" and gn is not None else found
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise SpeedlogError(
            f"{key.key}: {plain(value, 40)} is not a number", file=file, todo=f"Write it like {example}."
        )
    else:
        found = shown = float(value)
    low, high = key.possible
    if not (math.isfinite(shown) and low <= shown <= high):
        unit = f" {key.unit}" if key.unit else ""
        raise SpeedlogError(
            f"{key.key}: {plain(value, 40)} can't be; it lies between {low:g} and {high:g}{unit}", file=file,
            todo=f"Usual: {usual(key)}.",
        )  # fmt: skip
    if key.whole and found != round(found):
        raise SpeedlogError(
            f"{key.key}: {plain(value, 40)} is not a whole number",
            file=file,
            todo=f"Write it like {example}.",
        )
    return float(found)


def usual(key: Key) -> str:
    """The usual range in the unit that the key is written in: "60 to 120 mm"."""
    low, high = key.typical
    unit = find_unit("mm", "length") if key.in_mm else None
    if unit is not None:
        return f"{unit.from_si(low):g} to {unit.from_si(high):g} mm"
    return f"{low:g} to {high:g} {_SHOWN.get(key.unit, key.unit)}".strip()


def _text(content: Mapping[str, Any], file: Path) -> str:
    name = content.get("name", "")
    if not isinstance(name, str):
        raise SpeedlogError(f"name: {plain(name, 40)} is not text", file=file, todo="Put it in quotes.")
    return name.strip()


def _passes(content: Mapping[str, Any], file: Path) -> tuple[str, ...]:
    listed = content.get("passes", [])
    if not isinstance(listed, list) or not all(
        isinstance(item, str | int) and not isinstance(item, bool) for item in listed
    ):
        raise SpeedlogError(
            "passes: not a list of passes",
            file=file,
            todo='Write it like passes = ["session.toml/2", "session.toml/9"].',
        )
    return tuple(str(item) for item in listed)


def write(key: Key, value: float) -> str:
    """A value as the file has it: `mass = "7.9 kg"`."""
    if not key.quoted:
        return f"{key.key} = {value:.5g}"
    if key.in_mm:
        unit = find_unit("mm", "length")
        assert unit is not None
        return f'{key.key} = "{unit.from_si(value):.5g} mm"'
    return f'{key.key} = "{value:.6g} {_SHOWN.get(key.unit, key.unit)}"'


def car_toml(name: str, passes: tuple[str, ...], known: Mapping[str, float]) -> str:
    """The text of a CAR.toml: what is known as it is, all else as a comment with its first guess.

    Args:
        known: by key, in the unit that `KEYS` names.
    """
    quoted = plain(name, 100).replace("\\", "\\\\").replace('"', '\\"')
    listed = ", ".join('"' + plain(item, 300).replace("\\", "/").replace('"', "") + '"' for item in passes)
    lines = [
        "# The car, for speedlog forecast. A line that begins with # is not read: take the # away to state it.",
        "# What is stated here begins the fit; the logs of the passes then tell how far it is so.", "",
        f'name = "{quoted}"', f"passes = [{listed}]",
    ]  # fmt: skip
    guesses = {part.key: part.guess for part in PARTS}
    for key in KEYS:
        if key.heading:
            lines += ["", f"# {key.heading}"]
        said = f"# {key.meaning}; usual {usual(key)}"
        value = known.get(key.key)
        head = (
            write(key, value)
            if value is not None
            else f"# {write(key, guesses.get(key.key, key.typical[0]))}"
        )
        lines.append(f"{head}  {said}")
    return "\n".join(lines) + "\n"
