"""Personal bests: the trap PB and the GNSS PB, two separate ladders, and the step at each new best."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from speedlog.logbook.figures import Figure, Gain, LadderName, doubtful, gain, in_order, official, peak
from speedlog.logbook.rows import PassRow
from speedlog.settings.judging import VerdictSettings


@dataclass(frozen=True)
class Step:
    """A new best: the pass, its figure, and what it is above the best before (None at the first)."""

    row: PassRow
    figure: Figure
    gain: Gain | None

    def as_json(self) -> dict[str, Any]:
        gained = self.gain or Gain(0.0, None)
        head = {"pass": self.row.id, "date": self.row.date} | self.figure.as_json()
        return head | (gained.as_json() if self.gain else dict.fromkeys(gained.as_json()))


@dataclass(frozen=True)
class Ladder:
    """The bests of one kind, in the order in which they were driven.

    Attributes:
        steps: each a new best.
        doubted: passes that would have been one, but the logs speak against their trap figure, or tell the
            fastest moment too vaguely.
    """

    name: LadderName
    steps: tuple[Step, ...]
    doubted: tuple[Step, ...] = ()

    @property
    def best(self) -> Step | None:
        return self.steps[-1] if self.steps else None

    def as_json(self) -> dict[str, Any]:
        return {
            "best_pass": self.best.row.id if self.best else None,
            "steps": [item.as_json() for item in self.steps],
            "doubted": [item.as_json() for item in self.doubted],
        }


def trap_ladder(rows: Sequence[PassRow]) -> Ladder:
    """The ladder of trap figures; one that the logs speak against makes no best, and is listed beside."""
    return _ladder("trap", rows, official, doubtful)


def gnss_ladder(rows: Sequence[PassRow]) -> Ladder:
    """The ladder of fastest moments by the fused estimate, made without the trap figures.

    One known no better than a verdict asks of an estimate makes no best, and is listed beside.
    """
    return _ladder("gnss", rows, peak, _vague)


def _vague(row: PassRow) -> bool:
    figure = peak(row)
    return figure is not None and (figure.half_mps or 0.0) > VerdictSettings.widest_half_width * figure.mps


def _ladder(
    name: LadderName,
    rows: Sequence[PassRow],
    figure_of: Callable[[PassRow], Figure | None],
    doubted: Callable[[PassRow], bool],
) -> Ladder:
    steps: list[Step] = []
    beside: list[Step] = []
    for row in in_order(rows):
        figure = figure_of(row)
        best = steps[-1].figure if steps else None
        if figure is None or (best is not None and figure.mps <= best.mps):
            continue
        step = Step(row, figure, None if best is None else gain(figure, best))
        (beside if doubted(row) else steps).append(step)
    return Ladder(name, tuple(steps), tuple(beside))
