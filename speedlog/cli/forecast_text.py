"""A forecast as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speedlog.cli.season_text import aligned
from speedlog.errors import plain
from speedlog.report import forecast_words as words
from speedlog.report.numbers import as_text

if TYPE_CHECKING:
    from speedlog.units import Unit
    from speedlog.vehicle.target import Told


def in_words(found: Told, unit: Unit) -> str:
    """The forecast for a terminal: what was not checked comes first."""
    name = f"{plain(found.name, 60)}: " if found.name else ""
    parts = [plain(words.checked(found.told, found.known), 1000), name + words.planned(found)]
    parts += [f"! {text}" for text in words.warnings(found)]
    table = [[label, as_text(text, unit)] for label, text in words.rows(found.told, found.known.makers)]
    parts.append("\n".join(f"  {line}" for line in aligned(table).splitlines()))
    if found.target_mps is not None:
        target = as_text(words.to_reach(found), unit)
        told = [as_text(words.way(item, found.target_mps, found.known), unit) for item in found.ways]
        parts.append("\n".join([f"{target}, one thing at a time:", *(f"  {line}" for line in told)]))
    if found.swept is not None:
        parts.append(_sweep(found, unit))
    parts.append(plain(words.fitted_line(found.known), 1000))
    parts += [f"Taken: {text}." for text in words.assumed(found.known)]
    parts.append(words.CAUTION)
    return "\n\n".join(parts)


def _sweep(found: Told, unit: Unit) -> str:
    swept = found.swept
    assert swept is not None
    head = [words.knob_name(swept.key), f"trap, {unit.symbol}", "95 %", "stops in, m", "95 %"]
    rows = [[as_text(cell, unit) for cell in row] for row in words.sweep_rows(swept)]
    end = words.runway_end(swept.forecasts[0].stopping.room_m)
    return f"{aligned([head, *rows])}\n{end}"
