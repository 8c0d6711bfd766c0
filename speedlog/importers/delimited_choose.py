"""Which header fills which column of the common table, where several could."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from speedlog.errors import plain
from speedlog.importers.columns import KINDS, Meaning
from speedlog.importers.delimited_cells import cell_unit
from speedlog.importers.delimited_layout import Layout
from speedlog.importers.delimited_map import Choice, Mapping
from speedlog.importers.delimited_plan import position

# a speed controller's columns: where one of them is there, a bare "Temp" is the controller's
CONTROLLER = ("rpm", "current_a", "voltage_v")
USUAL_UNITS = {"alt_m": "m", "current_a": "A", "voltage_v": "V", "motor_temp_c": "°C",
             "controller_temp_c": "°C",              "rpm": "rpm"}  # fmt: skip
_HINT = "--columns map.toml"


@dataclass(frozen=True)
class Chosen:
    """The column of the file that fills one column of the common table."""

    name: str
    index: int
    header: str
    meaning: Meaning
    choice: Choice | None = None


def choose(layout: Layout, mapping: Mapping, taken: set[int]) -> tuple[dict[str, Chosen], list[str]]:
    """One header for each column of the common table (and the helpers "x", "lat_side" …).

    The rule: the user's mapping; else a header over cells that say something before one over blanks, one
    that states its unit before one that does not, then the better word (GPS before any other speed, the
    pack's current before the motor's, motor rpm before electrical), then the leftmost.

    Args:
        layout: of the table.
        mapping: the user's.
        taken: positions already used (the times).

    Returns:
        (what was chosen by column, warnings).

    Raises:
        SpeedlogError: the mapping names a header that the table does not have.
    """
    chosen: dict[str, Chosen] = {}
    warnings: list[str] = []
    for name, choice in mapping.columns.items():
        if name in ("time", "date"):
            continue
        at = position(choice, layout, mapping, name)
        traits = {trait for trait in (choice.of, "electrical" if choice.electrical else None) if trait}
        found = layout.meanings[at] if at < len(layout.meanings) else None
        unit = choice.unit or (found.unit if found and found.column == name else None)
        said_by = "your mapping" if choice.unit or found is None else found.unit_from
        meaning = Meaning(name, KINDS[name], unit, traits=frozenset(traits), unit_from=said_by)
        chosen[name] = Chosen(name, at, layout.headers[at], meaning, choice)
    used = taken | {item.index for item in chosen.values()}
    for name, rivals in _candidates(layout, used).items():
        if name in chosen:
            continue
        best, *others = sorted(rivals, key=lambda item: _worth(item, layout))
        chosen[name] = best
        if others:
            shown = ", ".join(f'"{plain(item.header, 40)}"' for item in others[:5])
            warnings.append(f'{name}: "{plain(best.header)}" is used, not {shown} ({_HINT} chooses another)')
    _settle_temperature(chosen, warnings)
    return chosen, warnings


def _candidates(layout: Layout, used: set[int]) -> dict[str, list[Chosen]]:
    found: dict[str, list[Chosen]] = {}
    for at, meaning in enumerate(layout.meanings):
        if meaning is None or at in used or meaning.column in ("time", "date"):
            continue
        name = meaning.column
        if name in ("lat_side", "lon_side") and any(
            char.isdigit() for cell in layout.cells(at)[:5] for char in cell
        ):
            name = name.replace("_side", "_deg")  # "Latitude N/S" over "53.1 N"
            meaning = replace(meaning, column=name, kind="angle")
        if meaning.kind and meaning.unit is None:
            written = cell_unit(layout.cells(at), meaning.kind)
            meaning = replace(meaning, unit=written, unit_from="the cells") if written else meaning
        found.setdefault(name, []).append(Chosen(name, at, layout.headers[at], meaning))
    return found


def _worth(item: Chosen, layout: Layout) -> tuple[bool, bool, float, int]:
    """Sorted by this, the best comes first."""
    return (
        not layout.cells(item.index),
        item.meaning.kind in ("speed", "acceleration") and item.meaning.unit is None,
        item.meaning.rank,
        item.index,
    )


def _settle_temperature(chosen: dict[str, Chosen], warnings: list[str]) -> None:
    """A bare "Temp" is the controller's where the log is a controller's, and nobody's otherwise."""
    bare = chosen.pop("temp", None)
    if bare is None or "controller_temp_c" in chosen or not any(name in chosen for name in CONTROLLER):
        return
    chosen["controller_temp_c"] = replace(bare, name="controller_temp_c")
    warnings.append(f'"{plain(bare.header)}" does not say of what: read as the controller\'s temperature')


def usual_units(chosen: dict[str, Chosen], warnings: list[str]) -> None:
    """Give the trade's usual unit to what states none, and say so; leave out what states an unknown one."""
    guessed = []
    for name, item in list(chosen.items()):
        unknown, kind = item.meaning.unknown_unit, item.meaning.kind
        if unknown and kind not in (None, "angle", "speed"):
            del chosen[name]
            warnings.append(
                f'"{plain(item.header)}" is left out: "{plain(unknown, 20)}" is no unit of {kind}; '
                f"{_HINT} states it"
            )
        elif name == "accel_mps2" and item.meaning.unit is None:
            del chosen[name]
            warnings.append(
                f'"{plain(item.header)}" is left out: it states no unit (g or m/s²); {_HINT} states it'
            )
        elif name in USUAL_UNITS and item.meaning.unit is None and not (name == "rpm" and item.choice):
            guessed.append(f'"{plain(item.header, 40)}" in {USUAL_UNITS[name]}')
    if guessed:
        warnings.append(f"no unit stated, read as usual: {', '.join(guessed)}")


def facts_of(chosen: dict[str, Chosen], layout: Layout, used: Sequence[int]) -> dict[str, str]:
    """Which header was used for which column, whose the current is, what was not used."""
    names = [f'{name} from "{plain(item.header, 60)}"' for name, item in chosen.items() if name in KINDS]
    facts = {"columns": "; ".join(names)}
    if "current_a" in chosen:
        traits = chosen["current_a"].meaning.traits
        facts["current"] = "pack" if "pack" in traits else "motor" if "motor" in traits else "not stated"
    unused = [plain(header, 40) for at, header in enumerate(layout.headers) if at not in used and header]
    if unused:
        more = f" and {len(unused) - 20} more" if len(unused) > 20 else ""
        facts["not used"] = ", ".join(unused[:20]) + more
    return facts
