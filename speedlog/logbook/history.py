"""What `history` shows: the passes by date, both ladders, two-way means, targets, loggers against the trap.

Pure over kept rows but for `read_history`; light, as a terminal waits for it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from speedlog.logbook.figures import estimate, figure_unit, in_order, official, peak
from speedlog.logbook.ladders import Ladder, Step, gnss_ladder, trap_ladder
from speedlog.logbook.rows import PassRow, passes
from speedlog.logbook.rules import rules
from speedlog.logbook.season_agreement import Agreement, agreements
from speedlog.logbook.store import Logbook
from speedlog.logbook.targets import Progress, Target, best_of, progress, targets
from speedlog.logbook.two_way import Rule, TwoWay, two_way_ladders
from speedlog.settings.season import SeasonSettings

if TYPE_CHECKING:
    from speedlog.logbook.change_effect import ChangeEffect, ChangeTrend

FALLBACK_UNIT = "km/h"  # where no trap figure says otherwise
_SETTINGS = SeasonSettings()


@dataclass(frozen=True)
class Chosen:
    """Which passes were asked for; None or empty: all."""

    car: str | None = None
    venue: str | None = None
    since: str | None = None
    setup: Mapping[str, str] = field(default_factory=dict)

    @property
    def everything(self) -> bool:
        return not (self.car or self.venue or self.since or self.setup)

    def as_json(self) -> dict[str, Any]:
        return {"car": self.car, "venue": self.venue, "since": self.since, "setup": dict(self.setup)}


@dataclass(frozen=True)
class Bests:
    """The bests of one car, or at one venue."""

    name: str
    passes: int
    trap: Step | None
    gnss: Step | None

    def as_json(self) -> dict[str, Any]:
        def of(step: Step | None) -> dict[str, Any] | None:
            return None if step is None else {"pass": step.row.id, **step.figure.as_json()}

        return {"name": self.name, "passes": self.passes, "trap": of(self.trap), "gnss": of(self.gnss)}


@dataclass(frozen=True)
class History:
    """A season, or the part of it that was chosen.

    Attributes:
        rows: the chosen passes in the order in which they were driven.
        unit: symbol of the speed unit to show them in.
        two_way: the ladders of two-way means, rule by rule. rule_set: whether the rules are the user's own.
        targets: judged over all passes of their car and venue, chosen or not.
        effects, trends: of the changes of the key that was asked for; None where none was.
    """

    rows: tuple[PassRow, ...]
    chosen: Chosen
    unit: str
    trap: Ladder
    gnss: Ladder
    two_way: tuple[TwoWay, ...]
    rule_set: bool
    targets: tuple[Progress, ...]
    agreements: tuple[Agreement, ...]
    cars: tuple[Bests, ...]
    venues: tuple[Bests, ...]
    effects: tuple[ChangeEffect, ...] | None = None
    trends: tuple[ChangeTrend, ...] | None = None

    def as_json(self) -> dict[str, Any]:
        """The form of history.schema.json: unknown is null, SI units, the unit in the name."""
        bests = [{step.row.id for step in ladder.steps} for ladder in (self.trap, self.gnss)]
        return {
            "schema_version": 1,
            "chosen": self.chosen.as_json(),
            "unit": self.unit,
            "passes": [
                pass_json(row) | {"trap_pb": row.id in bests[0], "gnss_pb": row.id in bests[1]} for row in self.rows
            ],
            "ladders": {"trap": self.trap.as_json(), "gnss": self.gnss.as_json()},
            "two_way": [item.as_json() for item in self.two_way],
            "targets": [item.as_json() for item in self.targets],
            "agreement": [item.as_json() for item in self.agreements],
            "by_car": [item.as_json() for item in self.cars],
            "by_venue": [item.as_json() for item in self.venues],
            "effects": None if self.effects is None else [item.as_json() for item in self.effects],
            "trends": None if self.trends is None else [item.as_json() for item in self.trends],
        }  # fmt: skip


def read_history(
    book: Logbook, chosen: Chosen | None = None, unit: str | None = None, *, effect: str | None = None
) -> History:
    """The history of a logbook, from one state of it.

    Args:
        effect: key of the set-up whose changes are to be judged.

    Raises:
        SpeedlogError: `effect` is no such key, or was not changed.
    """
    chosen = chosen or Chosen()
    with book.reading():
        every = passes(book)
        rows = every
        if not chosen.everything:
            rows = passes(book, car=chosen.car, venue=chosen.venue, since=chosen.since, setup=chosen.setup)
        found = history(rows, every=every, chosen=chosen, rules=rules(book), targets=targets(book), unit=unit)
        if effect is None:
            return found
        # numpy, which nothing else here needs
        from speedlog.logbook.change_effect import read_effects, read_trends

        return replace(
            found, effects=read_effects(book, rows, effect), trends=read_trends(book, rows, effect)
        )


def history(
    rows: Sequence[PassRow],
    *,
    every: Sequence[PassRow] | None = None,
    chosen: Chosen | None = None,
    rules: Sequence[Rule] = (),
    targets: Sequence[Target] = (),
    unit: str | None = None,
    settings: SeasonSettings = _SETTINGS,
) -> History:
    """All of it from rows.

    Args:
        every: all passes kept, by which targets are judged; `rows` if None.
        unit: symbol to show speeds in; that of most trap figures if None.

    Raises:
        SpeedlogError: a target's text is no speed.
    """
    ordered = in_order(rows)
    by = rules or (Rule(window_s=settings.window_s),)
    return History(
        rows=tuple(ordered),
        chosen=chosen or Chosen(),
        unit=unit or _shown_unit(ordered),
        trap=trap_ladder(ordered),
        gnss=gnss_ladder(ordered),
        two_way=_two_way(ordered, by, settings),
        rule_set=bool(rules),
        targets=tuple(_progress(item, rows if every is None else every, by, settings) for item in targets),
        agreements=agreements(ordered, settings),
        cars=_bests(ordered, lambda row: row.car),
        venues=_bests(ordered, lambda row: row.venue),
    )


def _shown_unit(rows: Sequence[PassRow]) -> str:
    found = figure_unit(rows)
    return found if found in ("mph", "km/h", "m/s") else FALLBACK_UNIT


def _two_way(rows: Sequence[PassRow], by: Sequence[Rule], settings: SeasonSettings) -> tuple[TwoWay, ...]:
    return tuple(item for rule in by for item in two_way_ladders(rows, rule, settings))


def _progress(
    target: Target, every: Sequence[PassRow], by: Sequence[Rule], settings: SeasonSettings
) -> Progress:
    rows = [
        row
        for row in every
        if (target.car is None or row.car.casefold() == target.car.casefold())
        and (target.venue is None or row.venue.casefold() == target.venue.casefold())
    ]
    pairs = _two_way(rows, by, settings) if target.ladder == "two_way" else ()
    return progress(target, *best_of(target, trap_ladder(rows), gnss_ladder(rows), pairs))


def _bests(rows: Sequence[PassRow], name_of: Callable[[PassRow], str]) -> tuple[Bests, ...]:
    """The bests by a name, the fastest first."""
    groups: dict[str, list[PassRow]] = {}
    for row in rows:
        groups.setdefault(name_of(row), []).append(row)
    made = [
        Bests(name, len(found), trap_ladder(found).best, gnss_ladder(found).best)
        for name, found in groups.items()
    ]

    def speed(item: Bests) -> float:
        return max((step.figure.mps for step in (item.trap, item.gnss) if step), default=0.0)

    return tuple(sorted(made, key=lambda item: (-speed(item), item.name)))


def pass_json(row: PassRow) -> dict[str, Any]:
    """A pass as `history --json` and `compare --json` name it."""
    found = row.result

    def of(name: str, figure: Any) -> dict[str, Any]:
        both = {"speed_mps": None, "interval95_mps": None} if figure is None else figure.as_json()
        return {f"{name}_mps": both["speed_mps"], f"{name}_interval95_mps": both["interval95_mps"]}

    return {
        "pass": row.id,
        "session": row.session,
        "date": row.date,
        "number": row.number,
        "venue": row.venue,
        "car": row.car,
        "start_utc": row.start_utc,
        "outbound": found.outbound if found else None,
        "trap_text": row.trap_text,
        **of("official", official(row)),
        **of("estimate", estimate(row)),
        **of("peak", peak(row)),
        "verdict": found.verdict if found else None,
        "independent": found.independent if found else None,
        "error": found.error if found else None,
        "setup": dict(row.setup),
        "measured": dict(row.measured),
        "note": row.note,
    }
