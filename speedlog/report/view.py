"""A pass as its charts see it: one distance axis for all, drawn so that the car runs left to right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from speedlog.report.curves import extent, label, rectangle
from speedlog.results import Array, LoggerTrace, Pass, Trace
from speedlog.settings import ReportSettings

Figure = dict[str, Any]


@dataclass(frozen=True)
class Chart:
    """A figure, what it shows in words, and its heading."""

    key: str
    title: str
    caption: str
    figure: Figure
    side: str = "line"  # "line": on the common distance axis; "trap": on its own

    @property
    def wide(self) -> bool:
        """Of those that are looked at first: speed along the line, and through the trap."""
        return bool(self.figure.get("speed"))


@dataclass(frozen=True, eq=False)
class View:
    """A pass as its charts see it."""

    found: Pass
    trace: Trace
    span: tuple[float, float]  # along, least and greatest
    settings: ReportSettings

    @property
    def loggers(self) -> list[tuple[int, LoggerTrace]]:
        """The loggers' samples, each with its place in the pass's own list, which gives its letter."""
        places = {logger.file: place for place, logger in enumerate(self.found.loggers)}
        traced = self.trace.loggers
        return [(places.get(item.file, len(places) + spare), item) for spare, item in enumerate(traced)]

    @property
    def reverse(self) -> bool:
        return self.found.outbound is False

    @property
    def x_range(self) -> list[float]:
        pad = 0.01 * (self.span[1] - self.span[0])
        ends = [round(self.span[0] - pad, 2), round(self.span[1] + pad, 2)]
        return ends[::-1] if self.reverse else ends

    @property
    def trap(self) -> tuple[float, float] | None:
        return None if self.found.trap is None else (self.found.trap.entry_m, self.found.trap.exit_m)

    @property
    def zoom(self) -> tuple[float, float]:
        assert self.trap is not None
        entry, exit_ = self.trap
        side = max(self.settings.zoom_m, exit_ - entry)
        return entry - side, exit_ + side

    def near(self, along_m: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """(N,) points that must stay: round the trap."""
        if self.trap is None:
            return np.zeros(len(along_m), dtype=bool)
        low, high = self.zoom
        with np.errstate(invalid="ignore"):
            return np.asarray((along_m >= low) & (along_m <= high), dtype=bool)


def span_of(trace: Trace) -> tuple[float, float] | None:
    return extent([trace.along_m, *(item.along_m for item in trace.loggers)])


def base_layout(view: View, height: int, **more: Any) -> dict[str, Any]:
    axis = (
        "metres along the line from its start"
        if view.found.outbound is not None
        else "metres along its own line"
    )
    x_axis = {
        "title": {"text": axis, "standoff": 8},
        "range": view.x_range,
        "gridcolor": "@grid",
        "linecolor": "@soft",
        "ticks": "outside",
        "tickcolor": "@soft",
        "zeroline": False,
    }
    shapes, notes = [], []
    if view.trap is not None:
        entry, exit_ = view.trap
        shapes.append(rectangle(entry, exit_, "@trapband", 1))
        notes.append(
            label((entry + exit_) / 2, 1, "trap", yanchor="bottom", font={"size": 13, "color": "@trap"})
        )
        for at, text in _stretches(view):
            notes.append(label(at, 1, text, yanchor="bottom", font={"size": 13, "color": "@soft"}))
    return {
        "height": height,
        "margin": {"l": 52, "r": 14, "t": 26, "b": 48},
        "showlegend": False,
        "paper_bgcolor": "@paper",
        "plot_bgcolor": "@paper",
        "hovermode": "closest",
        "font": {"size": 13, "color": "@ink"},
        "xaxis": x_axis,
        "shapes": shapes,
        "annotations": notes,
        "hoverlabel": {"bgcolor": "@paper", "bordercolor": "@ink", "font": {"size": 14, "color": "@ink"}},
    } | more


def _stretches(view: View) -> list[tuple[float, str]]:
    """Where to write "run-up" and "shutdown": in the middle of each, where it is long enough."""
    assert view.trap is not None
    (low, high), (entry, exit_) = view.span, view.trap
    least = 0.12 * (high - low)
    names = ("shutdown", "run-up") if view.reverse else ("run-up", "shutdown")
    found = [(0.5 * (low + entry), names[0], entry - low), (0.5 * (exit_ + high), names[1], high - exit_)]
    return [(at, name) for at, name, length in found if length > least]


def y_axis(**more: Any) -> dict[str, Any]:
    return {"gridcolor": "@grid", "zeroline": False, "linecolor": "@soft", "fixedrange": True} | more
