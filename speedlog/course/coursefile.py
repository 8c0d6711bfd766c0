"""course.toml: the running line and the trap on it, read with one clear line for every mistake."""

from __future__ import annotations

import difflib
import json
import math
import os
import re
import tomllib
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speedlog.course.geometry import Line
from speedlog.course.located import WITNESS
from speedlog.errors import SpeedlogError, plain
from speedlog.units import Kind, parse_quantity

_BIGGEST_BYTES = 1_000_000  # a course is a dozen lines; more is another file


@dataclass(frozen=True)
class Key:
    """A number in course.toml: its table, what it is, its kind of unit, and the limits of reason."""

    table: str
    name: str
    meaning: str
    kind: Kind
    low: float
    high: float
    required: bool = False
    default: float | None = None

    @property
    def path(self) -> str:
        return f"[{self.table}] {self.name}"


KEYS: tuple[Key, ...] = (
    Key("line", "heading_deg", "true heading of the outbound direction", "angle", 0.0, 360.0, required=True),
    Key("line", "begin_m", "where the runway begins, below 0 behind the line's start", "length", -20_000.0, 20_000.0),
    Key("line", "end_m", "where the runway ends", "length", 1.0, 20_000.0),
    Key("trap", "entry_m", "the trap's first beam, along the line", "length", 0.0, 20_000.0, required=True),
    Key("trap", "exit_m", "the trap's second beam, along the line", "length", 0.0, 20_000.0, required=True),
    Key("trap", "timer_resolution_s", "step of each beam's time stamp", "time", 0.0, 1.0, default=0.001),
    Key("trap", "length_u_m", "standard uncertainty of the trap's length", "length", 0.0, 10.0, default=0.02),
    Key("trap", "place_u_m", "standard uncertainty of the trap's place", "length", 0.0, 100.0, default=0.0),
)  # fmt: skip
_KNOWN: dict[str, tuple[str, ...]] = {
    "": ("name", "time_zone", "line", "trap"),
    "line": ("start", *(key.name for key in KEYS if key.table == "line")),
    "trap": (*(key.name for key in KEYS if key.table == "trap"), "located_from"),
}
_SHORTEST_TRAP_M = 0.1  # two beams closer than a hand are one beam


@dataclass(frozen=True)
class Course:
    """A running line and the trap on it.

    Attributes:
        line: outbound.
        entry_m, exit_m: the trap, metres along the line from its start, entry < exit.
        end_m: where the runway ends, metres along the line; None if not given.
        begin_m: where the runway begins, the same way; None if not given.
        time_zone: IANA name; None if not given.
        timer_resolution_s: step of each beam's time stamp.
        length_u_m: standard uncertainty of the trap's length (by tape).
        place_u_m: standard uncertainty of where the trap lies, in the logs' frame.
        defaulted: the names of the last three that were not given.
        located_from: the passes whose trap figures told where the trap is, as `course.located` writes
            them; empty where the trap was placed by other means. Those passes can't confirm it.
    """

    name: str
    line: Line
    entry_m: float
    exit_m: float
    end_m: float | None = None
    time_zone: str | None = None
    timer_resolution_s: float = 0.001
    length_u_m: float = 0.02
    place_u_m: float = 0.0
    defaulted: tuple[str, ...] = ()
    located_from: tuple[str, ...] = ()
    begin_m: float | None = None

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Course:
        """Read a course.toml.

        Raises:
            SpeedlogError: the file can't be read, is no TOML, or says something wrong; with file and key.
        """
        return cls.from_mapping(_read_toml(Path(path)), path)

    @classmethod
    def from_mapping(cls, content: Mapping[str, Any], file: str | os.PathLike[str] | None = None) -> Course:
        """A course from a parsed TOML table; errors as in `load`."""
        _refuse_unknown(content, file)
        numbers = {key.name: _number(content, key, file) for key in KEYS}
        heading, entry, end = numbers["heading_deg"], numbers["entry_m"], numbers["exit_m"]
        assert heading is not None and entry is not None and end is not None  # required keys
        lat, lon = _start(content, file)
        _check_trap(entry, end, file)
        _check_runway(numbers["begin_m"], entry, end, numbers["end_m"], file)
        return cls(
            name=_text(content, "name", file, required=True) or "",
            line=Line(lat, lon, heading % 360.0),
            entry_m=entry,
            exit_m=end,
            end_m=numbers["end_m"],
            begin_m=numbers["begin_m"],
            time_zone=_time_zone(content, file),
            located_from=_located_from(content, file),
            defaulted=tuple(
                key.name for key in KEYS if key.default is not None and numbers[key.name] is None
            ),
            **{
                key.name: key.default if numbers[key.name] is None else numbers[key.name]
                for key in KEYS
                if key.default is not None
            },  # type: ignore[arg-type]
        )

    def room_m(self, outbound: bool) -> float | None:
        """From the trap's last beam to where the runway ends in that direction, m; None if not given."""
        if outbound:
            return None if self.end_m is None else self.end_m - self.exit_m
        return None if self.begin_m is None else self.entry_m - self.begin_m

    def to_toml(self) -> str:
        """The course as the text of a course.toml; `load` reads the same course from it."""
        lines = [f"name = {toml_string(self.name)}"]
        if self.time_zone is not None:
            lines.append(f"time_zone = {toml_string(self.time_zone)}")
        lines += [
            "",
            "[line]  # outbound direction",
            f"start = [{self.line.lat_deg!r}, {self.line.lon_deg!r}]  # latitude, longitude, WGS 84, degrees",
            f"heading_deg = {self.line.heading_deg!r}  # true",
        ]
        if self.begin_m is not None:
            lines.append(f"begin_m = {self.begin_m!r}")
        if self.end_m is not None:
            lines.append(f"end_m = {self.end_m!r}")
        lines += ["", "[trap]  # metres along the line from its start", f"entry_m = {self.entry_m!r}"]
        lines.append(f"exit_m = {self.exit_m!r}")
        lines += [
            f"{key.name} = {getattr(self, key.name)!r}  # {key.meaning}"
            for key in KEYS
            if key.default is not None and key.name not in self.defaulted
        ]
        if self.located_from:
            lines += [
                "# the trap's place was found from the figures of these passes: they can't confirm it",
                "located_from = [",
                *(f"  {toml_string(item)}," for item in self.located_from),
                "]",
            ]
        return "\n".join(lines) + "\n"

    @property
    def length_m(self) -> float:
        return self.exit_m - self.entry_m


def toml_string(text: str) -> str:
    """A TOML basic string (TOML 1.0, "String"): JSON's escapes, and the delete character's too."""
    sound = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(sound, ensure_ascii=False).replace("\x7f", "\\u007f")


def check_time_zone(name: str, file: str | os.PathLike[str] | None = None) -> str:
    """The IANA name itself, if this computer knows it.

    Raises:
        SpeedlogError: no such time zone; the nearest known names are named.
    """
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(name, sorted(zoneinfo.available_timezones()), n=2)
        hint = " or ".join(f'"{item}"' for item in near) or '"Europe/Lisbon"'
        raise SpeedlogError(
            f'time_zone "{plain(name)}" is no time zone',
            file=file,
            todo=f"Write an IANA name such as {hint}.",
        ) from None
    return name


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise SpeedlogError("no such file", file=path, todo="Make one with: speedlog course --help") from None
    except OSError as error:
        raise SpeedlogError(f"can't be read ({error.strerror})", file=path) from None
    if len(data) > _BIGGEST_BYTES:
        raise SpeedlogError(
            "too big for a course", file=path, todo="Give the course.toml here, the logs elsewhere."
        )
    try:
        text = data.decode("utf-8-sig")  # editors on Windows put a mark before the text
    except UnicodeDecodeError:
        raise SpeedlogError("is not UTF-8 text", file=path, todo="Save it as UTF-8.") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problem, line = _where(str(error), text)
        raise SpeedlogError(
            f"not TOML: {problem}", file=path, line=line, todo="Compare it with one made by: speedlog course"
        ) from None
    except RecursionError:
        raise SpeedlogError("not a course: nested too deeply", file=path) from None


def _where(message: str, text: str) -> tuple[str, int]:
    """What the parser says, and on which line; "at end of document" is the last line written."""
    found = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)\s*$", message)
    last = len(text.rstrip().splitlines()) or 1
    if not found:
        return plain(message), last
    return plain(message[: found.start()]), int(found.group(1) or last)


def _refuse_unknown(content: Mapping[str, Any], file: str | os.PathLike[str] | None) -> None:
    for table in ("", "line", "trap"):
        inside = content if not table else content.get(table, {})
        if not isinstance(inside, Mapping):
            raise SpeedlogError(
                f"{table} must be a table", file=file, todo=f"Write [{table}] on a line of its own."
            )
        for name in inside:
            if name in _KNOWN[table]:
                continue
            near = difflib.get_close_matches(str(name), _KNOWN[table], n=1)
            where = f" in [{table}]" if table else ""
            home = next((key for key in ("line", "trap") if name in _KNOWN[key]), None)
            if near:
                todo = f'Did you mean "{near[0]}"?'
            elif home:
                todo = f"It belongs in [{home}]."
            else:
                todo = f"Known here: {', '.join(_KNOWN[table])}."
            raise SpeedlogError(f'unknown key "{plain(name)}"{where}', file=file, todo=todo)


def _number(content: Mapping[str, Any], key: Key, file: str | os.PathLike[str] | None) -> float | None:
    table = content.get(key.table, {})
    if key.name not in table:
        if key.required:
            raise SpeedlogError(f"{key.path} is missing ({key.meaning})", file=file, todo="Add it.")
        return None
    value = table[key.name]
    if isinstance(value, str):
        try:
            value = parse_quantity(value, key.kind, key.path).value
        except SpeedlogError as error:
            raise SpeedlogError(error.problem, file=file, todo=error.todo) from None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SpeedlogError(f"{key.path} must be a number ({key.meaning})", file=file, todo=_example(key))
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not key.low <= number <= key.high:  # refuses NaN too
        raise SpeedlogError(
            f"{key.path} is {plain(number)}, expected {key.low:g} to {key.high:g} ({key.meaning})", file=file
        )
    return number


def _example(key: Key) -> str:
    examples = {
        "heading_deg": "75.0",
        "entry_m": "520.0",
        "exit_m": "550.0",
        "end_m": "1800.0",
        "begin_m": "-50.0",
    }
    return f"Write it like {key.name} = {examples.get(key.name, key.default)}."


def _start(content: Mapping[str, Any], file: str | os.PathLike[str] | None) -> tuple[float, float]:
    todo = "Write it like start = [53.10000, -1.20000]: latitude, longitude, degrees."
    value = content.get("line", {}).get("start")
    if value is None:
        raise SpeedlogError("[line] start is missing (where the line starts)", file=file, todo=todo)
    pair = isinstance(value, list) and len(value) == 2
    if not pair or any(isinstance(item, bool) or not isinstance(item, (int, float)) for item in value):
        raise SpeedlogError("[line] start must be two numbers", file=file, todo=todo)
    return check_place(value[0], value[1], "[line] start", file)


def check_place(
    lat: float, lon: float, what: str, file: str | os.PathLike[str] | None = None
) -> tuple[float, float]:
    """Latitude and longitude as floats, if they are on the Earth.

    Raises:
        SpeedlogError: out of range.
    """
    for name, value, limit in (("latitude", lat, 90), ("longitude", lon, 180)):
        if not abs(value) <= limit:
            raise SpeedlogError(
                f"{what}: {name} {plain(value, 30)} is not between -{limit} and {limit}",
                file=file,
                todo="Latitude comes first, then longitude.",
            )
    return float(lat), float(lon)


def _check_trap(entry: float, end: float, file: str | os.PathLike[str] | None) -> None:
    if entry >= end:
        raise SpeedlogError(
            f"[trap] entry_m ({entry:g}) must be less than exit_m ({end:g})",
            file=file,
            todo="Both count along the outbound direction.",
        )
    if end - entry < _SHORTEST_TRAP_M:
        raise SpeedlogError(
            f"[trap] is only {end - entry:g} m long", file=file, todo="Give both beams in metres."
        )


def _check_runway(
    begin: float | None,
    entry: float,
    end: float,
    runway_end: float | None,
    file: str | os.PathLike[str] | None,
) -> None:
    if begin is not None and begin > entry:
        raise SpeedlogError(
            f"[line] begin_m ({begin:g}) lies behind the trap's entry_m ({entry:g})",
            file=file,
            todo="Check both.",
        )
    if runway_end is not None and runway_end < end:
        raise SpeedlogError(
            f"[line] end_m ({runway_end:g}) lies before the trap's exit_m ({end:g})",
            file=file,
            todo="Check both.",
        )


def _text(
    content: Mapping[str, Any], name: str, file: str | os.PathLike[str] | None, *, required: bool = False
) -> str | None:
    value = content.get(name)
    if value is None and not required:
        return None
    if value is None:
        raise SpeedlogError(
            f"{name} is missing", file=file, todo=f'Write it like {name} = "…" on the first line.'
        )
    if not isinstance(value, str) or not value.strip():
        raise SpeedlogError(f"{name} must be text", file=file, todo=f'Write it like {name} = "…".')
    return value


def _located_from(content: Mapping[str, Any], file: str | os.PathLike[str] | None) -> tuple[str, ...]:
    value = content.get("trap", {}).get("located_from", [])
    todo = "Leave it as speedlog course locate wrote it: it marks the passes that can't confirm the place."
    if not isinstance(value, list):
        raise SpeedlogError("[trap] located_from must be a list", file=file, todo=todo)
    for item in value:
        if not isinstance(item, str) or not WITNESS.match(item):
            raise SpeedlogError(
                f"[trap] located_from: {plain(item, 40)} is no pass of a log", file=file, todo=todo
            )
    return tuple(value)


def _time_zone(content: Mapping[str, Any], file: str | os.PathLike[str] | None) -> str | None:
    name = _text(content, "time_zone", file)
    return None if name is None else check_time_zone(name, file)
