"""A pass in two plain SVG charts: the whole run over distance, and the stretch round the trap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from speedlog.report import wording
from speedlog.report.curves import thin
from speedlog.report.plain_chart import Frame, around, nice_step, speed_axis, text_at
from speedlog.results import Array, LoggerTrace, Pass
from speedlog.settings import ReportSettings
from speedlog.units import Unit

_WIDE = 1000  # of the drawing that is stretched to the page's width
_HEIGHT_PX = 260
_LANE_PX = 16  # a logger's faults, below the curves
_MOST_DOTS = 160
_KINDS = 6  # looks of loggers


@dataclass(frozen=True)
class PassChart:
    """One chart as SVG, with its heading and what it shows in words."""

    key: str
    title: str
    caption: str
    axis: Markup
    area: Markup
    height_px: int


def pass_charts(found: Pass, unit: Unit, settings: ReportSettings) -> list[PassChart]:
    """The charts of a pass; none where it has no trace."""
    trace = found.trace
    if trace is None or not len(trace.along_m):
        return []
    low, high = float(np.nanmin(trace.along_m)), float(np.nanmax(trace.along_m))
    charts = [_chart("run", "The whole run", wording.chart_speed(found), found, (low, high), unit, settings)]
    if found.trap is not None:
        side = max(settings.zoom_m, found.trap.length_m)
        span = (max(found.trap.entry_m - side, low), min(found.trap.exit_m + side, high))
        if span[0] < span[1]:
            said = wording.chart_trap(found, *_ends(found))
            charts.append(_chart("trap", "Round the trap", said, found, span, unit, settings))
    return charts[::-1]


def _ends(found: Pass) -> tuple[float | None, float | None]:
    """Speed at the beam that is passed first, and at the other."""
    trap, trace = found.trap, found.trace
    assert trap is not None and trace is not None
    order = np.argsort(trace.along_m)
    along, speed = trace.along_m[order], trace.speed_mps[order]
    if not along[0] <= trap.entry_m < trap.exit_m <= along[-1]:
        return None, None
    ends = [float(np.interp(at, along, speed)) for at in (trap.entry_m, trap.exit_m)]
    return (ends[1], ends[0]) if found.outbound is False else (ends[0], ends[1])


def _chart(
    key: str, title: str, caption: str, found: Pass, span: tuple[float, float], unit: Unit, settings: ReportSettings
) -> PassChart:  # fmt: skip
    trace = found.trace
    assert trace is not None
    inside = (trace.along_m >= span[0]) & (trace.along_m <= span[1])
    logs = [(place, log, _inside(log, span)) for place, log in enumerate(trace.loggers)]
    speeds = [
        trace.speed_low_mps[inside],
        trace.speed_high_mps[inside],
        *(log.speed_mps[mine] for _, log, mine in logs),
    ]
    if key == "trap" and found.trap is not None and found.trap.official is not None:
        speeds.append(np.array([found.trap.official.speed_mps]))
    finite = np.concatenate([part[np.isfinite(part)] for part in speeds])
    ends = around(finite.tolist()) if key == "trap" else (0.0, 1.06 * float(finite.max()))
    left, right = span[::-1] if found.outbound is False else span  # the car runs from left to right
    lanes = _lanes_px(found)
    frame = Frame(left, right, *ends, _HEIGHT_PX, top_px=22, foot_px=30 + lanes)
    axis, grid = speed_axis(frame, unit, most=5)
    parts = [Markup('<g class="grid">'), grid, Markup("</g>"), _trap(found, frame, key)]
    keep = trace.along_m[inside]
    chosen = thin(len(keep), np.zeros(len(keep), dtype=bool), settings.most_points)
    curve, low, high = (
        values[inside][chosen] for values in (trace.speed_mps, trace.speed_low_mps, trace.speed_high_mps)
    )
    line = _curves(keep[chosen], curve, low, high, frame)
    dots = [_dots(log, mine, place, frame) for place, log, mine in logs]
    # over the whole run the dots stand so close that they would hide the line
    parts += [line, *dots] if key == "trap" else [*dots, line]
    parts += [_faults(found, span, frame), _distances(frame, found)]
    return PassChart(key, title, caption, axis, Markup("").join(parts), frame.whole_px)


def _inside(log: LoggerTrace, span: tuple[float, float]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    with np.errstate(invalid="ignore"):
        mine = (log.along_m >= span[0]) & (log.along_m <= span[1]) & np.isfinite(log.speed_mps)
    return np.asarray(mine, dtype=bool)


def _trap(found: Pass, frame: Frame, key: str) -> Markup:
    """The trap as a band, its figure as a bar across it."""
    trap = found.trap
    if trap is None:
        return Markup("")
    ends = sorted((frame.x(trap.entry_m), frame.x(trap.exit_m)))
    if ends[1] < 0 or ends[0] > 100:
        return Markup("")
    width = max(round(ends[1] - ends[0], 3), 0.4)
    band = Markup('<rect class="beams" x="{}%" y="{}" width="{}%" height="{}"/>')
    parts = [band.format(ends[0], frame.top_px, width, frame.height_px)]
    parts.append(text_at(round(sum(ends) / 2, 3), frame.top_px - 7, "trap", "name"))
    if trap.official is not None:
        low, high = trap.official.interval95_mps
        top, foot = frame.y(min(high, frame.high_mps)), frame.y(max(low, frame.low_mps))
        bar = Markup('<rect class="official" x="{}%" y="{}" width="{}%" height="{}"/>')
        parts.append(bar.format(ends[0], top if key == "trap" else top - 1, width, max(foot - top, 3.0)))
    return Markup("").join(parts)


def _curves(along: Array, speed: Array, low: Array, high: Array, frame: Frame) -> Markup:
    there = _points(along, low, frame)
    back = _points(along, high, frame)[::-1]
    head = Markup(
        '<svg x="0" y="0" width="100%" height="{0}" viewBox="0 0 {1} {0}" preserveAspectRatio="none">'
    )
    return Markup("").join(
        [
            head.format(frame.whole_px, _WIDE),
            Markup('<path class="reach" d="{}"/>').format("M" + "L".join([*there, *back]) + "Z"),
            Markup('<path class="curve" d="{}"/>').format("M" + "L".join(_points(along, speed, frame))),
            Markup("</svg>"),
        ]
    )


def _points(along: Array, speed: Array, frame: Frame) -> list[str]:
    return [
        f"{frame.x(at) * _WIDE / 100:.1f} {frame.y(value):.1f}"
        for at, value in zip(along.tolist(), speed.tolist(), strict=True)
        if np.isfinite(at) and np.isfinite(value)
    ]


def _dots(
    log: LoggerTrace, mine: np.ndarray[tuple[int], np.dtype[np.bool_]], place: int, frame: Frame
) -> Markup:
    """A logger's readings; those that were not used are hollow."""
    rows = np.flatnonzero(mine)
    rows = rows[:: max(1, -(-len(rows) // _MOST_DOTS))]
    parts = [Markup('<g class="dots g{}">').format(place % _KINDS)]
    for row in rows.tolist():
        look = "" if log.used[row] else ' class="left-out"'
        parts.append(
            Markup('<circle r="2.6" cx="{}%" cy="{}"{}/>').format(
                frame.x(float(log.along_m[row])), frame.y(float(log.speed_mps[row])), Markup(look)
            )
        )
    return Markup("").join([*parts, Markup("</g>")])


def _faults(found: Pass, span: tuple[float, float], frame: Frame) -> Markup:
    """A lane a logger, below the curves, with its faults where they happened."""
    parts = []
    for lane, logger in enumerate(found.loggers):
        y = frame.bottom_px + 4 + lane * _LANE_PX
        for fault in logger.faults:
            if fault.start_along_m is None or fault.end_along_m is None:
                continue
            ends = sorted((fault.start_along_m, fault.end_along_m))
            if ends[1] < span[0] or ends[0] > span[1]:
                continue
            x = sorted(frame.x(min(max(at, span[0]), span[1])) for at in ends)
            bar = Markup('<rect class="fault{}" x="{}%" y="{}" width="{}%" height="{}"/>')
            parts.append(
                bar.format(
                    " near" if fault.near_trap else "", x[0], y, max(round(x[1] - x[0], 3), 0.6), _LANE_PX - 4
                )
            )
    return Markup("").join(parts)


def _lanes_px(found: Pass) -> int:
    """Room for faults: none where there is none."""
    return len(found.loggers) * _LANE_PX if any(logger.faults for logger in found.loggers) else 0


def _distances(frame: Frame, found: Pass) -> Markup:
    """Metres along the foot; every third only where there is no room."""
    low, high = sorted((frame.left, frame.right))
    step = nice_step(high - low, 10)
    y = frame.bottom_px + _lanes_px(found) + 20
    ticks: Sequence[int] = range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1)
    parts = []
    for k in ticks:
        x = frame.x(k * step)
        if 2 < x < 97:
            parts.append(text_at(x, y, f"{k * step:g}", "date any" if k % 2 == 0 else "date wide"))
    return Markup("").join(parts)
