"""Pieces of a chart: colours by name, thinned and rounded data, and text that the chart can't misread.

Colours are names ("@trap"); the page's script puts in those of the light, dark or printed page, all
from the Okabe-Ito palette (Okabe and Ito 2008, "Color Universal Design").
"""

from __future__ import annotations

import html
import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from speedlog.errors import plain
from speedlog.results import Array

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_GAP = 3.0  # median steps without a point: the line breaks, as one or two may be thinned out
SYMBOLS = ("circle", "square", "triangle-up", "diamond", "cross", "star")  # besides the colour
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")


def letter(place: int) -> str:
    return LETTERS[place % len(LETTERS)] * (1 + place // len(LETTERS))


def logger_colour(place: int) -> str:
    return f"@logger{place % 6}"


def rounded(values: Array, digits: int) -> list[float | None]:
    """Values for JSON: rounded, missing as None."""
    return [None if not np.isfinite(value) else round(float(value), digits) for value in values]


def thin(count: int, keep: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """(N,) which points to draw: all of `keep`, and of the rest every so many-th, about `most` in all."""
    if count <= most:
        return np.ones(count, dtype=bool)
    step = int(np.ceil(count / most))
    chosen = np.zeros(count, dtype=bool)
    chosen[::step] = True
    chosen[-1] = True
    return chosen | keep


def corners(values: Array) -> NDArray[np.bool_]:
    """(N,) the first and the last point of each run of equal values: enough to draw steps."""
    if len(values) < 3:
        return np.ones(len(values), dtype=bool)
    same = (values[1:] == values[:-1]) | (np.isnan(values[1:]) & np.isnan(values[:-1]))
    return np.asarray(~(np.r_[False, same] & np.r_[same, False]), dtype=bool)


def broken(along: Array, values: Array, time_s: Array) -> tuple[Array, Array]:
    """The curve with a missing point put into every gap in time, so that no line bridges it."""
    steps = np.diff(time_s)
    if not len(steps):
        return along, values
    gaps = np.flatnonzero(steps > _GAP * np.median(steps)) + 1
    return np.insert(along, gaps, along[gaps]), np.insert(values, gaps, np.nan)


def chart_text(text: object, longest: int = 40) -> str:
    """A stranger's text for a chart, whose own markup and templates must not be set off by it."""
    return html.escape(plain(text, longest), quote=False).replace("%{", "% {").replace("{", "(")


def rectangle(x0: float, x1: float, colour: str, opacity: float, **more: Any) -> dict[str, Any]:
    """A filled stretch of the line, over the whole height unless said otherwise."""
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": x0,
        "x1": x1,
        "y0": 0,
        "y1": 1,
        "fillcolor": colour,
        "opacity": opacity,
        "line": {"width": 0},
        "layer": "below",
    } | more


def label(x: float, y: float, text: str, **more: Any) -> dict[str, Any]:
    """A text at a place, without an arrow."""
    return {
        "x": x,
        "y": y,
        "text": text,
        "showarrow": False,
        "xref": "x",
        "yref": "paper",
        "font": {"size": 13, "color": "@ink"},
    } | more


def safe_json(content: Any) -> Markup:
    """JSON that can stand in a script element: nothing in it can end the element or the line."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for mark in "<>&\u2028\u2029":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return Markup(text)


def extent(parts: Sequence[Array]) -> tuple[float, float] | None:
    """Least and greatest of all finite values, or None."""
    finite = [part[np.isfinite(part)] for part in parts]
    joined = np.concatenate(finite) if finite else np.empty(0)
    return (float(joined.min()), float(joined.max())) if len(joined) else None
