"""Charts under the speed chart, on its distance axis: path, reception, current and heat."""

from __future__ import annotations

from typing import Any

import numpy as np

from speedlog.report import wording
from speedlog.report.curves import DASHES, corners, extent, label, letter, logger_colour, rounded, thin
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
    layout = base_layout(view, 250)
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
        _channel(view, item, place, sign * item.across_m, "y", 2, "{} m right of the line")
        for place, item in items
    ]
    caption = wording.chart_path(view.found, across_step, along_step)
    return Chart(f"{prefix}-path", "Path across the line", caption, {"data": traces, "layout": layout})


def _round_step(rough: float) -> float:
    """The nearest of 1, 2, 5 times a power of ten that is not below `rough`."""
    power = 10.0 ** np.floor(np.log10(max(rough, 1e-3)))
    return float(next(power * step for step in (1, 2, 5, 10) if power * step >= rough * 0.999))


_SIGNAL = (
    ("satellites", "Satellites used", "", 0),
    ("hdop", "HDOP (lower is better)", "", 1),
    ("cn0_dbhz", "C/N0, the strongest four", " dB-Hz", 1),
)
_ELECTRIC = (
    ("current_a", "Current", " A", 0),
    ("voltage_v", "Pack voltage", " V", 1),
    ("throttle", "Throttle", "", 2),
    ("motor_temp_c", "Motor temperature", " °C", 0),
    ("controller_temp_c", "Controller temperature", " °C", 0),
)


def signal_chart(view: View, prefix: str) -> Chart | None:
    return _stack(view, f"{prefix}-signal", "How well the loggers received", _SIGNAL)


def power_chart(view: View, prefix: str) -> Chart | None:
    return _stack(view, f"{prefix}-power", "Current, voltage and heat", _ELECTRIC)


def _stack(view: View, key: str, title: str, rows: tuple[tuple[str, str, str, int], ...]) -> Chart | None:
    """Channels one above the other, each with its own scale and its name written over it."""
    filled = [row for row in rows if any(_has(item, row[0]) for item in view.trace.loggers)]
    if not filled:
        return None
    row_px, gap_px = 84, 26
    inner = len(filled) * (row_px + gap_px) - gap_px
    layout = base_layout(view, inner + 26 + 26 + 48, margin={"l": 52, "r": 14, "t": 52, "b": 48})
    for note in layout["annotations"]:
        note["y"], note["yanchor"], note["yshift"] = 1, "bottom", 24
    traces, said = [], []
    for row, (channel, name, unit, digits) in enumerate(filled):
        axis = "y" if row == 0 else f"y{row + 1}"
        top = 1 - row * (row_px + gap_px) / inner
        items = [(place, item) for place, item in view.loggers if _has(item, channel)]
        for place, item in items:
            words = f"{{}}{unit}, {name.split(' (')[0].lower() if channel != 'cn0_dbhz' else 'C/N0'}"
            traces.append(
                _channel(view, item, place, item.channels[channel], axis, digits, words, steps=digits == 0)
            )
        bounds = extent([item.channels[channel] for _, item in items]) or (0.0, 1.0)
        pad = max(0.12 * (bounds[1] - bounds[0]), 0.5 if digits else 1.0)
        low = max(bounds[0] - pad, 0.0) if bounds[0] >= 0 else bounds[0] - pad
        layout[f"yaxis{row + 1 if row else ''}"] = y_axis(
            domain=[max(top - row_px / inner, 0), top], range=[low, bounds[1] + pad], nticks=4
        )
        heading = name + (f",{unit}" if unit else "")
        layout["annotations"].append(
            label(
                0,
                top,
                heading,
                xref="paper",
                xanchor="left",
                yanchor="bottom",
                font={"size": 13, "color": "@ink"},
            )
        )
        said.append(
            wording.chart_channel(name, unit, {letter(p): i.channels[channel] for p, i in items}, digits)
        )
    layout["xaxis"]["anchor"] = "y" if len(filled) == 1 else f"y{len(filled)}"
    return Chart(key, title, " ".join(said), {"data": traces, "layout": layout})


def _has(item: LoggerTrace, channel: str) -> bool:
    values = item.channels.get(channel)
    return values is not None and bool(np.any(np.isfinite(values) & np.isfinite(item.along_m)))


def _channel(
    view: View,
    item: LoggerTrace,
    place: int,
    values: Array,
    axis: str,
    digits: int,
    words: str,
    *,
    steps: bool = False,
) -> dict[str, Any]:
    """One logger's channel as a line in its colour and dash; equal values in a row are stored once."""
    keep = thin(len(values), np.zeros(len(values), dtype=bool), view.settings.most_points // 2)
    keep &= np.isfinite(item.along_m)
    along, shown = item.along_m[keep], np.round(values[keep], digits)
    chosen = corners(shown)
    hover = words.format(f"%{{y:.{digits}f}}")
    return {
        "type": "scatter",
        "mode": "lines",
        "x": rounded(along[chosen], 1),
        "y": rounded(shown[chosen], digits),
        "yaxis": axis,
        "line": {
            "color": logger_colour(place),
            "width": 2,
            "dash": DASHES[place % len(DASHES)],
            "shape": "hv" if steps else "linear",
        },
        "hovertemplate": f"{letter(place)}: {hover}, at %{{x:.0f}} m<extra></extra>",
    }
