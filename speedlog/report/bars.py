"""Interval bars for tables: a dot with its 95 % interval, all rows of a table on one scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from speedlog.results import Interval


@dataclass(frozen=True)
class Bar:
    """One row: a value and its interval, m/s. `look` is the class that styles it."""

    value: float | None
    interval: Interval | None
    look: str


@dataclass(frozen=True)
class Scale:
    low: float
    high: float

    def percent(self, value: float) -> float:
        return round(100 * (value - self.low) / (self.high - self.low), 2)


def scale(bars: Sequence[Bar]) -> Scale | None:
    """A scale that holds every row, with some air; None when there is nothing to show."""
    values = [edge for bar in bars for edge in (bar.interval or ())]
    values += [bar.value for bar in bars if bar.value is not None]
    if not values:
        return None
    air = max(0.08 * (max(values) - min(values)), 0.05)
    return Scale(min(values) - air, max(values) + air)


def draw(bar: Bar, on: Scale | None, reference: Interval | None = None) -> Markup:
    """The bar as inline SVG; `reference` is shaded behind it (the trap figure's own interval)."""
    if on is None or bar.value is None:
        return Markup("")
    parts = []
    if reference is not None:
        left, right = on.percent(reference[0]), on.percent(reference[1])
        parts.append(
            f'<rect class="ref" x="{left}%" width="{max(right - left, 0.4):.2f}%" y="0" height="22"/>'
        )
    if bar.interval is not None:
        left, right = (on.percent(edge) for edge in bar.interval)
        parts.append(f'<line class="reach" x1="{left}%" x2="{right}%" y1="11" y2="11"/>')
        parts += [f'<line class="reach" x1="{at}%" x2="{at}%" y1="7" y2="15"/>' for at in (left, right)]
    parts.append(f'<circle cx="{on.percent(bar.value)}%" cy="11" r="4.5"/>')
    shapes = Markup("".join(parts))  # numbers only: nothing of a stranger's is in it
    return Markup('<svg class="bar {}" width="100%" height="22" aria-hidden="true">{}</svg>').format(
        bar.look, shapes
    )
