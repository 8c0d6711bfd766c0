"""Plain-text tables and a JSON file beside them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def text_table(rows: Sequence[Mapping[str, Any]], digits: Mapping[str, int] | None = None) -> str:
    """Rows of one form as aligned text; numbers to the digits named, else three."""
    if not rows:
        return "(nothing)"
    names = list(rows[0])

    def cell(name: str, value: Any) -> str:
        if isinstance(value, bool) or value is None:
            return "-" if value is None else str(value)
        if isinstance(value, float):
            return "-" if value != value else f"{value:.{(digits or {}).get(name, 3)}f}"
        return str(value)

    cells = [[cell(name, row.get(name)) for name in names] for row in rows]
    widths = [max(len(name), *(len(row[k]) for row in cells)) for k, name in enumerate(names)]
    left = [isinstance(rows[0][name], str) for name in names]

    def line(parts: Sequence[str]) -> str:
        pairs = zip(parts, widths, left, strict=True)
        return "  ".join(
            part.ljust(width) if flush else part.rjust(width) for part, width, flush in pairs
        ).rstrip()

    return "\n".join([line(names), line(["-" * width for width in widths]), *(line(row) for row in cells)])


def save_json(path: Path | None, content: Mapping[str, Any]) -> None:
    """Write the figures to a file, where one was asked for (NaN as null)."""
    if path is None:
        return
    path.write_text(json.dumps(_clean(content), indent=1) + "\n", encoding="utf-8", newline="\n")


def _clean(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _clean(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(item) for item in value]
    return None if isinstance(value, float) and value != value else value
