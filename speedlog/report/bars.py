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


def draw(bar: Bar, on: Scale | None, reference: Interval | None = None, height: int = 22) -> Markup:
    """The bar as inline SVG; `reference` is shaded behind it (the trap figure's own interval)."""
    if on is None or bar.value is None:
        return Markup("")
    parts, middle = [], height // 2
    if reference is not None:
        left, right = on.percent(reference[0]), on.percent(reference[1])
        width = max(right - left, 0.4)
        parts.append(f'<rect class="ref" x="{left}%" width="{width:.2f}%" y="0" height="{height}"/>')
    if bar.interval is not None:
        ends = [on.percent(edge) for edge in bar.interval]
        lines = [(*ends, middle, middle), *((end, end, middle - 4, middle + 4) for end in ends)]
        parts += [f'<line class="reach" x1="{a}%" x2="{b}%" y1="{c}" y2="{d}"/>' for a, b, c, d in lines]
    parts.append(f'<circle cx="{on.percent(bar.value)}%" cy="{middle}" r="4.5"/>')
    shapes = Markup("".join(parts))  # numbers only: nothing of a stranger's is in it
    frame = Markup('<svg class="bar {}" width="100%" height="{}" aria-hidden="true">{}</svg>')
    return frame.format(bar.look, height, shapes)
