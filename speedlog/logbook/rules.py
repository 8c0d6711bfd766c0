"""The user's rules of a two-way mean, kept under the user's own names for them."""

from __future__ import annotations

from dataclasses import replace

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.store import Logbook, new_uid, now_text
from speedlog.logbook.two_way import Mean, Rule
from speedlog.units import parse_quantity


def rules(book: Logbook) -> tuple[Rule, ...]:
    """Those that were set and not dropped, in the order in which they were set."""
    found = book.rows("SELECT * FROM rule WHERE dropped_at IS NULL ORDER BY id")
    return tuple(Rule(row["name"], row["window_s"], row["mean"], row["least_gain"]) for row in found)


def rule_named(book: Logbook, name: str) -> Rule:
    """The rule of this name (case doesn't matter).

    Raises:
        SpeedlogError: there is none.
    """
    every = rules(book)
    found = next((item for item in every if item.name.casefold() == name.strip().casefold()), None)
    if found is None:
        listed = ", ".join(f'"{plain(item.name, 40)}"' for item in every) or "none is set yet"
        raise SpeedlogError(f'no rule "{plain(name)}"', todo=f"Rules: {listed}.")
    return found


def as_rule(name: str, window: str | None, mean: str | None, least_gain: str | None, before: Rule) -> Rule:
    """A rule as the user wrote it ("60 min", "times", "1 %"); what is not said stays as before.

    Raises:
        SpeedlogError: a text that says none of it.
    """
    if not name.strip():
        raise SpeedlogError(
            "a rule needs a name", todo='Like: speedlog logbook rule "club record" --window "60 min"'
        )
    made = replace(before, name=name.strip())
    if window is not None:
        seconds = parse_quantity(window, "time", "window").value
        if seconds <= 0:
            raise SpeedlogError(f'window: "{plain(window)}" must be above zero')
        made = replace(made, window_s=seconds)
    if mean is not None:
        chosen: dict[str, Mean] = {"times": "times", "speeds": "speeds"}
        if mean not in chosen:
            raise SpeedlogError(f'mean: "{plain(mean)}" is not known', todo="Take times or speeds.")
        made = replace(made, mean=chosen[mean])
    if least_gain is not None:
        share = parse_quantity(least_gain, "share", "least gain").value
        if not 0 <= share < 1:
            raise SpeedlogError(f'least gain: "{plain(least_gain)}" must lie between 0 % and 100 %')
        made = replace(made, least_gain=share)
    return made


def set_rule(
    book: Logbook,
    name: str,
    *,
    window: str | None = None,
    mean: str | None = None,
    least_gain: str | None = None,
) -> Rule:
    """Set a rule, or change the one of this name.

    Raises:
        SpeedlogError: see `as_rule`.
    """
    with book.writing("a rule set"):
        before = next((item for item in rules(book) if item.name == name.strip()), Rule())
        made = as_rule(name, window, mean, least_gain, before)
        kept = book.row("SELECT id FROM rule WHERE name = ?", (made.name,))
        if kept is None:
            book.run(
                "INSERT INTO rule (uid, name, window_s, mean, least_gain, set_at) VALUES (?, ?, ?, ?, ?, ?)",
                (new_uid(), made.name, made.window_s, made.mean, made.least_gain, now_text()),
            )
        else:
            book.run(
                "UPDATE rule SET window_s = ?, mean = ?, least_gain = ?, dropped_at = NULL WHERE id = ?",
                (made.window_s, made.mean, made.least_gain, kept["id"]),
            )
    return made


def drop_rule(book: Logbook, name: str) -> Rule:
    """Drop a rule; it is kept as dropped.

    Raises:
        SpeedlogError: no such rule stands.
    """
    with book.writing("a rule dropped"):
        found = rule_named(book, name)
        book.run("UPDATE rule SET dropped_at = ? WHERE name = ?", (now_text(), found.name))
    return found
