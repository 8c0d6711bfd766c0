"""All passes of a day as small charts on one scale: plain SVG, there before any script runs.

Each runs from left to right, whichever way it was driven, and is placed by the trap, so that the same place in
two charts is the same distance from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from speedlog.report import chart_words
from speedlog.report.charts import FAULT_LOOKS, SPEED_PX
from speedlog.report.curves import thin
from speedlog.report.plain_chart import Frame, line, nice_step, speed_axis
from speedlog.report.strip import still_strip, strip_rows
from speedlog.results import Array, Fault, Pass
from speedlog.settings import ReportSettings
from speedlog.units import Unit

_HEIGHT_PX, _FOOT_PX, _LANE_PX = 104, 20, 7
_WIDE = 1000  # of the drawing that is stretched to the panel's width


@dataclass(frozen=True)
class Panel:
    """One pass: its drawing, and what it shows in words (with speeds as tokens)."""

    area: Markup
    said: str


@dataclass(frozen=True)
class DayChart:
    """A panel for each pass given, None where a pass has nothing to draw.

    Attributes:
        axis: labels of the speed axis, the same for each panel.
        best: the outline of the fastest pass, to be drawn behind the others; `best_at` is its place.
        caption: how to read them.
    """

    panels: tuple[Panel | None, ...]
    axis: Markup
    best: Markup
    best_at: int
    height_px: int
    caption: str


@dataclass(frozen=True)
class Still:
    """The speed chart of one pass as it stands until the script draws it anew: labels of its axis, and its area."""

    axis: Markup
    area: Markup
    height_px: int


@dataclass(frozen=True)
class Run:
    """A pass on the common axis: metres driven since the first beam (without a trap, since its own start)."""

    found: Pass
    at_m: Array
    speed_mps: Array
    origin_m: float
    sign: float

    def place(self, along_m: float) -> float:
        return self.sign * (along_m - self.origin_m)


def day_chart(
    passes: Sequence[Pass | None], titles: Sequence[str], unit: Unit, settings: ReportSettings
) -> DayChart | None:
    """The small charts; None where fewer than two passes can be drawn: there is nothing to set side by side.

    Args:
        passes: in the order of the cards; None for a card without a review.
        titles: of the cards.
    """
    runs = [None if found is None else run_of(found, settings.panel_points) for found in passes]
    drawn = [run for run in runs if run is not None]
    if len(drawn) < 2:
        return None
    frame = _frame(drawn)
    best_at = max(range(len(runs)), key=lambda place: -1.0 if (run := runs[place]) is None else _top(run))
    best_run = runs[best_at]
    assert best_run is not None
    axis, grid = speed_axis(frame, unit, most=3)
    trap = next((run.found.trap for run in drawn if run.found.trap), None)
    ground = _ground(frame, grid, None if trap is None else trap.length_m)
    return DayChart(
        tuple(None if run is None else _panel(run, frame, ground, place == best_at) for place, run in enumerate(runs)),
        axis,
        Markup('<path id="day-best" d="{}"/>').format(_path(best_run, frame)),
        best_at,
        frame.whole_px,
        chart_words.day_chart(titles[best_at], _step(frame), trap is not None),
    )  # fmt: skip


def still(found: Pass, unit: Unit, height_px: int, settings: ReportSettings) -> Still | None:
    """One pass by itself, in the room of its speed chart; None without samples."""
    run = run_of(found, settings.still_points)
    if run is None:
        return None
    top, foot = 26, 48  # as the margins of the chart that takes its place
    ends = _frame([run])
    under = height_px - SPEED_PX - top - foot  # strip and faults of that chart
    frame = Frame(ends.left, ends.right, 0.0, ends.high_mps, SPEED_PX, top_px=top, foot_px=foot + under)
    axis, grid = speed_axis(frame, unit, most=5)
    ground = _ground(frame, grid, None if found.trap is None else found.trap.length_m)
    limits = still_strip(strip_rows(found), frame, run, settings)
    return Still(axis, _panel(run, frame, ground, True).area + limits, height_px)


def run_of(found: Pass, most_points: int) -> Run | None:
    """A pass on the common axis; None without samples."""
    trace = found.trace
    if trace is None:
        return None
    known = np.isfinite(trace.along_m) & np.isfinite(trace.speed_mps)
    known &= thin(len(known), np.zeros(len(known), dtype=bool), most_points)
    if known.sum() < 2:
        return None
    along, sign = trace.along_m[known], -1.0 if found.outbound is False else 1.0
    origin = float(along[0])
    if found.trap is not None:
        origin = found.trap.exit_m if sign < 0 else found.trap.entry_m
    return Run(found, sign * (along - origin), trace.speed_mps[known], origin, sign)


def _top(run: Run) -> float:
    return float(run.speed_mps.max())


def _frame(runs: Sequence[Run]) -> Frame:
    left = min(float(run.at_m.min()) for run in runs)
    right = max(float(run.at_m.max()) for run in runs)
    given = [run.found.trap.official.speed_mps for run in runs if run.found.trap and run.found.trap.official]
    top = max([*(_top(run) for run in runs), *given])
    air = 0.02 * (right - left)
    return Frame(left - air, right + air, 0.0, 1.06 * top, _HEIGHT_PX, top_px=8, foot_px=_FOOT_PX)


def _step(frame: Frame) -> float:
    return nice_step(frame.right - frame.left, 6)


def _ground(frame: Frame, grid: Markup, trap_m: float | None) -> Markup:
    """What every panel has: grid, trap, ticks of distance along the foot."""
    parts = []
    if trap_m is not None:
        left, right = frame.x(0.0), frame.x(trap_m)
        shape = Markup('<rect x="{}%" y="0" width="{}%" height="{}" class="beams"/>')
        parts.append(shape.format(left, round(right - left, 3), frame.bottom_px))
    parts += [Markup('<g class="grid">'), grid, Markup("</g>")]
    parts.append(line(0, frame.bottom_px, 100, frame.bottom_px, "foot"))
    step, low = _step(frame), frame.bottom_px
    for k in range(math.ceil(frame.left / step), math.floor(frame.right / step) + 1):
        parts.append(line(frame.x(k * step), low, frame.x(k * step), low + 4, "foot"))
    return Markup("").join(parts)


def _panel(run: Run, frame: Frame, ground: Markup, is_best: bool) -> Panel:
    found = run.found
    parts = [ground, *_faults(run, frame)]
    head = Markup(
        '<svg x="0" y="0" width="100%" height="{0}" viewBox="0 0 {1} {0}" preserveAspectRatio="none" '
        'aria-hidden="true">'
    )
    ghost = Markup("") if is_best else Markup('<use href="#day-best" class="ghost"/>')
    curve = Markup('<path d="{}" class="run"/>').format(_path(run, frame))
    parts += [head.format(frame.whole_px, _WIDE), ghost, curve, Markup("</svg>")]
    if found.trap is not None and found.trap.official is not None:
        x, y = frame.x(found.trap.length_m / 2), frame.y(found.trap.official.speed_mps)
        parts.append(line(max(x - 3.4, 0), y, min(x + 3.4, 100), y, "figure"))
    return Panel(Markup("").join(parts), chart_words.panel(found))


def _path(run: Run, frame: Frame) -> str:
    scale = _WIDE / 100
    points = [
        f"{frame.x(at) * scale:.0f} {frame.y(speed):.1f}"
        for at, speed in zip(run.at_m.tolist(), run.speed_mps.tolist(), strict=True)
    ]
    return "M" + "L".join(points)


def _faults(run: Run, frame: Frame) -> list[Markup]:
    """Faults where they happened: those near the trap over the whole height, all as blocks along the foot."""
    tints, blocks = [], []
    for fault in (item for logger in run.found.loggers for item in logger.faults):
        reach = _reach(run, fault, frame)
        if reach is None:
            continue
        look = FAULT_LOOKS[fault.kind][0].removeprefix("@")
        if fault.near_trap:
            tint = Markup('<rect x="{}%" y="{}" width="{}%" height="{}" class="tint"/>')
            tints.append(tint.format(reach[0], frame.top_px, reach[1], frame.height_px))
        block = Markup('<rect x="{}%" y="{}" width="{}%" height="{}" class="fault f-{}"/>')
        y = frame.bottom_px + 7
        blocks.append(block.format(reach[0], y, reach[1], _LANE_PX, look))
    return [*tints, *blocks]


def _reach(run: Run, fault: Fault, frame: Frame) -> tuple[float, float] | None:
    """(left, width) of a fault in percent; None where its place is unknown or outside."""
    if fault.start_along_m is None or fault.end_along_m is None:
        return None
    ends = sorted((run.place(fault.start_along_m), run.place(fault.end_along_m)))
    low, high = max(ends[0], frame.left), min(ends[1], frame.right)
    if high < low:
        return None
    left = frame.x(low)
    return left, round(max(frame.x(high) - left, 1.2), 3)
