"""The share picture of a pass, 1200 x 630: verdict, trap figure, estimate and the speed along the line.

Made of texts, lines and filled shapes with places in pixels, which `picture_out` writes as SVG or PNG. It has
distances along the line only, no place on the earth.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speedlog.report import wording
from speedlog.report.assets import isolated
from speedlog.report.cards import short_names
from speedlog.report.day_chart import Run, run_of
from speedlog.report.numbers import as_text, mps, with_tokens
from speedlog.report.plain_chart import nice_step
from speedlog.results import Pass
from speedlog.units import Unit

WIDTH, HEIGHT = 1200, 630  # px; what messengers and forums show whole
INK, SOFT, RULE, PAPER = "#101418", "#454d54", "#c9d0d5", "#ffffff"
TRAP, TRAP_BAND, FAULT_TINT = "#b84700", "#f3e0d4", "#e4e7e9"
_HUES = {"agree": "#00795a", "trap_figure_doubtful": "#b84700", "not_enough_data": "#5c656c"}
_ODD, _DIM = "#8a5a00", "#5c656c"
_LEFT, _RIGHT = 56, 1144
_CHART = (520, 1144, 322, 526)  # left, right, top, bottom
_POINTS = 400
_LONGEST = 56  # letters of a name
_SIZES = ((34, 52, 2), (29, 60, 3), (25, 70, 4))  # of the verdict: px, letters a line, lines
_WITH_UNIT = re.compile(r"(?<=\d) (?=(?:s|m|ms|mph|km/h|m/s|Hz|%)\b|%)")
FOOT = "The estimate is made from the car's own logs, ± is its 95 % interval. It is not an official speed."

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Text:
    """A line of text; `x`, `y` is its anchor on the baseline, `most_px` what it may take across."""

    x: float
    y: float
    text: str
    size: int
    colour: str = INK
    bold: bool = False
    anchor: Anchor = "start"
    most_px: float = _RIGHT - _LEFT


@dataclass(frozen=True)
class Stroke:
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    colour: str
    width: float


@dataclass(frozen=True)
class Fill:
    """A filled shape round points."""

    points: tuple[tuple[float, float], ...]
    colour: str


Shape = Text | Stroke | Fill


@dataclass(frozen=True)
class Caption:
    """What stands round a pass: its name, and the day's."""

    title: str  # "Pass 6"
    day: str  # session, date
    car: str


def picture(found: Pass, caption: Caption, unit: Unit) -> tuple[Shape, ...]:
    """All of it, in the order in which it is drawn."""
    hue = _HUES.get(found.verdict.code, _ODD) if found.verdict else _DIM
    said = as_text(isolated(with_tokens(short_names(wording.verdict(found), found))), unit)
    shapes: list[Shape] = [
        Text(_LEFT, 76, _cut(caption.title), 40, bold=True, most_px=330),
        Text(_RIGHT, 60, _cut(caption.day), 25, SOFT, anchor="end", most_px=700),
        Text(_RIGHT, 92, _cut(caption.car), 25, SOFT, anchor="end", most_px=700),
        _rectangle(_LEFT, _RIGHT, 108, 112, INK),
        *_sentence(said, hue),
        *_figures(found, unit),
        *_chart(found, unit),
        Text(_LEFT, HEIGHT - 26, FOOT, 20, SOFT),
    ]
    return tuple(item for item in shapes if not isinstance(item, Text) or item.text)


def alternative(found: Pass, caption: Caption, unit: Unit) -> str:
    """The picture in words."""
    parts = [caption.title, caption.day, wording.verdict(found), wording.peak(found) or ""]
    said = short_names(" ".join(part.rstrip(".") + "." for part in parts if part), found)
    return as_text(isolated(said), unit)


def _cut(text: str) -> str:
    """A name as far as there is room for it."""
    clean = isolated(text)
    return clean if len(clean) <= _LONGEST else clean[: _LONGEST - 1].rstrip() + "…"


def _rectangle(left: float, right: float, top: float, bottom: float, colour: str) -> Fill:
    return Fill(((left, top), (right, top), (right, bottom), (left, bottom)), colour)


def _sentence(said: str, hue: str) -> list[Shape]:
    """The verdict, smaller where it is long; only what four lines don't hold ends in "…"."""
    said = _WITH_UNIT.sub("\u00a0", said)
    size, width, most = next(
        row for row in _SIZES if len(textwrap.wrap(said, row[1])) <= row[2] or row is _SIZES[-1]
    )
    lines = textwrap.wrap(said, width)
    if len(lines) > most:
        lines = [*lines[: most - 1], textwrap.shorten(" ".join(lines[most - 1 :]), width, placeholder=" …")]
    step = size * 1.28
    top = {1: 158, 2: 140, 3: 138}.get(len(lines), 132)
    shapes: list[Shape] = [_rectangle(_LEFT, _LEFT + 8, top, top + step * len(lines) + 4, hue)]
    for place, text in enumerate(lines):
        y = top + size + place * step
        shapes.append(Text(_LEFT + 28, y, text, size, bold=True, most_px=_RIGHT - _LEFT - 28))
    return shapes


def _figures(found: Pass, unit: Unit) -> list[Shape]:
    """Trap figure and estimate, large; the fastest moment where there is no trap."""
    trap, peak = found.trap, found.peak
    rows: list[tuple[str, str, str, str]] = []
    if trap is not None and trap.official is not None:
        given = wording.given(wording.figure_of(trap.official))
        reach = wording.half_width(trap.official.interval95_mps)
        rows.append(("Trap figure", mps(trap.official.speed_mps, given), reach, TRAP))
    if trap is not None and trap.estimate_mps is not None:
        rows.append(("Estimate", mps(trap.estimate_mps), wording.half_width(trap.interval95_mps), INK))
    elif peak is not None:
        reach = wording.half_width(peak.interval95_mps)
        rows.append(("Fastest moment, by the logs", mps(peak.estimate_mps), reach, INK))
    shapes: list[Shape] = []
    for place, (name, number, reach, colour) in enumerate(rows):
        y = 286 + 152 * place
        shapes += [
            _rectangle(_LEFT, 440, y, y + 3, colour),
            Text(_LEFT, y + 30, name, 23, SOFT, most_px=384),
            Text(_LEFT, y + 93, as_text(number, unit), 62, bold=True, most_px=384),
            Text(_LEFT, y + 124, as_text(reach, unit), 24, bold="±" in reach, most_px=384),
        ]
    return shapes


def _chart(found: Pass, unit: Unit) -> list[Shape]:
    run = run_of(found, _POINTS)
    if run is None:
        return []
    left, right, top, bottom = _CHART
    low, high = float(run.at_m.min()), float(run.at_m.max())
    official = found.trap.official.speed_mps if found.trap and found.trap.official else 0.0
    most = 1.08 * max(float(run.speed_mps.max()), official)

    def x(at_m: float) -> float:
        return left + (right - left) * (min(max(at_m, low), high) - low) / (high - low)

    def y(speed_mps: float) -> float:
        return bottom - (bottom - top) * speed_mps / most

    shapes: list[Shape] = []
    for reach in _faults(run):
        ends = x(reach[0]), max(x(reach[1]), x(reach[0]) + 4)
        shapes += [
            _rectangle(*ends, top, bottom, FAULT_TINT),
            _rectangle(*ends, bottom + 2, bottom + 10, INK),
        ]
    if found.trap is not None:
        beams = x(0.0), x(found.trap.length_m)
        shapes.append(_rectangle(*beams, top - 8, bottom, TRAP_BAND))
        shapes.append(Text(sum(beams) / 2, top - 16, "trap", 20, TRAP, anchor="middle"))
    shapes += _axes(most, high - low, unit, y)
    curve = tuple(
        (x(at), y(speed)) for at, speed in zip(run.at_m.tolist(), run.speed_mps.tolist(), strict=True)
    )
    shapes.append(Stroke(curve, INK, 4))
    if found.trap is not None and found.trap.official is not None:
        at = y(official)
        shapes.append(_rectangle(x(0.0) - 9, x(found.trap.length_m) + 9, at - 3, at + 3, TRAP))
    if any(logger.faults for logger in found.loggers):
        told = _fault_words(found)
        shapes.append(Text(right, bottom + 42, told, 20, SOFT, anchor="end", most_px=430))
    return shapes  # fmt: skip


def _axes(most_mps: float, span_m: float, unit: Unit, y: object) -> list[Shape]:
    """Lines of equal speed with their figures, and how long a stretch is."""
    assert callable(y)
    left, right, _, bottom = _CHART
    step = nice_step(unit.from_si(most_mps), 4)
    shapes: list[Shape] = []
    for tick in np.arange(step, unit.from_si(most_mps), step):
        at = y(unit.to_si(float(tick)))
        shapes.append(Stroke(((left, at), (right, at)), RULE, 1.5))
        shapes.append(Text(left - 10, at + 7, f"{tick:g}", 20, SOFT, anchor="end", most_px=60))
    shapes.append(Stroke(((left, bottom), (right, bottom)), SOFT, 2))
    stretch = nice_step(span_m, 6)
    length = (right - left) * stretch / span_m
    shapes.append(_rectangle(left, left + length, bottom + 17, bottom + 20, SOFT))
    shapes.append(Text(left, bottom + 42, f"{stretch:g} m", 20, SOFT, most_px=120))
    return shapes


def _faults(run: Run) -> Sequence[tuple[float, float]]:
    """Stretches in which a logger was not to be trusted, near the trap."""
    found = []
    for fault in (item for logger in run.found.loggers for item in logger.faults if item.near_trap):
        if fault.start_along_m is not None and fault.end_along_m is not None:
            ends = sorted((run.place(fault.start_along_m), run.place(fault.end_along_m)))
            found.append((ends[0], ends[1]))
    return found


def _fault_words(found: Pass) -> str:
    near = {
        wording.FAULTS[fault.kind] for logger in found.loggers for fault in logger.faults if fault.near_trap
    }
    return (
        f"black along the foot: {' and '.join(sorted(near))} in a log" if near else "no fault near the trap"
    )
