"""Targets: the speed a driver is after, and what is still to go, in the unit of the target's own text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.figures import Figure
from speedlog.logbook.ladders import Ladder
from speedlog.logbook.store import Logbook, new_uid, now_text
from speedlog.logbook.two_way import TwoWay
from speedlog.units import parse_quantity

TargetLadder = Literal["trap", "gnss", "two_way"]


@dataclass(frozen=True)
class Target:
    """A speed to reach on one of the ladders. `car` and `venue` None: any."""

    id: int
    ladder: TargetLadder
    speed_text: str
    car: str | None = None
    venue: str | None = None
    set_at: str = ""


@dataclass(frozen=True)
class Progress:
    """How far it is to a target.

    Attributes:
        best: the best so far, None where there is none.
        passes: those that made it.
        to_go_mps: what is still missing; 0 or below: reached.
        to_go_text: "3.2 mph", in the target's own unit and its digits, at least one behind the point; "" where
            there is no best yet.
        within_noise: the best's interval holds the target.
    """

    target: Target
    target_mps: float
    best: Figure | None
    passes: tuple[int, ...]
    to_go_mps: float | None
    to_go_text: str
    within_noise: bool

    @property
    def reached(self) -> bool:
        return self.to_go_mps is not None and self.to_go_mps <= 0

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.target.id,
            "ladder": self.target.ladder,
            "text": self.target.speed_text,
            "car": self.target.car,
            "venue": self.target.venue,
            "target_mps": self.target_mps,
            "best_mps": self.best.mps if self.best else None,
            "best_passes": list(self.passes),
            "to_go_mps": self.to_go_mps,
            "to_go_text": self.to_go_text or None,
            "reached": self.reached,
            "within_noise": self.within_noise,
        }


def progress(target: Target, best: Figure | None, passes: Sequence[int] = ()) -> Progress:
    """What is to go from `best`.

    Raises:
        SpeedlogError: the target's text is no speed.
    """
    wanted = parse_quantity(target.speed_text, "speed", "target")
    if best is None:
        return Progress(target, wanted.value, None, (), None, "", False)
    missing = wanted.value - best.mps
    digits = max(round(-math.log10(wanted.step / wanted.unit.factor)), 1)
    shown = round(abs(missing) / wanted.unit.factor, digits)
    if missing > 0:
        shown = max(shown, 10.0**-digits)  # "0.0 mph to go" would be a target reached
    low, high = best.low_mps, best.high_mps
    noise = low is not None and high is not None and low <= wanted.value <= high
    text = f"{shown:.{digits}f} {wanted.unit.symbol}"
    return Progress(target, wanted.value, best, tuple(passes), missing, text, noise)


def best_of(
    target: Target, trap: Ladder, gnss: Ladder, two_way: Sequence[TwoWay]
) -> tuple[Figure | None, tuple[int, ...]]:
    """The best on the target's ladder, of ladders already held to its car and venue, and the passes that made it."""
    if target.ladder == "two_way":
        means = [item.best for item in two_way if item.best is not None]
        top = max(means, key=lambda item: item.figure.mps, default=None)
        return (None, ()) if top is None else (top.figure, (top.pair.first.id, top.pair.second.id))
    step = (trap if target.ladder == "trap" else gnss).best
    return (None, ()) if step is None else (step.figure, (step.row.id,))


def targets(book: Logbook) -> tuple[Target, ...]:
    """Those that were set and not dropped, in the order in which they were set."""
    found = book.rows("SELECT * FROM target WHERE dropped_at IS NULL ORDER BY id")
    return tuple(
        Target(row["id"], row["ladder"], row["speed_text"], row["car"], row["venue"], row["set_at"])
        for row in found
    )


def set_target(
    book: Logbook,
    speed_text: str,
    ladder: TargetLadder = "trap",
    car: str | None = None,
    venue: str | None = None,
) -> Target:
    """Set a target; the same again is the one that stands.

    Raises:
        SpeedlogError: the text is no speed above zero with a unit.
    """
    wanted = parse_quantity(speed_text, "speed", "target")
    if wanted.value <= 0:
        raise SpeedlogError(f'target: "{plain(speed_text)}" must be above zero')
    with book.writing("a target set"):
        for item in targets(book):
            if (item.speed_text, item.ladder, item.car, item.venue) == (wanted.text, ladder, car, venue):
                return item
        book.run(
            "INSERT INTO target (uid, ladder, speed_text, car, venue, set_at) VALUES (?, ?, ?, ?, ?, ?)",
            (new_uid(), ladder, wanted.text, car, venue, now_text()),
        )
        return targets(book)[-1]


def drop_target(book: Logbook, number: int) -> Target:
    """Drop a target by its number; it is kept as dropped.

    Raises:
        SpeedlogError: no such target stands.
    """
    with book.writing("a target dropped"):
        found = next((item for item in targets(book) if item.id == number), None)
        if found is None:
            raise SpeedlogError(f"no target {number}", todo="Those that stand: speedlog logbook target")
        book.run("UPDATE target SET dropped_at = ? WHERE id = ?", (now_text(), number))
    return found
