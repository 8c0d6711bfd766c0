"""Charts of plain SVG that need no script to be drawn: places across in percent, so that any width will do.

A chart's speeds carry their unit through the ticks: one set for each unit, of which the page shows one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from speedlog.report.numbers import DIGITS, speed_unit
from speedlog.units import Unit


@dataclass(frozen=True)
class Frame:
    """The chart's area: speeds from `low_mps` to `high_mps` up, places from `left` to `right` across.

    `top_px` of air above the area and `foot_px` below it.
    """

    left: float
    right: float
    low_mps: float
    high_mps: float
    height_px: int
    top_px: int = 14
    foot_px: int = 30

    @property
    def whole_px(self) -> int:
        return self.top_px + self.height_px + self.foot_px

    @property
    def bottom_px(self) -> int:
        return self.top_px + self.height_px

    def x(self, value: float) -> float:
        """Percent of the width."""
        return round(100 * (value - self.left) / (self.right - self.left), 3)

    def y(self, speed_mps: float) -> float:
        """Pixels from the top."""
        share = (self.high_mps - speed_mps) / (self.high_mps - self.low_mps)
        return round(self.top_px + share * self.height_px, 1)


def nice_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 times a power of ten of which at most `most` fit into `span`."""
    least = span / max(most, 1)
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * k for k in (1, 2, 5, 10) if power * k >= least * (1 - 1e-9))


def around(speeds: Sequence[float], least_mps: float = 2.0) -> tuple[float, float]:
    """Ends of an axis that holds all speeds, with some air."""
    low, high = min(speeds), max(speeds)
    air = max(0.06 * (high - low), (least_mps - (high - low)) / 2, 0.3)
    return max(low - air, 0.0), high + air


def speed_axis(frame: Frame, shown: Unit, most: int = 7) -> tuple[Markup, Markup]:
    """(labels, grid lines) of the speed axis, a set for each unit; those of `shown` are to be seen."""
    labels, lines = [], []
    for symbol in DIGITS:
        unit = speed_unit(symbol)
        low, high = unit.from_si(frame.low_mps), unit.from_si(frame.high_mps)
        step = nice_step(high - low, most)
        ticks = [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
        places = [frame.y(unit.to_si(tick)) for tick in ticks]
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        hidden = Markup("") if symbol == shown.symbol else Markup(' class="off"')
        texts = [
            Markup('<text x="100%" dx="-6" y="{}">{}</text>').format(y + 5, f"{tick:.{digits}f}")
            for tick, y in zip(ticks, places, strict=True)
        ]
        rules = [Markup('<line x1="0" x2="100%" y1="{0}" y2="{0}"/>').format(y) for y in places]
        head = Markup('<g data-for="{}"{}>').format(symbol, hidden)
        labels.append(head + Markup("").join(texts) + Markup("</g>"))
        lines.append(head + Markup("").join(rules) + Markup("</g>"))
    return Markup("").join(labels), Markup("").join(lines)


def line(x1: float, y1: float, x2: float, y2: float, look: str) -> Markup:
    """A straight line, across in percent and down in pixels."""
    return Markup('<line x1="{}%" y1="{}" x2="{}%" y2="{}" class="{}"/>').format(x1, y1, x2, y2, look)


def text_at(x: float, y: float, text: str, look: str, anchor: str = "middle") -> Markup:
    """A text at a place; it is escaped."""
    return Markup('<text x="{}%" y="{}" class="{}" text-anchor="{}">{}</text>').format(
        x, y, look, anchor, text
    )
