"""The charts of a pass, as plain figures (data and layout) for the script in the page.

A figure with `speed` true has speeds, in m/s, on its axis `y`: the script rewrites them in the unit
chosen. Texts hold speeds as tokens (`speedlog.report.numbers`), `{unit}` and, in hover texts, `{y}`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from speedlog.report import chart_words, strip, wording
from speedlog.report.channels import path_chart, power_chart, signal_chart
from speedlog.report.curves import (
    SYMBOLS,
    chart_text,
    extent,
    label,
    letter,
    logger_colour,
    rectangle,
    rounded,
    thin,
)
from speedlog.report.strip import draw_strip, stretches_of, strip_rows, why_not
from speedlog.report.view import Chart, View, base_layout, span_of, y_axis
from speedlog.results import Array, Fault, Pass
from speedlog.settings import ReportSettings

# Kind of fault -> colour, and the hatching that tells it without colour.
FAULT_LOOKS = {
    "gap": ("@ink", ""),
    "no_fix": ("@vermillion", "/"),
    "poor_fix": ("@orange", "."),
    "frozen": ("@blue", "x"),
    "ceiling": ("@purple", "-"),
    "outlier": ("@sky", "+"),
    "clock_jump": ("@green", "|"),
    "dead_reckoned": ("@yellow", "\\"),
}

SPEED_PX, _LANE_HEAD_PX = 300, 22


def charts(found: Pass, prefix: str, settings: ReportSettings) -> tuple[Chart, ...]:
    """The charts of a pass; none without samples."""
    trace = found.trace
    if trace is None or (span := span_of(trace)) is None:
        return ()
    view = View(found, trace, span, settings)
    made = [_speed(view, prefix)]
    if found.trap is not None:
        made.append(_zoom(view, prefix))
    rest = (path_chart(view, prefix), signal_chart(view, prefix), power_chart(view, prefix))
    made += [chart for chart in rest if chart is not None]
    return tuple(made)


def _speed(view: View, prefix: str) -> Chart:
    """Speeds; under them what limited the car, then the faults by logger, each where it is known."""
    rows = strip_rows(view.found)
    lanes = [place for place, logger in enumerate(view.found.loggers) if logger.faults]
    strip_px, lane_px = strip.height_px(rows), 36 * len(lanes) + (_LANE_HEAD_PX if lanes else 0)
    whole = SPEED_PX + strip_px + lane_px
    floor, split = (strip_px + lane_px) / whole, lane_px / whole
    layout = base_layout(view, whole + 74)
    top = extent(
        [view.trace.speed_high_mps, *(item.speed_mps for item in view.trace.loggers), _official(view)]
    )
    layout["yaxis"] = y_axis(
        domain=[floor, 1], range=[0, 1.06 * (top[1] if top else 1)], title={"text": "{unit}"}
    )
    band, line = _estimate(view)
    traces = [band, *_readings(view), line]
    layout["shapes"] += _official_shapes(view)
    if rows:
        head = strip.HEAD_PX / whole
        layout["yaxis3"] = y_axis(
            domain=[split, floor - head], range=[len(rows) - 0.5, -0.5], showticklabels=False, showgrid=False
        )
        layout["xaxis"]["anchor"] = "y3"
        bars, notes = draw_strip(view, rows, "y3")
        traces, layout["annotations"] = traces + bars, layout["annotations"] + notes
        layout["annotations"].append(_lane_heading(floor - head, strip.HEADING))
    if lanes:
        head = _LANE_HEAD_PX / whole
        layout["yaxis2"] = y_axis(
            domain=[0, max(split - head, 0.02)],
            range=[len(lanes) - 0.5, -0.5],
            tickvals=list(range(len(lanes))),
            ticktext=[letter(place) for place in lanes],
            showgrid=False,
        )
        layout["xaxis"]["anchor"] = "y2"
        for row, place in enumerate(lanes):
            bars, notes, tints = _fault_lane(view, row, place, floor)
            traces, layout["annotations"] = traces + bars, layout["annotations"] + notes
            layout["shapes"] += tints
        layout["annotations"].append(_lane_heading(split - (head - 2 / whole), "faults, by logger"))
    layout["barmode"] = "overlay"
    figure = {"speed": True, "data": traces, "layout": layout, "lanes_px": strip_px + lane_px}
    said = " ".join(
        filter(
            None,
            (
                wording.chart_speed(view.found),
                chart_words.limits(stretches_of(view.found), why_not(view.found)),
            ),
        )
    )
    return Chart(f"{prefix}-speed", "Speed along the line", said, figure)


def _lane_heading(y: float, text: str) -> dict[str, Any]:
    font = {"size": 12, "color": "@soft"}
    return label(0, y, text, xref="paper", xanchor="left", yanchor="bottom", font=font)


def _official(view: View) -> Array:
    trap = view.found.trap
    return np.array(trap.official.interval95_mps) if trap and trap.official else np.empty(0)


def _official_shapes(view: View) -> list[dict[str, Any]]:
    """The trap figure across the trap: its uncertainty as a block, the figure as a line."""
    trap = view.found.trap
    if trap is None or trap.official is None:
        return []
    low, high = trap.official.interval95_mps
    at = trap.official.speed_mps
    block = rectangle(trap.entry_m, trap.exit_m, "@trap", 0.35, yref="y", y0=low, y1=high, layer="above")
    line = {
        "type": "line",
        "xref": "x",
        "yref": "y",
        "x0": trap.entry_m,
        "x1": trap.exit_m,
        "y0": at,
        "y1": at,
        "line": {"color": "@trap", "width": 3},
    }
    return [block, line]


def _estimate(view: View) -> list[dict[str, Any]]:
    trace = view.trace
    keep = thin(len(trace.along_m), view.near(trace.along_m), view.settings.most_points // 2)
    keep &= np.isfinite(trace.along_m) & np.isfinite(trace.speed_mps)
    along = rounded(trace.along_m[keep], 1)
    low, high = rounded(trace.speed_low_mps[keep], 2), rounded(trace.speed_high_mps[keep], 2)
    band = {
        "type": "scatter",
        "x": along + along[::-1],
        "y": low + high[::-1],
        "fill": "toself",
        "mode": "lines",
        "line": {"width": 0},
        "fillcolor": "@band",
        "hoverinfo": "skip",
    }
    line = {
        "type": "scatter",
        "x": along,
        "y": rounded(trace.speed_mps[keep], 2),
        "mode": "lines",
        "line": {"color": "@ink", "width": 1.6},
        "hovertemplate": "estimate {y} {unit} at %{x:.0f} m<extra></extra>",
    }
    return [band, line]


def _readings(view: View) -> list[dict[str, Any]]:
    found = []
    for place, item in view.loggers:
        colour, name = logger_colour(place), letter(place)
        keep = thin(len(item.along_m), view.near(item.along_m), view.settings.most_points)
        keep &= np.isfinite(item.along_m) & np.isfinite(item.speed_mps)
        for used in (True, False):
            chosen = keep & (item.used == used)
            if not chosen.any():
                continue
            symbol = SYMBOLS[place % len(SYMBOLS)] + ("" if used else "-open")
            outline = {"color": "@outline", "width": 0.6} if used else {"color": colour, "width": 1.4}
            said = "" if used else ", left out of the estimate"
            found.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "x": rounded(item.along_m[chosen], 1),
                    "y": rounded(item.speed_mps[chosen], 2),
                    "marker": {"color": colour, "symbol": symbol, "size": 4 if used else 6, "line": outline},
                    "hovertemplate": f"{name} read {{y}} {{unit}} at %{{x:.0f}} m{said}<extra></extra>",
                }
            )
    return found


def _fault_lane(view: View, row: int, place: int, split: float) -> tuple[list[Any], list[Any], list[Any]]:
    """One logger's faults: hatched bars in its lane, words above them, a tint behind the curve."""
    bars, tints, spots = [], [], []
    width = view.span[1] - view.span[0]
    for fault in view.found.loggers[place].faults:
        if fault.start_along_m is None or fault.end_along_m is None:
            continue
        low, high = sorted((fault.start_along_m, fault.end_along_m))
        low, high = max(low, view.span[0] - 0.01 * width), min(high, view.span[1] + 0.01 * width)
        if high < low:
            continue
        shown = max(high - low, 0.004 * width)
        bars.append(_fault_bar(fault, row, place, low, shown))
        tints.append(rectangle(low, low + shown, FAULT_LOOKS[fault.kind][0], 0.1, y0=split))
        spots.append((fault, low + shown if view.reverse else low, shown))
    return bars, _fault_words(view, row, spots), tints


def _fault_words(view: View, row: int, spots: list[tuple[Fault, float, float]]) -> list[dict[str, Any]]:
    """The kinds in words above their bars: those near the trap and the long ones first, none over another."""
    sign, gap = (-1.0 if view.reverse else 1.0), view.settings.label_gap * (view.span[1] - view.span[0])
    last = max(sign * end for end in view.span)
    notes: list[dict[str, Any]] = []
    taken: list[float] = []
    for fault, start, _ in sorted(spots, key=lambda spot: (not spot[0].near_trap, -spot[2])):
        right = sign * start + gap > last  # no room to the right of it
        at = sign * start - (gap if right else 0.0)
        if any(abs(at - other) < gap for other in taken):
            continue
        taken.append(at)
        font = {"size": 12, "color": "@ink"}
        side = "right" if right else "left"
        words = wording.FAULTS[fault.kind]
        notes.append(label(start, row - 0.28, words, yref="y2", xanchor=side, font=font))
    return notes


def _fault_bar(fault: Fault, row: int, place: int, low: float, width: float) -> dict[str, Any]:
    colour, hatch = FAULT_LOOKS[fault.kind]
    words = f"{letter(place)}: {wording.FAULTS[fault.kind]}, {wording.fault_where(fault)}"
    return {
        "type": "bar",
        "orientation": "h",
        "yaxis": "y2",
        "y": [row + 0.22],
        "base": [round(low, 2)],
        "x": [round(width, 2)],
        "width": [0.4],
        "marker": {
            "color": colour,
            "line": {"color": "@ink", "width": 1},
            "pattern": {
                "shape": hatch,
                "fgcolor": "@ink",
                "bgcolor": colour,
                "size": 6,
                "solidity": 0.35,
                "fillmode": "replace",
            },
        },
        "hovertemplate": f"{words}<br>{chart_text(fault.detail, 110)}<extra></extra>",
    }


def _zoom(view: View, prefix: str) -> Chart:
    """The speed chart's own curves over the trap: the script borrows them, nothing is stored twice."""
    low, high = view.zoom
    trace = view.trace
    layout = base_layout(view, 374)  # as the speed chart beside it
    layout["xaxis"]["range"] = [high, low] if view.reverse else [low, high]
    layout["annotations"] = [item for item in layout["annotations"] if item["text"] == "trap"]
    parts = [values[view.near(trace.along_m)] for values in (trace.speed_low_mps, trace.speed_high_mps)]
    parts += [item.speed_mps[view.near(item.along_m)] for item in trace.loggers]
    bounds = extent([*parts, _official(view)]) or (0.0, 1.0)
    pad = max(0.08 * (bounds[1] - bounds[0]), 0.2)
    layout["yaxis"] = y_axis(range=[bounds[0] - pad, bounds[1] + pad], title={"text": "{unit}"})
    layout["shapes"] += _official_shapes(view)
    trap = view.found.trap
    if trap is not None and trap.official is not None:
        before = trap.exit_m if view.reverse else trap.entry_m
        text = f"trap figure<br>{{mps:{trap.official.speed_mps:.4f}}}"
        look = {"size": 13, "color": "@trap"}
        at = {
            "yref": "y",
            "xanchor": "right",
            "align": "right",
            "xshift": -6,
            "font": look,
            "bgcolor": "@veil",
        }
        layout["annotations"].append(label(before, trap.official.speed_mps, text, **at))
    count = 2 + len(_readings(view))
    figure = {"speed": True, "borrow": f"{prefix}-speed", "curves": count, "layout": layout, "own_x": True}
    said = wording.chart_trap(view.found, *_at_beams(view))
    return Chart(f"{prefix}-trap", "Through the trap", said, figure, "trap")


def _at_beams(view: View) -> tuple[float | None, float | None]:
    """The estimate's speed at the first and the second beam passed."""
    assert view.trap is not None
    known = np.isfinite(view.trace.along_m) & np.isfinite(view.trace.speed_mps)
    along, speed = view.trace.along_m[known], view.trace.speed_mps[known]
    if len(along) < 2:
        return None, None
    order = np.argsort(along, kind="stable")
    along, speed = along[order], speed[order]
    beams = view.trap[::-1] if view.reverse else view.trap
    at = [float(np.interp(beam, along, speed)) if along[0] <= beam <= along[-1] else None for beam in beams]
    return at[0], at[1]
