"""Speeds of kept passes with their intervals, and when a difference is more than noise.

A gain counts as beyond the noise where it exceeds the uncertainty of both figures, √(U₁² + U₂²), with U
half of the 95 % interval (the denominator of En, ISO/IEC 17043).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from speedlog.errors import SpeedlogError
from speedlog.logbook.rows import PassRow
from speedlog.units import find_unit, parse_quantity

LadderName = Literal["trap", "gnss"]
DOUBTFUL = "trap_figure_doubtful"


@dataclass(frozen=True)
class Figure:
    """A speed; its 95 % interval is None where nothing is known of its uncertainty."""

    mps: float
    low_mps: float | None = None
    high_mps: float | None = None

    @property
    def half_mps(self) -> float | None:
        """U, half of the interval."""
        if self.low_mps is None or self.high_mps is None:
            return None
        return (self.high_mps - self.low_mps) / 2

    def as_json(self) -> dict[str, Any]:
        interval = None if self.half_mps is None else [self.low_mps, self.high_mps]
        return {"speed_mps": self.mps, "interval95_mps": interval}


@dataclass(frozen=True)
class Gain:
    """What a figure is above another.

    Attributes:
        u95_mps: √(U₁² + U₂²); None where one of them is unknown.
        beyond: whether the gain is more than that; None where it can't be told.
    """

    mps: float
    u95_mps: float | None

    @property
    def beyond(self) -> bool | None:
        return None if self.u95_mps is None else abs(self.mps) > self.u95_mps

    def as_json(self) -> dict[str, Any]:
        return {"gain_mps": self.mps, "gain_u95_mps": self.u95_mps, "beyond_noise": self.beyond}


def gain(new: Figure, old: Figure) -> Gain:
    """How far `new` is above `old`, with what their uncertainties make of it."""
    halves = (new.half_mps, old.half_mps)
    known = halves[0] is not None and halves[1] is not None
    return Gain(new.mps - old.mps, math.hypot(*halves) if known else None)  # type: ignore[arg-type]


def official(row: PassRow) -> Figure | None:
    """The trap figure; as read out, where no review gave it an interval (nothing was logged, or no course)."""
    found = row.result
    if found is not None and found.official_mps is not None:
        return Figure(found.official_mps, found.official_low_mps, found.official_high_mps)
    if row.trap_text is None:
        return None
    try:
        return Figure(parse_quantity(row.trap_text, "speed", "trap figure").value)
    except SpeedlogError:  # a time, which is no speed without the trap's length
        return None


def peak(row: PassRow) -> Figure | None:
    """The fastest moment by the estimate, made without the trap figure."""
    found = row.result
    if found is None or found.peak_mps is None:
        return None
    return Figure(found.peak_mps, found.peak_low_mps, found.peak_high_mps)


def estimate(row: PassRow) -> Figure | None:
    """The estimate of the speed through the trap, made without the trap figure."""
    found = row.result
    if found is None or found.estimate_mps is None:
        return None
    return Figure(found.estimate_mps, found.estimate_low_mps, found.estimate_high_mps)


def doubtful(row: PassRow) -> bool:
    """Whether the logs speak against this pass's trap figure."""
    return row.result is not None and row.result.verdict == DOUBTFUL


def moment(row: PassRow) -> datetime | None:
    """When it went through the trap, or began; None where nothing was logged."""
    text = (row.result.entry_utc if row.result else None) or row.start_utc
    if text is None:
        return None
    head, _, fraction = text.removesuffix("Z").partition(".")  # nanoseconds are more than datetime takes
    return datetime.fromisoformat(f"{head}.{fraction[:6] or '0'}").replace(tzinfo=UTC)


def in_order(rows: Iterable[PassRow]) -> list[PassRow]:
    """By the time they were driven; a pass without a clock stands by its number among those of its session."""
    of_session: dict[int, list[PassRow]] = {}
    for row in rows:
        of_session.setdefault(row.session_id, []).append(row)
    keyed: list[tuple[datetime, int, int, PassRow]] = []
    for found in of_session.values():
        found.sort(key=lambda row: (row.number, row.id))
        first = next((at for row in found if (at := moment(row)) is not None), None)
        last = first or _day(found[0].date)
        for row in found:
            last = moment(row) or last
            keyed.append((last, row.number, row.id, row))
    return [row for *_, row in sorted(keyed, key=lambda item: item[:3])]


def _day(date: str | None) -> datetime:
    return datetime.fromisoformat(date).replace(tzinfo=UTC) if date else datetime.min.replace(tzinfo=UTC)


def figure_unit(rows: Iterable[PassRow]) -> str | None:
    """The speed unit in which most trap figures were given, or None."""
    counts: dict[str, int] = {}
    for row in rows:
        unit = find_unit((row.trap_text or "").strip().lstrip("+-0123456789.,eE "), "speed")
        if unit is not None:
            counts[unit.symbol] = counts.get(unit.symbol, 0) + 1
    return max(counts, key=lambda symbol: counts[symbol]) if counts else None
