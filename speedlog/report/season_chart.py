"""The season's chart: every pass a dot in the order of driving, the two ladders as steps above them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from speedlog.logbook.figures import official, peak
from speedlog.logbook.history import History
from speedlog.logbook.ladders import Ladder
from speedlog.logbook.rows import PassRow
from speedlog.report import season_words as words
from speedlog.report.plain_chart import Frame, around, line, speed_axis, text_at
from speedlog.units import Unit

_HEIGHT_PX = 360
_FEW, _MANY = 4, 12  # labels of days: on a phone, on a wide page
_KINDS = {"trap": official, "gnss": peak}


@dataclass(frozen=True)
class SeasonChart:
    """The chart's parts as SVG, and what the page's script tells of each dot.

    `dots`: a row a pass with [number, text, link, its figures: [kind, m/s, half of the interval]].
    """

    axis: Markup
    area: Markup
    height_px: int
    dots: list[Any]


def season_chart(found: History, unit: Unit, links: dict[int, str]) -> SeasonChart | None:
    """The chart; None where no pass has a figure.

    Args:
        links: pass id → where its session's report stands.
    """
    shown = [row for row in found.rows if official(row) or peak(row)]
    if not shown:
        return None
    speeds = [figure.mps for row in shown for of in _KINDS.values() if (figure := of(row))]
    goals = [item.target_mps for item in found.targets]
    low, high = around(speeds)
    # a target far above would press the season into a corner: it is told in words then
    goals = [goal for goal in goals if low < goal <= high + 0.5 * (high - low)]
    frame = Frame(-0.6, len(shown) - 0.4, low, around([*speeds, *goals])[1], _HEIGHT_PX)
    places = {row.id: place for place, row in enumerate(shown)}
    axis, grid = speed_axis(frame, unit)
    parts = [_days(shown, frame), Markup('<g class="grid">'), grid, Markup("</g>")]
    parts += [line(0, frame.y(goal), 100, frame.y(goal), "goal") for goal in goals]
    parts += [_stairs(ladder, places, frame) for ladder in (found.gnss, found.trap)]
    parts += [_marks(found, shown, frame)]
    return SeasonChart(
        axis, Markup("").join(parts), frame.whole_px, [_dot(row, links.get(row.id)) for row in shown]
    )


def _days(shown: Sequence[PassRow], frame: Frame) -> Markup:
    """A band a session, every other one tinted, and their dates as far as there is room."""
    starts = [k for k, row in enumerate(shown) if k == 0 or row.session_id != shown[k - 1].session_id]
    ends = [*starts[1:], len(shown)]
    spans = [(frame.x(start - 0.5), frame.x(end - 0.5)) for start, end in zip(starts, ends, strict=True)]
    parts = [
        Markup('<rect x="{}%" y="{}" width="{}%" height="{}" class="band"/>').format(
            left, frame.top_px, round(right - left, 3), frame.height_px
        )
        for left, right in spans[1::2]
    ]
    middles = [round((left + right) / 2, 3) for left, right in spans]
    wide = _apart(middles, range(len(middles)), 100 / _MANY)
    few = set(_apart(middles, wide, 100 / _FEW))
    for place in wide:
        day = shown[starts[place]].date or shown[starts[place]].session
        look = f"date {'any' if place in few else 'wide'}"
        parts.append(text_at(middles[place], frame.bottom_px + 20, day, look))
    return Markup("").join(parts)


def _apart(middles: Sequence[float], places: Iterable[int], least: float) -> list[int]:
    """Of `places`, those whose labels of `least` percent neither touch each other nor the edges."""
    chosen: list[int] = []
    for place in places:
        inside = least / 2 <= middles[place] <= 100 - least / 2
        if inside and (not chosen or middles[place] - middles[chosen[-1]] >= least):
            chosen.append(place)
    return chosen


def _stairs(ladder: Ladder, places: dict[int, int], frame: Frame) -> Markup:
    """The best so far, from each new best to the next."""
    parts = [Markup('<g class="stairs {}">').format(ladder.name)]
    steps = [(frame.x(places[step.row.id]), frame.y(step.figure.mps)) for step in ladder.steps]
    for (x, y), (to, above) in zip(steps, [*steps[1:], (100.0, None)], strict=True):
        parts.append(line(x, y, to, y, "tread"))
        if above is not None:
            parts.append(line(to, y, to, above, "riser"))
    return Markup("").join([*parts, Markup("</g>")])


def _marks(found: History, shown: Sequence[PassRow], frame: Frame) -> Markup:
    """Dots of the passes, larger ones at the bests, with their intervals; figures in doubt crossed out."""
    best: dict[str, set[int]] = {
        ladder.name: {step.row.id for step in ladder.steps} for ladder in (found.trap, found.gnss)
    }
    parts: list[Markup] = []
    for kind, of in (("gnss", peak), ("trap", official)):
        parts.append(Markup('<g class="marks {}">').format(kind))
        for place, row in enumerate(shown):
            figure = of(row)
            if figure is None:
                continue
            new = row.id in best[kind]
            doubt = kind == "trap" and row.result is not None and row.result.verdict == "trap_figure_doubtful"
            x, y = frame.x(place), frame.y(figure.mps)
            if new and figure.low_mps is not None and figure.high_mps is not None:
                parts.append(line(x, frame.y(figure.low_mps), x, frame.y(figure.high_mps), "reach"))
            if doubt or new:
                name = f"{kind}-{'doubt' if doubt else 'best'}"
                parts.append(Markup('<use href="#m-{}" x="{}%" y="{}"/>').format(name, x, y))
            else:  # a plain circle: a thousand of them are drawn at once
                parts.append(Markup('<circle class="{}" r="3.2" cx="{}%" cy="{}"/>').format(kind, x, y))
        parts.append(Markup("</g>"))
    return Markup("").join(parts)


def _dot(row: PassRow, link: str | None) -> list[Any]:
    said = ", ".join(part for part in (row.date, f"pass {row.number}", row.session) if part)
    figures: list[list[Any]] = []
    for kind, of in _KINDS.items():
        if (figure := of(row)) is not None:
            half = None if figure.half_mps is None else round(figure.half_mps, 3)
            figures.append([kind, round(figure.mps, 4), half])
    return [row.id, said, words.verdict(row), link, figures]
