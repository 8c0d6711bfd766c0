"""Charts under the speed chart, on its distance axis: path, reception, current and heat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from speedlog.report import chart_words
from speedlog.report.curves import (
    DASHES,
    broken,
    corners,
    extent,
    label,
    letter,
    logger_colour,
    rounded,
    thin,
)
from speedlog.report.view import Chart, View, base_layout, y_axis
from speedlog.results import Array, LoggerTrace


def path_chart(view: View, prefix: str) -> Chart | None:
    sign = -1.0 if view.reverse else 1.0
    items = [(place, item) for place, item in view.loggers if np.isfinite(item.across_m).any()]
    bounds = extent([item.across_m for _, item in items])
    if bounds is None:
        return None
    widest = max(1.0, 1.15 * max(abs(bounds[0]), abs(bounds[1])))
    across_step = _round_step(2 * widest / 5)
    along_step = _round_step((view.span[1] - view.span[0]) / 7)
    layout = base_layout(view, 220)
    layout["xaxis"] |= {"dtick": along_step}
    layout["yaxis"] = y_axis(range=[widest, -widest], dtick=across_step, title={"text": "m across"})
    line = {
        "type": "line",
        "xref": "paper",
        "yref": "y",
        "x0": 0,
        "x1": 1,
        "y0": 0,
        "y1": 0,
        "line": {"color": "@soft", "width": 1.5, "dash": "dash"},
    }
    layout["shapes"].append(line)
    for y, text in ((-widest, "left of the line"), (widest, "right of the line")):
        layout["annotations"].append(
            label(
                0.005,
                y,
                text,
                xref="paper",
                yref="y",
                xanchor="left",
                yanchor="top" if y < 0 else "bottom",
                font={"size": 12, "color": "@soft"},
            )
        )
    traces = [
        _curve(view, place, item, sign * item.across_m, _ACROSS, "y", rank)
        for rank, (place, item) in enumerate(items)
    ]
    caption = chart_words.chart_path(view.found, across_step, along_step)
    return Chart(f"{prefix}-path", "Path across the line", caption, {"data": traces, "layout": layout})


def _round_step(rough: float) -> float:
    """The nearest of 1, 2, 5 times a power of ten that is not below `rough`."""
    power = 10.0 ** np.floor(np.log10(max(rough, 1e-3)))
    return float(next(power * step for step in (1, 2, 5, 10) if power * step >= rough * 0.999))


@dataclass(frozen=True)
class _Channel:
    """A column of the common table as the reader meets it."""

    column: str
    name: str
    unit: str
    digits: int
    hover: str
    factor: float = 1.0  # shown = factor * value
    steps: bool = False


_ACROSS = _Channel("across_m", "Across", " m", 2, "m right of the line (left is −)")
_SIGNAL = (
    _Channel("satellites", "Satellites used", "", 0, "satellites", steps=True),
    _Channel("hdop", "HDOP (lower is better)", "", 1, "HDOP"),
    _Channel("cn0_dbhz", "C/N0, the strongest four", " dB-Hz", 0, "dB-Hz"),
)
_ELECTRIC = (
    _Channel("current_a", "Current", " A", 0, "A"),
    _Channel("voltage_v", "Pack voltage", " V", 1, "V"),
    _Channel("throttle", "Throttle", " %", 0, "% throttle", 100.0),
    _Channel("motor_temp_c", "Motor temperature", " °C", 0, "°C motor", steps=True),
    _Channel("controller_temp_c", "Controller temperature", " °C", 0, "°C controller", steps=True),
)
_ROW_PX, _GAP_PX = 56, 24


def signal_chart(view: View, prefix: str) -> Chart | None:
    return _stack(view, f"{prefix}-signal", "How well the loggers received", _SIGNAL)


def power_chart(view: View, prefix: str) -> Chart | None:
    return _stack(view, f"{prefix}-power", "Current, voltage and heat", _ELECTRIC)


def _stack(view: View, key: str, title: str, channels: tuple[_Channel, ...]) -> Chart | None:
    """Channels one above the other, each with its own scale and its name written over it."""
    filled = [
        (item, found)
        for item in channels
        if (found := [(place, logger) for place, logger in view.loggers if _has(logger, item.column)])
    ]
    if not filled:
        return None
    inner = len(filled) * (_ROW_PX + _GAP_PX) - _GAP_PX
    layout = base_layout(view, inner + 100, margin={"l": 52, "r": 14, "t": 52, "b": 48})
    for note in layout["annotations"]:
        note["yshift"] = 24  # above the first channel's name
    traces, said = [], []
    for row, (item, loggers) in enumerate(filled):
        top = 1 - row * (_ROW_PX + _GAP_PX) / inner
        values = {place: item.factor * logger.channels[item.column] for place, logger in loggers}
        for rank, (place, logger) in enumerate(loggers):
            axis = f"y{row + 1}" if row else "y"
            traces.append(_curve(view, place, logger, values[place], item, axis, rank))
        layout[f"yaxis{row + 1 if row else ''}"] = y_axis(
            domain=[max(top - _ROW_PX / inner, 0), top], range=_padded(list(values.values()), item), nticks=3
        )
        heading = item.name + (f",{item.unit}" if item.unit else "")
        layout["annotations"].append(label(0, top, heading, xref="paper", xanchor="left", yanchor="bottom"))
        by_letter = {letter(place): found for place, found in values.items()}
        said.append(chart_words.chart_channel(item.name, item.unit, by_letter, item.digits))
    layout["xaxis"]["anchor"] = "y" if len(filled) == 1 else f"y{len(filled)}"
    return Chart(key, title, " ".join(said), {"data": traces, "layout": layout})


def _padded(values: list[Array], item: _Channel) -> list[float]:
    """The range of an axis: a little more than the values, never below zero without need."""
    low, high = extent(values) or (0.0, 1.0)
    pad = max(0.12 * (high - low), 0.5 if item.digits else 1.0)
    return [max(low - pad, 0.0) if low >= 0 else low - pad, high + pad]


def _has(logger: LoggerTrace, column: str) -> bool:
    values = logger.channels.get(column)
    return values is not None and bool(np.any(np.isfinite(values) & np.isfinite(logger.along_m)))


def _curve(
    view: View, place: int, logger: LoggerTrace, values: Array, item: _Channel, axis: str, rank: int
) -> dict[str, Any]:
    """One logger's channel as a line, its colour the logger's and its dash by rank; runs stored once."""
    known = np.flatnonzero(np.isfinite(values) & np.isfinite(logger.along_m))  # some come once a second
    keep = known[thin(len(known), np.zeros(len(known), dtype=bool), view.settings.most_points // 2)]
    along, shown = logger.along_m[keep], np.round(values[keep], item.digits)
    along, shown = broken(along, shown, logger.time_s[keep])
    chosen = corners(shown)
    value = f"%{{y:.{item.digits}f}}"
    return {
        "type": "scatter",
        "mode": "lines",
        "x": rounded(along[chosen], 1),
        "y": rounded(shown[chosen], item.digits),
        "yaxis": axis,
        "line": {
            "color": logger_colour(place),
            "width": 2,
            "dash": DASHES[rank % len(DASHES)],
            "shape": "hv" if item.steps else "linear",
        },
        "hovertemplate": f"{letter(place)}: {value} {item.hover}, at %{{x:.0f}} m<extra></extra>",
    }
