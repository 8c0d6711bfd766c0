"""The charts of passes side by side: the speed curves with the gain shaded between them, and the gain by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from speedlog.logbook.compare import Comparison, Curve
from speedlog.report.numbers import write_number
from speedlog.report.plain_chart import Frame, line, nice_step, speed_axis, text_at
from speedlog.units import Unit

Array = NDArray[np.float64]
_CURVES_PX, _GAIN_PX = 340, 150
_WIDE = 1000  # of the drawing that is stretched to the page's width
_FEW, _MANY = 4, 12  # figures along the gain: on a phone, on a wide page


@dataclass(frozen=True)
class CompareChart:
    """One chart as SVG: its axis, its area."""

    axis: Markup
    area: Markup
    height_px: int


def curves_chart(found: Comparison, unit: Unit) -> CompareChart:
    """All curves over distance, from nought up, the gain against the first shaded."""
    top = max(float(curve.high_mps.max()) for curve in found.curves)
    frame = Frame(float(found.distance_m[0]), float(found.distance_m[-1]), 0.0, 1.06 * top, _CURVES_PX)
    axis, grid = speed_axis(frame, unit)
    first = found.curves[0]
    shapes = []
    for place, curve in enumerate(found.curves[1:], start=1):
        shapes += _shading(found.distance_m, first, curve, place, len(found.curves) == 2, frame)
    for place, curve in enumerate(found.curves):
        band = _band(found.distance_m, curve.low_mps, curve.high_mps, frame)
        shapes.append(Markup('<path class="reach c{}" d="{}"/>').format(place, band))
    for place, curve in reversed(list(enumerate(found.curves))):
        shapes.append(
            Markup('<path class="curve c{}" d="{}"/>').format(
                place, _path(found.distance_m, curve.speed_mps, frame)
            )
        )
    parts = [
        Markup('<g class="grid">'),
        grid,
        Markup("</g>"),
        _traps(found, frame),
        _stretched(shapes, frame),
    ]
    return CompareChart(axis, Markup("").join([*parts, _distances(frame)]), frame.whole_px)


def gain_chart(found: Comparison, unit: Unit) -> CompareChart:
    """What each pass is above the first, with the band of both uncertainties, and in figures at the marks."""
    first = found.curves[0]
    gains = [curve.speed_mps - first.speed_mps for curve in found.curves[1:]]
    noises = [np.hypot(_half(curve), _half(first)) for curve in found.curves[1:]]
    low = min(float((gain - noise).min()) for gain, noise in zip(gains, noises, strict=True))
    high = max(float((gain + noise).max()) for gain, noise in zip(gains, noises, strict=True))
    low, high = min(low, -0.3), max(high, 0.3)
    frame = Frame(
        float(found.distance_m[0]), float(found.distance_m[-1]), low - 0.05 * (high - low), high + 0.05 * (high - low),
        _GAIN_PX, top_px=24,
    )  # fmt: skip
    axis, grid = speed_axis(frame, unit, most=4)
    shapes = []
    for place, (gain, noise) in enumerate(zip(gains, noises, strict=True), start=1):
        band = _band(found.distance_m, gain - noise, gain + noise, frame)
        shapes.append(Markup('<path class="reach c{}" d="{}"/>').format(place, band))
        shapes.append(
            Markup('<path class="curve c{}" d="{}"/>').format(place, _path(found.distance_m, gain, frame))
        )
    parts = [
        Markup('<g class="grid">'),
        grid,
        Markup("</g>"),
        line(0, frame.y(0.0), 100, frame.y(0.0), "nought"),
    ]
    figures = _gain_figures(found, frame, unit) if len(found.curves) == 2 else Markup("")
    return CompareChart(
        axis, Markup("").join([*parts, _stretched(shapes, frame), figures, _distances(frame)]), frame.whole_px
    )


def spoken(found: Comparison) -> dict[str, Any]:
    """What the page's script reads out at a place: distances, and of each pass speed, half interval and time."""

    def short(values: Array, digits: int) -> list[float]:
        return [round(float(value), digits) for value in values]

    return {
        "distance": short(found.distance_m, 2),
        "passes": [
            {"name": f"pass {side.row.id}", "speed": short(curve.speed_mps, 3), "half": short(_half(curve), 3),
             "time": short(curve.time_s, 3)}
            for side, curve in zip(found.sides, found.curves, strict=True)
        ],
    }  # fmt: skip


def _half(curve: Curve) -> Array:
    return np.asarray((curve.high_mps - curve.low_mps) / 2)


def _stretched(shapes: Sequence[Markup], frame: Frame) -> Markup:
    """Shapes drawn `_WIDE` units wide, stretched to whatever width there is; lines keep their own."""
    head = Markup(
        '<svg x="0" y="0" width="100%" height="{0}" viewBox="0 0 {1} {0}" preserveAspectRatio="none">'
    )
    return head.format(frame.whole_px, _WIDE) + Markup("").join(shapes) + Markup("</svg>")


def _points(distance_m: Array, speed_mps: Array, frame: Frame) -> list[str]:
    scale = _WIDE / 100
    return [
        f"{frame.x(at) * scale:.1f} {frame.y(speed):.1f}"
        for at, speed in zip(distance_m.tolist(), speed_mps.tolist(), strict=True)
    ]


def _path(distance_m: Array, speed_mps: Array, frame: Frame) -> str:
    return "M" + "L".join(_points(distance_m, speed_mps, frame))


def _band(distance_m: Array, low_mps: Array, high_mps: Array, frame: Frame) -> str:
    there, back = _points(distance_m, low_mps, frame), _points(distance_m, high_mps, frame)[::-1]
    return "M" + "L".join([*there, *back]) + "Z"


def _shading(
    distance_m: Array, first: Curve, curve: Curve, place: int, two: bool, frame: Frame
) -> list[Markup]:
    """The area between a curve and the first; of two passes split by which is the faster."""
    if not two:
        band = _band(distance_m, first.speed_mps, curve.speed_mps, frame)
        return [Markup('<path class="between c{}" d="{}"/>').format(place, band)]
    faster, slower = (
        np.maximum(curve.speed_mps, first.speed_mps),
        np.minimum(curve.speed_mps, first.speed_mps),
    )
    up = _band(distance_m, first.speed_mps, faster, frame)
    down = _band(distance_m, first.speed_mps, slower, frame)
    parts = [Markup('<path class="between c{}" d="{}"/>').format(place, up)]
    return [*parts, Markup('<path class="between less" d="{}"/>').format(down)]


def _traps(found: Comparison, frame: Frame) -> Markup:
    parts = []
    for place, (side, curve) in enumerate(zip(found.sides, found.curves, strict=True)):
        if curve.trap_m is None or not frame.left <= curve.trap_m[0] < curve.trap_m[1] <= frame.right:
            continue
        left, right = (frame.x(at) for at in curve.trap_m)
        shape = Markup('<rect x="{}%" y="{}" width="{}%" height="{}" class="beams c{}"/>')
        parts.append(shape.format(left, frame.top_px, round(right - left, 3), frame.height_px, place))
        y = frame.bottom_px - 8 - 17 * (len(found.curves) - 1 - place)
        parts.append(
            text_at(right, y, f"\u00a0trap, pass {side.row.id}", "note", "start" if right < 75 else "end")
        )
    return Markup("").join(parts)


def _distances(frame: Frame) -> Markup:
    """Metres along the foot; every other one only where there is room."""
    step = nice_step(frame.right - frame.left, _MANY)
    first, last = int(np.ceil(frame.left / step)), int(np.floor(frame.right / step))
    parts = []
    for k in range(first, last + 1):
        x = frame.x(k * step)
        if 1 < x < 98:
            look = "date any" if k % 3 == 0 else "date wide"
            parts.append(text_at(x, frame.bottom_px + 20, f"{k * step:g}", look))
    return Markup("").join(parts)


def _gain_figures(found: Comparison, frame: Frame, unit: Unit) -> Markup:
    """The gain at the marks, written over the chart, as many as there is room for."""
    every = max(1, -(-len(found.marks) // _MANY))
    parts = []
    for place, mark in enumerate(found.marks[::every]):
        x = frame.x(mark.distance_m)
        if not 2 < x < 98:
            continue
        look = "date any" if place % 3 == 1 else "date wide"
        gain = mark.gains[0].mps
        text = write_number(gain, unit, signed=True)
        head = Markup(
            '<text x="{}%" y="16" class="{}" text-anchor="middle" data-mps="{}" data-signed="">{}</text>'
        )
        parts.append(head.format(x, look, f"{gain:.4f}", text))
    return Markup("").join(parts)
