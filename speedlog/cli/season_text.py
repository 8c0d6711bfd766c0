"""A season as a terminal shows it: plain aligned tables, and the sentences of the season page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from speedlog.errors import plain
from speedlog.logbook.figures import estimate, official, peak
from speedlog.report import season_words as words
from speedlog.report.numbers import as_text, mps, speed_unit, write_number

if TYPE_CHECKING:
    from speedlog.logbook.figures import Figure
    from speedlog.logbook.history import History
    from speedlog.logbook.ladders import Ladder, Step
    from speedlog.logbook.two_way import TwoWayStep
    from speedlog.units import Unit

_MOST_STEPS = 6  # of a ladder; what counts is at its top


def in_words(found: History) -> str:
    """The history for a terminal."""
    shown = speed_unit(found.unit)
    said = words.chosen(found.chosen)
    if not found.rows:
        return (
            f"No pass kept ({plain(said, 200)})."
            if said
            else "No pass kept yet. Add one: speedlog add --help"
        )
    parts = [pass_table(found, shown)]
    parts.append(plain(words.season_line(found.rows) + (f" ({said})" if said else ""), 400))
    parts += [_ladder_lines(ladder, shown) for ladder in (found.trap, found.gnss)]
    parts[-1] += (
        f"\n  {words.NOISE_IS}" if any(ladder.steps[1:] for ladder in (found.trap, found.gnss)) else ""
    )
    parts += [_two_way_lines(found, shown), _target_lines(found)]
    for item in found.agreements:
        lines = [plain(as_text(text, shown), 600) for text in words.agreement(item)]
        parts.append("\n  ".join([words.AGREE_TITLE, *lines]))
    if found.effects:
        parts.append(_effects(found, shown))
    return "\n\n".join(part for part in parts if part)


def _effects(found: History, unit: Unit) -> str:
    from speedlog.report import effect_words

    blocks = [effect_words.TITLE]
    for line in found.trends or ():
        table = [[name.format(step=line.step) for name in effect_words.TREND_HEAD]]
        table += [[as_text(cell, unit) for cell in effect_words.trend_cells(item)] for item in line.trends]
        lines = [
            plain(effect_words.trend_title(line), 300),
            *(f"  {row}" for row in aligned(table).splitlines()),
        ]
        blocks.append("\n".join([*lines, *(f"  {text}" for text in effect_words.trend_notes(line))]))
    listed = effect_words.told_singly(found)
    for item in listed:
        table = [list(effect_words.HEAD)]
        table += [[as_text(cell, unit) for cell in effect_words.cells(effect)] for effect in item.effects]
        lines = [plain(as_text(effect_words.title(item), unit), 300)]
        lines += [f"  {line}" for line in aligned(table).splitlines()] if item.effects else []
        lines += [f"  {plain(as_text(text, unit), 400)}" for text in effect_words.notes(item)]
        blocks.append("\n".join(lines))
    if len(listed) < len(found.effects or ()):
        blocks.append(effect_words.SINGLY)
    return "\n\n".join([*blocks, effect_words.HOW])


def pass_table(found: History, unit: Unit) -> str:
    """A row a pass, in the order in which they were driven."""
    several = [len(found.cars) > 1, len(found.venues) > 1]
    best = [{step.row.id for step in ladder.steps} for ladder in (found.trap, found.gnss)]
    in_doubt = [{step.row.id for step in ladder.doubted} for ladder in (found.trap, found.gnss)]
    head = ["no.", "date", "pass", *_some(["car", "venue"], several), f"trap, {unit.symbol}"]
    table = [[*head, "estimate", "fastest moment", "verdict", "best"]]
    for row in found.rows:
        marks = ["trap PB"] if row.id in best[0] else ["trap PB?"] if row.id in in_doubt[0] else []
        marks += ["GNSS PB"] if row.id in best[1] else ["GNSS PB?"] if row.id in in_doubt[1] else []
        named = _some([plain(row.car, 24), plain(row.venue, 24)], several)
        figures = [
            number(official(row), unit, reach=False),
            number(estimate(row), unit),
            number(peak(row), unit),
        ]
        table.append(
            [
                str(row.id),
                row.date or "-",
                str(row.number),
                *named,
                *figures,
                words.verdict(row),
                ", ".join(marks),
            ]
        )
    return aligned(table, right={0, 2})


def _some(cells: list[str], wanted: list[bool]) -> list[str]:
    return [cell for cell, yes in zip(cells, wanted, strict=True) if yes]


def number(figure: Figure | None, unit: Unit, *, reach: bool = True) -> str:
    """ "187.5 ± 0.4", without the unit."""
    if figure is None:
        return "-"
    text = write_number(figure.mps, unit)
    return (
        f"{text} ± {write_number(figure.half_mps, unit)}" if reach and figure.half_mps is not None else text
    )


def aligned(table: Sequence[Sequence[str]], right: set[int] | None = None) -> str:
    """Rows of cells in columns; those of `right` to the right."""
    widths = [max(len(row[k]) for row in table) for k in range(len(table[0]))]
    lines = []
    for row in table:
        cells = [
            cell.rjust(width) if k in (right or set()) else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def _speed(figure: Figure, unit: Unit) -> str:
    return as_text(f"{mps(figure.mps)} {words.reach(figure)}", unit)


def _ladder_lines(ladder: Ladder, unit: Unit) -> str:
    lines = [f"{words.LADDERS[ladder.name]}, step by step. {words.LADDER_IS[ladder.name]}"]
    if not ladder.steps and not ladder.doubted:
        return f"{lines[0]}\n  none yet"

    def row(step: Step, said: str) -> list[str]:
        return [f"  {step.row.id}", step.row.date or "-", _speed(step.figure, unit), as_text(said, unit)]

    shown = ladder.steps[-_MOST_STEPS:]
    table = [row(step, words.gained(step.gain)) for step in shown]
    table += [row(step, words.doubted(step, ladder.name)) for step in ladder.doubted]
    return "\n".join([*lines, *_earlier(len(ladder.steps) - len(shown)), aligned(table)])


def _earlier(count: int) -> list[str]:
    return [f"  … {count} earlier: --out and --json have them all"] if count else []


def _two_way_lines(found: History, unit: Unit) -> str:
    if not found.two_way:
        return ""
    lines = [words.LADDERS["two_way"]]
    if not found.rule_set:
        lines.append(f"  {words.no_rule(found.two_way[0].rule)}")

    def row(step: TwoWayStep, said: str) -> str:
        day = step.pair.second.date or "-"
        return f"    {day}  {_speed(step.figure, unit)}: {as_text(words.two_way(step) + '; ' + said, unit)}"

    for item in found.two_way:
        where = ", ".join(part for part in (item.car, item.venue) if part)
        lines.append(f"  {plain(words.rule(item.rule), 200)}; {plain(where, 120)}")
        shown = item.steps[-_MOST_STEPS:]
        lines += _earlier(len(item.steps) - len(shown))
        lines += [row(step, words.gained(step.gain)) for step in shown]
        lines += [row(step, words.SHORT) for step in item.short]
        lines += [row(step, words.DOUBTED_PAIR) for step in item.doubted]
    return "\n".join(lines)


def _target_lines(found: History) -> str:
    if not found.targets:
        return words.NO_TARGET
    table = [
        [f"  {item.target.id}", plain(words.target(item.target), 120), words.to_go(item)]
        for item in found.targets
    ]
    return f"Targets\n{aligned(table)}"
