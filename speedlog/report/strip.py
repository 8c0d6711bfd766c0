"""What limited the car along the run-up: a strip under the speed chart, a row a limit, each with its name beside it.

A row each and not one band: the ramp takes a second and a metre, and its name would find no room in it. Bars are
plain where faults are hatched, and each has its words, so that nothing hangs on colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from markupsafe import Markup

from speedlog.report.chart_words import LIMITS, NOT_TOLD
from speedlog.report.curves import label
from speedlog.report.plain_chart import Frame, text_at
from speedlog.report.view import View
from speedlog.results import Pass
from speedlog.results_car import Limit, Stretch
from speedlog.settings import ReportSettings

HEAD_PX, ROW_PX = 26, 18
HEADING = "what limited the car"
_BAR_PX, _LEAST = 10, 0.008  # height of a bar; least width, of the chart's, that is still seen
# Okabe-Ito; a stretch of which the logs tell nothing stays hollow
LOOKS: dict[Limit, str] = {"ramp": "@green", "traction": "@orange", "current limit": "@blue", "voltage": "@purple",
                           "throttle": "@sky", "unknown": "@paper"}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """All stretches of one limit, in the order of time, and its words."""

    limit: Limit
    stretches: tuple[Stretch, ...]

    @property
    def words(self) -> str:
        """ "traction, 5.0 s"."""
        seconds = sum(item.end_s - item.start_s for item in self.stretches)
        name = {"unknown": NOT_TOLD, "voltage": "voltage (gearing)"}.get(self.limit, self.limit)
        return f"{name}, {seconds:.1f}\u00a0s"


def height_px(rows: Sequence[Row]) -> int:
    """Room that the strip takes under the speeds."""
    return HEAD_PX + ROW_PX * len(rows) if rows else 0


def strip_rows(found: Pass) -> tuple[Row, ...]:
    """A row a limit, in the order in which they first set in; none where nothing is known of the car."""
    kinds: dict[Limit, list[Stretch]] = {}
    for item in stretches_of(found):
        kinds.setdefault(item.limit, []).append(item)
    return tuple(Row(limit, tuple(items)) for limit, items in kinds.items())


def stretches_of(found: Pass) -> tuple[Stretch, ...]:
    """The stretches of the run-up; all of it as unknown where the car's logs can't tell them."""
    left = None if found.car is None else found.car.left
    if found.car is None or left is None:
        return ()
    untold = (
        "stretches" in left.why_not and found.car.heat.file is not None
    )  # a controller's log, but no current
    if left.stretches or found.trace is None or not untold:
        return left.stretches
    trace = found.trace
    known = np.flatnonzero(np.isfinite(trace.along_m) & np.isfinite(trace.speed_mps))
    if len(known) < 2:
        return ()
    top = known[int(np.argmax(trace.speed_mps[known]))]
    (start_m, end_m), (start_s, end_s) = (
        values[[known[0], top]].tolist() for values in (trace.along_m, trace.time_s)
    )
    return (Stretch(start_m, end_m, start_s, end_s, "unknown"),)


def why_not(found: Pass) -> str:
    """Why the stretches can't be told; nothing where they are."""
    left = None if found.car is None else found.car.left
    return "" if left is None else left.why_not.get("stretches", "")


def side_of(
    start: float, end: float, words: str, settings: ReportSettings
) -> Literal["right", "left", "inside"]:
    """Where a row's words find room; its ends as shares of the chart's width, left to right."""
    room = settings.strip_room * len(words)
    if 1 - end >= room:
        return "right"
    return "left" if start >= room else "inside"


def draw_strip(
    view: View, rows: Sequence[Row], axis: str
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """(bars, words) on the axis of the strip, for the script: rows 0, 1, … downwards."""
    bars, notes = [], []
    sign, width = (-1.0 if view.reverse else 1.0), view.span[1] - view.span[0]
    begin = view.span[1] if view.reverse else view.span[0]
    for place, row in enumerate(rows):
        for item in row.stretches:
            low, high = sorted((item.start_along_m, item.end_along_m))
            shown = max(high - low, _LEAST * width)
            bars.append(_bar(row, item, place, axis, high - shown if view.reverse else low, shown))
        ends = _ends(row, sign, begin, width)
        side = side_of(*ends, row.words, view.settings)
        at = {"right": ends[1], "left": ends[0], "inside": sum(ends) / 2}[side]
        anchor, shift = {"right": ("left", 5), "left": ("right", -5), "inside": ("center", 0)}[side]
        more = {"bgcolor": "@veil"} if side == "inside" else {}
        x = begin + sign * at * width
        look = {
            "xanchor": anchor,
            "xshift": shift,
            "yanchor": "middle",
            "font": {"size": 12, "color": "@ink"},
        } | more
        notes.append(label(x, place, row.words, yref=axis, **look))
    return bars, notes


def _ends(row: Row, sign: float, begin: float, width: float) -> tuple[float, float]:
    """Where a row begins and ends, as shares of the chart's width from its left."""
    places = [
        sign * (at - begin) / width for item in row.stretches for at in (item.start_along_m, item.end_along_m)
    ]
    return min(places), max(max(places), min(places) + _LEAST)  # fmt: skip


def _bar(row: Row, item: Stretch, place: int, axis: str, low: float, shown: float) -> dict[str, Any]:
    return {
        "type": "bar",
        "orientation": "h",
        "yaxis": axis,
        "y": [place],
        "base": [round(low, 1)],
        "x": [round(shown, 1)],
        "width": [_BAR_PX / ROW_PX],
        "marker": {"color": LOOKS[row.limit], "line": {"color": "@ink", "width": 1}},
        "hovertemplate": f"{LIMITS[row.limit]}<extra></extra>",
    }


class Places(Protocol):
    """What puts a place along the line on the axis of a still chart."""

    def place(self, along_m: float) -> float: ...


def still_strip(rows: Sequence[Row], frame: Frame, run: Places, settings: ReportSettings) -> Markup:
    """The same without script, under the area of a still chart."""
    if not rows:
        return Markup("")
    parts = [text_at(0, frame.bottom_px + HEAD_PX - 5, HEADING, "strip soft", "start")]
    bar = Markup('<rect x="{}%" y="{}" width="{}%" height="{}" class="fault f-{}"/>')
    for place, row in enumerate(rows):
        top = frame.bottom_px + HEAD_PX + ROW_PX * place
        reach = []
        for item in row.stretches:
            left, right = (frame.x(run.place(at)) for at in (item.start_along_m, item.end_along_m))
            width = round(max(right - left, 100 * _LEAST), 3)
            reach += [left, left + width]
            look = LOOKS[row.limit].removeprefix("@")
            parts.append(bar.format(left, top + (ROW_PX - _BAR_PX) // 2, width, _BAR_PX, look))
        side = side_of(min(reach) / 100, max(reach) / 100, row.words, settings)
        at, anchor = {"right": (max(reach) + 1, "start"), "left": (min(reach) - 1, "end"),
                      "inside": ((min(reach) + max(reach)) / 2, "middle")}[side]  # fmt: skip
        parts.append(
            text_at(round(at, 2), top + 13, row.words, "strip halo" if side == "inside" else "strip", anchor)
        )
    return Markup("").join(parts)
