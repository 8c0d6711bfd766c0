"""`speedlog logbook target` and `speedlog logbook rule`: what a driver is after, and by whose rule a mean counts."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.logbook.store import Logbook


class On(StrEnum):
    """The ladders a target may be on."""

    trap = "trap"
    gnss = "gnss"
    two_way = "two-way"


class By(StrEnum):
    """The means a rule may count."""

    times = "times"
    speeds = "speeds"


def target(
    speed: Annotated[str | None, typer.Argument(help='"190 mph"; none lists the targets.')] = None,
    on: Annotated[
        On, typer.Option("--on", help="Trap figures, the loggers' fastest moments, or two-way means.")
    ] = On.trap,
    car: Annotated[str | None, typer.Option("--car", help="For this car only.")] = None,
    venue: Annotated[str | None, typer.Option("--venue", help="At this venue only.")] = None,
    drop: Annotated[
        int | None, typer.Option("--drop", metavar="N", help="Drop the target of this number.")
    ] = None,
    logbook: LogbookFile = None,
) -> None:
    """Set a target, list the targets, or drop one; history says what is still to go.

    Example: speedlog logbook target "190 mph"
    """
    from typing import get_args

    from speedlog.logbook import targets as kept
    from speedlog.report import season_words as words

    if speed is not None and drop is not None:
        raise SpeedlogError("--drop takes a number and no speed", todo="Set and drop one by one.")
    ladder = next(name for name in get_args(kept.TargetLadder) if name == on.name)
    with _book(logbook, writes=speed is not None or drop is not None) as book:
        if drop is not None:
            print(f"Dropped: {plain(words.target(kept.drop_target(book, drop)), 200)}")
        if speed is not None:
            made = kept.set_target(book, speed, ladder, car, venue)
            print(f"Target {made.id}: {plain(words.target(made), 200)}")
        if speed is None and drop is None:
            every = kept.targets(book)
            for item in every:
                print(f"{item.id}  {plain(words.target(item), 200)}")
            if not every:
                print(words.NO_TARGET)


def rule(
    name: Annotated[str | None, typer.Argument(help="Your name for the rule; none lists the rules.")] = None,
    window: Annotated[
        str | None, typer.Option("--window", help='Both passes within it, "60 min" unless set.')
    ] = None,
    mean: Annotated[By | None, typer.Option("--mean", help="Which mean counts; times unless set.")] = None,
    least_gain: Annotated[
        str | None, typer.Option("--least-gain", help='By how much a new best must beat the last: "1 %".')
    ] = None,
    drop: Annotated[bool, typer.Option("--drop", help="Drop this rule.")] = False,
    logbook: LogbookFile = None,
) -> None:
    """Set the rule by which a two-way mean counts, list the rules, or drop one.

    Example: speedlog logbook rule "club record" --window "60 min" --mean times --least-gain "1 %"
    """
    from speedlog.logbook import rules as kept
    from speedlog.report import season_words as words

    if name is None and (drop or window or mean or least_gain):
        raise SpeedlogError(
            "a rule needs a name", todo='Like: speedlog logbook rule "club record" --window "60 min"'
        )
    with _book(logbook, writes=name is not None) as book:
        if name is None:
            every = kept.rules(book)
            print("\n".join(plain(words.rule(item), 200) for item in every) or "No rule is set.")
        elif drop:
            print(f"Dropped: {plain(words.rule(kept.drop_rule(book, name)), 200)}")
        else:
            made = kept.set_rule(
                book, name, window=window, mean=None if mean is None else mean.value, least_gain=least_gain
            )
            print(plain(words.rule(made), 200))


def _book(logbook: Path | None, *, writes: bool) -> Logbook:
    from speedlog.logbook.store import Logbook
    from speedlog.logbook.where import logbook_path

    return Logbook.open(logbook_path(logbook), create=writes, read_only=not writes)
