"""The user's own mapping of a table, `--columns map.toml`: for anything that its headers do not say.

    files = ["esc*.csv"]        # optional: only for files of these names
    separator = ";"             # "," ";" "|" "tab" "blanks"
    decimal = ","               # "." ","
    encoding = "latin-1"        # "utf-8" "utf-16" "latin-1"
    header_line = 7             # 0: the file has no header
    date_order = "day first"    # "day first" "month first" "year first"
    utc_offset = "+02:00"       # of times without a zone
    ignore = ["Wheel speed"]    # headers never to be used

    [columns]                   # what is not named here is still read by its header
    time = { header = "t", form = "elapsed", unit = "ms" }
    speed_mps = { header = "V", unit = "km/h" }
    rpm = { column = 5, electrical = true }
    throttle = { column = 6, low = 1000, high = 2000 }

`column` counts from 1. Every mistake is one line that names the file and the key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping as Dict
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path, PurePath
from typing import Any, NoReturn, TypeVar

from speedlog.errors import SpeedlogError, plain
from speedlog.importers.columns import KINDS
from speedlog.importers.delimited_dates import Order
from speedlog.units import Unit, find_unit, symbols

T = TypeVar("T", bound=str)
FORMS = {
    "time": ("date and time", "time of day", "elapsed", "epoch"),
    "fix": ("quality", "mode", "valid"),
}
_SEPARATORS = {",": ",", ";": ";", "|": "|", "\t": "\t", "tab": "\t", "blanks": " ", " ": " "}
_ENCODINGS = {"utf-8": "utf-8", "utf-16": "utf-16", "latin-1": "latin-1"}
_DECIMALS = {".": ".", ",": ","}
_ORDERS: dict[str, Order] = {"day first": "dmy", "month first": "mdy", "year first": "ymd"}
_TOP = (
    "files", "separator", "decimal", "encoding", "header_line", "date_order", "utc_offset", "ignore",
    "columns",
)  # fmt: skip
_CHOICE = ("header", "column", "unit", "form", "electrical", "low", "high", "of")
_BIGGEST_FILE = 1 << 20  # bytes; a mapping is a page of text


@dataclass(frozen=True)
class Choice:
    """Where one column of the common table comes from (exactly one of `header` and `column`)."""

    header: str | None = None
    column: int | None = None
    unit: Unit | None = None
    form: str | None = None
    electrical: bool = False
    low: float | None = None
    high: float | None = None
    of: str | None = None


@dataclass(frozen=True)
class Mapping:
    """What the user says about a table; everything None where nothing is said."""

    columns: Dict[str, Choice] = field(default_factory=dict)
    separator: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    header_line: int | None = None
    date_order: Order | None = None
    zone_minutes: int | None = None
    ignore: tuple[str, ...] = ()
    path: Path | None = None


def load_mapping(path: Path | None, file: str) -> Mapping:
    """The mapping for one log file; an empty one without a path, or where `files` names others.

    Raises:
        SpeedlogError: the mapping can't be read, or holds a mistake (file and key are named).
    """
    if path is None:
        return Mapping()
    try:
        data = path.read_bytes()[:_BIGGEST_FILE]
        content = tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise SpeedlogError(f"can't be read ({error.strerror})", file=path, todo="Check the name.") from None
    except UnicodeDecodeError:
        raise SpeedlogError("is not UTF-8 text", file=path, todo="Save it as UTF-8.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SpeedlogError(f"is not TOML: {error}", file=path, todo="Check the line named.") from None
    names = _texts(path, content, "files")
    mapping = _mapping(path, content)
    shown = PurePath(file.replace("\\", "/")).name
    return mapping if not names or any(fnmatchcase(shown, name) for name in names) else Mapping()


def _mapping(path: Path, content: dict[str, Any]) -> Mapping:
    _known(path, content, _TOP, "")
    columns = content.get("columns", {})
    if not isinstance(columns, dict):
        _wrong(path, "columns", "is no table", "Write [columns] and the columns below it.")
    _known(path, columns, tuple(KINDS), "columns.")
    line = content.get("header_line")
    if line is not None and (type(line) is not int or not 0 <= line <= 100_000):
        _wrong(path, "header_line", "is no line number", "Write the line of the header, from 1; 0 for none.")
    choices = {name: _choice(path, name, item) for name, item in columns.items()}
    for name, choice in choices.items():
        if line == 0 and choice.header is not None:
            _wrong(
                path, f"columns.{name}", "names a header, but header_line is 0", "Write column = 1 and so on."
            )
    return Mapping(
        choices,
        _one_of(path, content, "separator", _SEPARATORS),
        _one_of(path, content, "decimal", _DECIMALS),
        _one_of(path, content, "encoding", _ENCODINGS),
        line,
        _one_of(path, content, "date_order", _ORDERS),
        _offset(path, content),
        tuple(_texts(path, content, "ignore")),
        path,
    )


def _choice(path: Path, name: str, item: Any) -> Choice:
    key = f"columns.{name}"
    if isinstance(item, str):
        return Choice(header=item.strip())
    if not isinstance(item, dict):
        _wrong(path, key, "is no table", f'Write {name} = {{ header = "…", unit = "…" }}.')
    _known(path, item, _CHOICE, f"{key}.")
    header, column = item.get("header"), item.get("column")
    if (header is None) == (column is None):
        _wrong(
            path, key, "needs a header or a column number, one of them", f'Write {name} = {{ header = "…" }}.'
        )
    if header is not None and not isinstance(header, str):
        _wrong(path, f"{key}.header", "is no text", 'Write header = "…", as in the file.')
    if column is not None and (type(column) is not int or not 1 <= column <= 100_000):
        _wrong(path, f"{key}.column", "is no column number", "Columns count from 1.")
    electrical = item.get("electrical", False)
    if type(electrical) is not bool or ("electrical" in item and name != "rpm"):
        _wrong(path, f"{key}.electrical", "says nothing here", "Only rpm takes electrical = true or false.")
    of = item.get("of")
    if of is not None and (name != "current_a" or of not in ("pack", "motor")):
        _wrong(path, f"{key}.of", "says nothing here", 'Only current_a takes of = "pack" or "motor".')
    low, high = _bounds(path, key, name, item)
    return Choice(
        None if header is None else header.strip(), column, _unit(path, key, name, item.get("unit")),
        _form(path, key, name, item.get("form")), electrical, low, high, of,
    )  # fmt: skip


def _bounds(path: Path, key: str, name: str, item: dict[str, Any]) -> tuple[float | None, float | None]:
    low, high = item.get("low"), item.get("high")
    if low is None and high is None:
        return None, None
    ends = [float(end) for end in (low, high) if isinstance(end, int | float) and not isinstance(end, bool)]
    if name != "throttle" or len(ends) != 2 or not ends[0] < ends[1]:
        _wrong(
            path,
            f"{key}.low",
            "and high do not fit",
            "Only throttle takes both, low for none and high for full.",
        )
    return ends[0], ends[1]


def _unit(path: Path, key: str, name: str, text: Any) -> Unit | None:
    kind = KINDS[name]
    if text is None:
        return None
    if kind is None:
        _wrong(path, f"{key}.unit", f"says nothing here: {name} has no unit", "Leave it out.")
    unit = find_unit(text, kind) if isinstance(text, str) else None
    if unit is None:
        _wrong(path, f"{key}.unit", f'"{plain(text)}" is no unit of {kind}', f"Allowed: {symbols(kind)}.")
    return unit


def _form(path: Path, key: str, name: str, text: Any) -> str | None:
    if text is None:
        return None
    allowed = FORMS.get(name, ())
    if text not in allowed:
        todo = f"Allowed: {', '.join(allowed)}." if allowed else "Only time and fix take a form."
        _wrong(path, f"{key}.form", f'"{plain(text)}" is not known', todo)
    return str(text)


def _offset(path: Path, content: dict[str, Any]) -> int | None:
    text = content.get("utc_offset")
    if text is None:
        return None
    found = re.fullmatch(r"([+-])(\d{2}):(\d{2})", text) if isinstance(text, str) else None
    if not found or int(found[2]) > 14 or int(found[3]) > 59:
        _wrong(path, "utc_offset", f'"{plain(text)}" is no offset', 'Write it like "+02:00".')
    return int(found[1] + "1") * (60 * int(found[2]) + int(found[3]))


def _one_of(path: Path, content: dict[str, Any], key: str, allowed: dict[str, T]) -> T | None:
    value = content.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or value not in allowed:
        shown = ", ".join(f'"{name}"' for name in allowed if name.strip())
        _wrong(path, key, f'"{plain(value)}" is not known', f"Allowed: {shown}.")
    return allowed[value]


def _texts(path: Path, content: dict[str, Any], key: str) -> list[str]:
    value = content.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        _wrong(path, key, "is no list of texts", f'Write {key} = ["…"].')
    return value


def _known(path: Path, content: dict[str, Any], allowed: tuple[str, ...], prefix: str) -> None:
    for key in content:
        if key not in allowed:
            _wrong(path, f"{prefix}{key}", "is not known", f"Allowed: {', '.join(allowed)}.")


def _wrong(path: Path, key: str, problem: str, todo: str) -> NoReturn:
    raise SpeedlogError(f"{plain(key)} {problem}", file=path, todo=todo)
