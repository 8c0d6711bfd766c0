"""The part of review.schema.json that says what a car's results look like, written from their dataclasses.

`python -m tests.car_schema` puts it into the package's file; a test holds the two equal.
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, get_args, get_origin, get_type_hints

import speedlog
from speedlog.results_car import CarPass
from speedlog.results_quantity import Quantity95

FILE = Path(speedlog.__file__).parent / "review.schema.json"
QUANTITY = {
    "type": "object",
    "required": ["value", "interval95"],
    "properties": {
        "value": {"$ref": "#/$defs/number_or_null"},
        "interval95": {
            "type": "array",
            "items": {"$ref": "#/$defs/number_or_null"},
            "minItems": 2,
            "maxItems": 2,
        },
    },
}
_SIMPLE: Mapping[Any, Any] = {
    float: {"type": "number"}, int: {"type": "integer"}, str: {"type": "string"}, bool: {"type": "boolean"},
    type(None): {"type": "null"},
}  # fmt: skip


def definitions() -> dict[str, Any]:
    """Every type under `CarPass` as a $def named "car_…"."""
    found: dict[str, Any] = {"quantity": QUANTITY}
    _define(CarPass, found)
    return found


def _name(of: type) -> str:
    return "car_" + "".join(
        f"_{letter.lower()}" if letter.isupper() else letter for letter in of.__name__
    ).strip("_")


def _define(of: type, found: dict[str, Any]) -> dict[str, str]:
    name = _name(of)
    if name not in found:
        found[name] = {}  # seen
        hints = get_type_hints(of)
        found[name] = {
            "type": "object",
            "required": [item.name for item in fields(of)],
            "properties": {item.name: _schema(hints[item.name], found) for item in fields(of)},
        }
    return {"$ref": f"#/$defs/{name}"}


def _schema(hint: Any, found: dict[str, Any]) -> dict[str, Any]:
    if hint is Quantity95:
        return {"$ref": "#/$defs/quantity"}
    if hint is float:  # what is no number is null
        return {"$ref": "#/$defs/number_or_null"}
    if hint in _SIMPLE:
        return dict(_SIMPLE[hint])
    if is_dataclass(hint) and isinstance(hint, type):
        return dict(_define(hint, found))
    origin, inside = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": list(inside)}
    if origin in (typing.Union, types.UnionType):
        return {"oneOf": [_schema(item, found) for item in inside if item is not type(None)] + [{"type": "null"}]} if (
            float not in inside) else {"$ref": "#/$defs/number_or_null"}  # fmt: skip
    if origin is tuple:
        return {"type": "array", "items": _schema(inside[0], found)}
    if origin is not None and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _schema(inside[1], found)}
    raise TypeError(f"no schema for {hint}")


def whole() -> dict[str, Any]:
    """The package's schema with this part made anew."""
    there: dict[str, Any] = json.loads(FILE.read_text("utf-8"))
    kept = {
        name: item
        for name, item in there["$defs"].items()
        if name != "quantity" and not name.startswith("car_")
    }
    there["$defs"] = kept | definitions()
    there["$defs"]["pass"]["properties"]["car"] = {
        "oneOf": [{"$ref": "#/$defs/car_car_pass"}, {"type": "null"}],
        "description": "what the pass cost the car, and what was left in it; why_not says under a field's name why it "
        "can't be told; left, stopping and road_load are null where they were not asked for",
    }
    return there


if __name__ == "__main__":
    text = FILE.read_text("utf-8")
    made = whole()
    before, _, _ = text.partition('  "quantity": ')
    lines = [f'  "{name}": {json.dumps(item, ensure_ascii=False)}' for name, item in made["$defs"].items()
             if name == "quantity" or name.startswith("car_")]  # fmt: skip
    if before == text:  # the first time: behind the last definition
        before = text.rstrip().removesuffix("}").rstrip().removesuffix("}").rstrip() + ",\n"
    FILE.write_text(before + ",\n".join(lines) + "\n }\n}\n", encoding="utf-8", newline="\n")
