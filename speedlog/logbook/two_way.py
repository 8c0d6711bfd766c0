"""Two-way means: two passes in opposite directions within a time window, by the user's own rule.

The mean of the times is the whole length over the whole time, v = 2 L / (L/v₁ + L/v₂): the harmonic mean of the
speeds, and never above their plain mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speedlog.logbook.figures import Figure, Gain, doubtful, gain, in_order, moment, official
from speedlog.logbook.rows import PassRow
from speedlog.settings.season import SeasonSettings

_SETTINGS = SeasonSettings()
Mean = Literal["times", "speeds"]


@dataclass(frozen=True)
class Rule:
    """The user's rule of a two-way mean.

    Attributes:
        name: the user's name for it; "" where none is set and the usual window stands in.
        window_s: from one pass through the trap to the other.
        mean: which mean counts.
        least_gain: share by which a new best must beat the last.
    """

    name: str = ""
    window_s: float = _SETTINGS.window_s
    mean: Mean = "times"
    least_gain: float = 0.0

    def as_json(self) -> dict[str, Any]:
        named = self.name or None
        return {"name": named, "window_s": self.window_s, "mean": self.mean, "least_gain": self.least_gain}


@dataclass(frozen=True)
class Pair:
    """Two passes in opposite directions, the earlier first.

    Attributes:
        times, speeds: the mean of the times and that of the speeds. Their interval's ends are the means of the
            figures' ends: right however much the two figures have in common (the tape's error, all of it).
        apart_s: between the two, at the trap.
    """

    first: PassRow
    second: PassRow
    times: Figure
    speeds: Figure
    apart_s: float

    def counted(self, rule: Rule) -> Figure:
        return self.times if rule.mean == "times" else self.speeds


@dataclass(frozen=True)
class TwoWayStep:
    """A new best mean, and what it is above the best before (None at the first)."""

    pair: Pair
    figure: Figure
    gain: Gain | None

    def as_json(self) -> dict[str, Any]:
        gained = self.gain or Gain(0.0, None)
        return {
            "passes": [self.pair.first.id, self.pair.second.id],
            "date": self.pair.second.date,
            "apart_s": self.pair.apart_s,
            "mean_of_times_mps": self.pair.times.mps,
            "mean_of_speeds_mps": self.pair.speeds.mps,
            **self.figure.as_json(),
            **(gained.as_json() if self.gain else dict.fromkeys(gained.as_json())),
        }


@dataclass(frozen=True)
class TwoWay:
    """The ladder of two-way means of one car at one venue, under one rule.

    Attributes:
        short: means above the best to this day that gain less on it than the rule asks for.
        doubted: means above it, where the logs speak against one of the figures.
    """

    rule: Rule
    venue: str
    car: str
    steps: tuple[TwoWayStep, ...]
    short: tuple[TwoWayStep, ...] = ()
    doubted: tuple[TwoWayStep, ...] = ()

    @property
    def best(self) -> TwoWayStep | None:
        return self.steps[-1] if self.steps else None

    def as_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule.as_json(),
            "venue": self.venue,
            "car": self.car,
            "steps": [item.as_json() for item in self.steps],
            "short_of_least_gain": [item.as_json() for item in self.short],
            "doubted": [item.as_json() for item in self.doubted],
        }


def mean_of_times(one: float, other: float) -> float:
    """Both lengths over both times, for passes over one length: the harmonic mean of the speeds."""
    return 2 / (1 / one + 1 / other)


def mean_of_speeds(one: float, other: float) -> float:
    return (one + other) / 2


def two_way_ladders(
    rows: Sequence[PassRow], rule: Rule, settings: SeasonSettings = _SETTINGS
) -> tuple[TwoWay, ...]:
    """A ladder for each car at each venue that has a pair; the fastest first."""
    groups: dict[tuple[str, str], list[PassRow]] = {}
    for row in in_order(rows):
        groups.setdefault((row.venue, row.car), []).append(row)
    made = [_ladder(found, rule, venue, car, settings) for (venue, car), found in groups.items()]
    held = [item for item in made if item.steps or item.doubted]
    return tuple(sorted(held, key=lambda item: -(item.best.figure.mps if item.best else 0.0)))


def pairs(rows: Sequence[PassRow], window_s: float, settings: SeasonSettings = _SETTINGS) -> list[Pair]:
    """All opposite pairs within the window, of one car at one venue, in the order in which they were completed."""
    timed = [(at, row) for row in rows if (at := moment(row)) is not None and _usable(row)]
    timed.sort(key=lambda item: item[0])
    found: list[Pair] = []
    for place, (at, row) in enumerate(timed):
        for before, other in reversed(timed[:place]):
            apart = (at - before).total_seconds()
            if apart > window_s:
                break
            if _opposite(row, other, settings):
                found.append(_pair(other, row, apart))
    return found


def _usable(row: PassRow) -> bool:
    return official(row) is not None and row.result is not None and row.result.outbound is not None


def _opposite(row: PassRow, other: PassRow, settings: SeasonSettings) -> bool:
    assert row.result is not None and other.result is not None
    lengths = row.result.trap_length_m, other.result.trap_length_m
    same = lengths[0] is None or lengths[1] is None or abs(lengths[0] - lengths[1]) <= settings.same_length_m
    return bool(row.result.outbound) != bool(other.result.outbound) and same


def _pair(first: PassRow, second: PassRow, apart_s: float) -> Pair:
    one, other = official(first), official(second)
    assert one is not None and other is not None
    ends: list[tuple[float, float]] = []
    if one.half_mps is not None and other.half_mps is not None:
        ends = [(one.low_mps, other.low_mps), (one.high_mps, other.high_mps)]  # type: ignore[list-item]
    times = Figure(mean_of_times(one.mps, other.mps), *(mean_of_times(*end) for end in ends))
    speeds = Figure(mean_of_speeds(one.mps, other.mps), *(mean_of_speeds(*end) for end in ends))
    return Pair(first, second, times, speeds, apart_s)


def _ladder(rows: list[PassRow], rule: Rule, venue: str, car: str, settings: SeasonSettings) -> TwoWay:
    steps: list[TwoWayStep] = []
    beside: dict[str, list[Pair]] = {"short": [], "doubted": []}
    for pair in pairs(rows, rule.window_s, settings):
        figure = pair.counted(rule)
        best = steps[-1].figure if steps else None
        if doubtful(pair.first) or doubtful(pair.second):
            beside["doubted"].append(pair)
        elif best is not None and best.mps < figure.mps < best.mps * (1 + rule.least_gain):
            beside["short"].append(pair)
        elif best is None or figure.mps > best.mps:
            steps.append(TwoWayStep(pair, figure, None if best is None else gain(figure, best)))
    last = steps[-1].figure if steps else None
    above = {
        kind: tuple(
            TwoWayStep(pair, figure, None if last is None else gain(figure, last))
            for pair in found
            if (figure := pair.counted(rule)) and (last is None or figure.mps > last.mps)
        )
        for kind, found in beside.items()
    }
    return TwoWay(rule, venue, car, tuple(steps), **above)
