"""A first mapping of a table for its user to edit: what `--columns` takes, written from what was understood.

Read with it, the same file gives the same table: what is only guessed stands in it as a comment, unless
stating it changes nothing. A table that can't be read yet gives a start with every column in it.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections import Counter
from dataclasses import dataclass, field
from pathlib import PurePath

from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions, Source
from speedlog.importers.columns import KINDS
from speedlog.importers.delimited import TableRead, read_table
from speedlog.importers.delimited_choose import USUAL_UNITS
from speedlog.importers.delimited_layout import NUMBER, SEPARATORS, Layout
from speedlog.importers.delimited_map import load_mapping
from speedlog.importers.delimited_plan import Form
from speedlog.importers.delimited_text import clean, split_line
from speedlog.importers.delimited_values import Use
from speedlog.samples import COLUMN_NAMES, Clock
from speedlog.units import symbols

_WIDTH = 110
_SHOWN = 3  # cells of a column
_LONGEST_HEADER = 60
_MOST_COLUMNS = 400  # listed; a table with more is no hand's work
_NAMED = {",": ",", ";": ";", "|": "|", "\t": "tab", " ": "blanks"}


@dataclass(frozen=True)
class Suggestion:
    """A mapping as TOML.

    Attributes:
        text: of the file.
        used, listed: columns of the table that are used, and all.
        doubts: what was guessed; empty where nothing was.
        start_only: why the table can't be read, so that the mapping is a start without any column in it; "".
    """

    text: str
    used: int
    listed: int
    doubts: tuple[str, ...] = ()
    start_only: str = ""


@dataclass
class _Writer:
    """Lines of TOML, comments cut to a readable width."""

    lines: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.lines += textwrap.wrap(
            plain(text, 600), _WIDTH, initial_indent="# ", subsequent_indent="#   ", break_long_words=False
        )

    def put(self, line: str = "") -> None:
        self.lines.append(line)

    def text(self) -> str:
        text = "\n".join(self.lines) + "\n"
        return text.encode("utf-8", errors="replace").decode(
            "utf-8"
        )  # a file's name may hold bytes that are no text


def suggest_mapping(source: Source, options: ReadOptions) -> Suggestion:
    """The best guess of a table's mapping.

    Raises:
        SpeedlogError: a given mapping holds a mistake; the file holds no rows of text at all.
    """
    load_mapping(options.columns, source.file)  # its mistakes are the user's to mend first
    try:
        read = read_table(source, options)
    except SpeedlogError as error:
        return _start(source, options, error.problem)
    return _whole(source, options, read)


def _whole(source: Source, options: ReadOptions, read: TableRead) -> Suggestion:
    out, layout = _Writer(), read.layout
    uses = {name: read.values.uses[name] for name in COLUMN_NAMES if name in read.values.uses}
    used = read.taken | {use.item.index for use in uses.values()}
    used |= {use.side.index for use in uses.values() if use.side is not None}
    out.say(
        f"How speedlog understands the columns of {PurePath(source.file).name}: a guess, for you to edit."
    )
    out.say(
        "What stands after # is not read. Use: --columns with this file's name, or columns = … in a session.toml."
    )
    for doubt in read.warnings:
        out.say(f"DOUBT: {doubt}")
    out.put()
    _top(out, read, options, source)
    out.put("[columns]                   # what is not named here is still read by its header")
    _time(out, read)
    for name, use in uses.items():
        out.say(f"{_where(layout, use.item.index)}{_unit_words(read, name)}")
        out.put(f"{name} = {{ {', '.join(_entry(read, name, use))} }}")
    _unused(out, read, used, options, source)
    _reference(out)
    return Suggestion(out.text(), len(used), len(layout.headers), read.warnings)


def _top(out: _Writer, read: TableRead, options: ReadOptions, source: Source) -> None:
    layout, mapping = read.layout, load_mapping(options.columns, source.file)
    out.put(f'separator = "{_NAMED[layout.separator]}"             # "," ";" "|" "tab" "blanks"')
    out.put(f'decimal = "{layout.decimal}"               # "." ","')
    out.put(f"header_line = {layout.header_line}             # 0: the file has no header")
    if read.text.encoding == "latin-1":
        out.put('encoding = "latin-1"        # "utf-8" "utf-16" "latin-1"')
    orders = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
    if mapping.date_order:
        out.put(f'date_order = "{orders[mapping.date_order]}"')
    elif any("ambiguous" in text for text in read.warnings):
        out.put('# date_order = "day first"  # guessed; or "month first", "year first"')
    minutes = (
        mapping.zone_minutes if mapping.zone_minutes is not None else read.plan.time.meaning.zone_minutes
    )
    if minutes is None and "utc" in read.plan.time.meaning.traits:
        minutes = 0
    if minutes is not None:
        out.put(f'utc_offset = "{_offset(minutes)}"       # of times that state no zone')
    elif any("name no zone" in text for text in read.warnings):
        out.put(
            '# utc_offset = "+00:00"     # guessed: the times name no zone; "+02:00" if the clock was local'
        )
    if mapping.ignore:
        out.put(f"ignore = [{', '.join(_quoted(text) for text in mapping.ignore)}]")
    out.put()


def _offset(minutes: int) -> str:
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _quoted(text: str) -> str:
    """A basic string of TOML: JSON's escapes are TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _at(layout: Layout, index: int) -> str:
    """`header = "…"` where it names this column and no other, else `column = 4`."""
    header = layout.headers[index] if index < len(layout.headers) else ""
    folded = [other.strip().casefold() for other in layout.headers]
    alone = folded.count(header.strip().casefold()) == 1
    fit = header and alone and header == plain(header, _LONGEST_HEADER) and not header.startswith("Date of ")
    return f"header = {_quoted(header)}" if layout.header_line and fit else f"column = {index + 1}"


def _where(layout: Layout, index: int) -> str:
    """'column 4 "Speed (km/h)", first "0.0", "1.2"'."""
    header = f' "{plain(layout.headers[index], 40)}"' if layout.header_line else ""
    cells = ", ".join(f'"{plain(cell, 24)}"' for cell in layout.cells(index)[:_SHOWN])
    return f"column {index + 1}{header}: first {cells}" if cells else f"column {index + 1}{header}: blank"


def _time(out: _Writer, read: TableRead) -> None:
    plan, layout, times = read.plan, read.layout, read.times
    if plan.date is not None:
        out.say(_where(layout, plan.date))
        out.put(f"date = {{ {_at(layout, plan.date)} }}")
    form = plan.time.form
    words = "elapsed" if times.clock is Clock.ELAPSED else "time of day"
    if form in (Form.ISO, Form.STAMP):
        words = "date and time"
    elif form is Form.EPOCH:
        words = "epoch"
    parts = [_at(layout, plan.time.index), f'form = "{words}"']
    if times.unit is not None:
        parts.append(f'unit = "{times.unit.symbol}"')
    guessed = times.unit is not None and plan.time.unit is None
    out.say(_where(layout, plan.time.index) + ("; DOUBT, unit: by its steps" if guessed else ""))
    out.put(f"time = {{ {', '.join(parts)} }}")


def _unit_words(read: TableRead, name: str) -> str:
    use = read.values.uses[name]
    if name == "throttle" and use.unit is None:
        return f"; DOUBT: {use.form}" if use.form else ""
    if use.unit is not None and name not in ("lat_deg", "lon_deg"):
        guessed = use.unit_from.startswith("a guess")
        return f"; {'DOUBT, ' if guessed else ''}unit: {use.unit_from.removeprefix('a guess: ')}"
    if name in USUAL_UNITS:
        return "; DOUBT, unit: the usual one, none is stated"
    if use.form:
        return "; DOUBT: degrees and minutes" if use.form == "minutes" else "; DOUBT: 1e-7 degrees"
    return ""


def _entry(read: TableRead, name: str, use: Use) -> list[str]:
    parts, choice = [_at(read.layout, use.item.index)], use.item.choice
    kind, traits = KINDS[name], use.item.meaning.traits
    if name in ("lat_deg", "lon_deg"):
        return parts + (['unit = "rad"'] if use.unit is not None and use.unit.symbol == "rad" else [])
    if name == "throttle":
        if choice is not None and choice.low is not None and choice.high is not None:
            return [*parts, f"low = {choice.low:g}", f"high = {choice.high:g}"]
        return parts + ([f'unit = "{use.unit.symbol}"'] if use.unit is not None else [])
    if kind is not None:
        unit = use.unit.symbol if use.unit is not None else USUAL_UNITS.get(name)
        parts += [f'unit = "{unit}"'] if unit else []
    if name == "rpm" and "electrical" in traits:
        parts.append("electrical = true")
    if name == "current_a" and traits & {"pack", "motor"}:
        parts.append(f'of = "{"pack" if "pack" in traits else "motor"}"')
    if name == "fix" and (form := _fix_form(read, use)):
        parts.append(f'form = "{form}"')
    return parts


def _fix_form(read: TableRead, use: Use) -> str:
    choice = use.item.choice
    if choice is not None and choice.form:
        return choice.form
    if "quality" in use.item.meaning.traits:
        return "quality"
    cells = {
        str(cell).strip().removesuffix(".0") for cell in read.rows.table[use.item.index].dropna().unique()
    }
    numbers = {cell for cell in cells if cell.isdecimal()}
    return "" if not numbers else "valid" if numbers <= {"0", "1"} else "mode"


def _unused(out: _Writer, read: TableRead, used: set[int], options: ReadOptions, source: Source) -> None:
    layout = read.layout
    left = [at for at in range(len(layout.headers)) if at not in used]
    if not left:
        return
    ignored = load_mapping(options.columns, source.file).ignore
    out.put()
    out.say("Not used, and why; to use one, take the # away from the line below it and mend it:")
    for at in left[:_MOST_COLUMNS]:
        reason, entry = _why_not(read, at, ignored)
        out.say(f"{_where(layout, at)}; {reason}")
        out.put(f"# {entry}")
    if len(left) > _MOST_COLUMNS:
        out.say(f"… and {len(left) - _MOST_COLUMNS} more columns")


def _why_not(read: TableRead, at: int, ignored: tuple[str, ...]) -> tuple[str, str]:
    """(why a column is not used, the line that would use it)."""
    layout, meaning = read.layout, read.layout.meanings[at] if at < len(read.layout.meanings) else None
    header, place = layout.headers[at], _at(layout, at)
    blank = f"??? = {{ {place} }}"
    if header in ignored:
        return "ignored by your mapping", blank
    if layout.tag and at == 0:
        return "it only tells this kind of row from others", blank
    if meaning is None:
        return "its header is not understood" if header else "it has no header", blank
    name = meaning.column
    unit = f', unit = "{meaning.unit.symbol}"' if meaning.unit is not None else ""
    entry = f"{name} = {{ {place}{unit} }}" if name in KINDS else blank
    said = [text for text in read.warnings if text.startswith(f'"{plain(header)}"') and "left out" in text]
    if said:
        return said[0].removeprefix(f'"{plain(header)}" ').split(";")[0], entry
    if name in ("time", "date"):
        return "another column of times is used", entry
    if name in read.values.uses:
        other = layout.headers[read.values.uses[name].item.index]
        return f'"{plain(other, 40)}" is used for {name}', entry
    if name == "temp":
        return "it does not say of what it is the temperature", f'motor_temp_c = {{ {place}, unit = "°C" }}'
    return f"it could be {name.replace('_', ' ')}, but does not fit beside the others", entry


def _reference(out: _Writer) -> None:
    """What may stand in a mapping, for the hand that edits it."""
    out.put()
    out.say("Columns that can be filled, with the units that their numbers may have:")
    for name, kind in KINDS.items():
        if name == "time":
            units = (
                'form = "date and time", "time of day", "elapsed" or "epoch"; unit of a count: s, ms, µs, ns'
            )
        elif name == "fix":
            units = 'form = "quality", "mode" or "valid"'
        elif name == "throttle":
            units = f"{symbols('share')}, or low = 1000, high = 2000 of a pulse"
        else:
            units = symbols(kind) if kind else "no unit"
        out.say(f"{name}: {units}")


def _start(source: Source, options: ReadOptions, problem: str) -> Suggestion:
    """A table that can't be read: its columns by their places, for the user to name.

    Raises:
        SpeedlogError: no rows of at least two fields.
    """
    text = clean(source.data)
    head = text.data[: min(text.end, 1 << 20)].decode("utf-8", errors="replace").split("\n")
    lines = [line.rstrip("\r") for line in head[: options.settings.header_search_lines]]
    separator, width = _even_separator(lines)
    if width < 2:
        raise SpeedlogError(problem, file=source.file, todo="It has no rows of two columns and more to map.")
    rows = [(at, split_line(line, separator)) for at, line in enumerate(lines, 1)]
    rows = [(at, cells) for at, cells in rows if len(cells) == width]
    first = next((place for place, (_, cells) in enumerate(rows) if _numbers(cells) * 2 >= width), 0)
    line, headers = rows[first - 1] if first else (0, [f"column {at + 1}" for at in range(width)])
    cells = [row for _, row in rows[first : first + _SHOWN]]
    out = _Writer()
    out.say(f"{PurePath(source.file).name} can't be read yet: {problem}.")
    out.say(
        "Below stand its columns. Name those that you know: take the # away, and write the column's name for ???."
    )
    out.put()
    out.put(f'separator = "{_NAMED[separator]}"             # "," ";" "|" "tab" "blanks"')
    comma = separator != "," and any(re.fullmatch(r"[+-]?\d+,\d+", cell) for row in cells for cell in row)
    out.put(f'decimal = "{"," if comma else "."}"               # "." ","')
    out.put(f"header_line = {line}             # 0: the file has no header")
    out.put()
    out.put("[columns]")
    for at in range(min(width, _MOST_COLUMNS)):
        shown = ", ".join(f'"{plain(row[at], 24)}"' for row in cells)
        header = f' "{plain(headers[at], 40)}"' if line else ""
        out.say(f"column {at + 1}{header}: first {shown}")
        out.put(
            '# time = { column = 1, form = "elapsed", unit = "s" }'
            if at == 0
            else f"# ??? = {{ column = {at + 1} }}"
        )
    _reference(out)
    return Suggestion(out.text(), 0, width, (), problem)


def _time_line(cells: list[str]) -> str:
    """The first column is a time in most tables: the line that would say so."""
    clock = all(":" in cell for cell in cells)
    dated = clock and all(re.search(r"\d[-/.]\d", cell) for cell in cells)
    form = "date and time" if dated else "time of day" if clock else "elapsed"
    return f'time = {{ column = 1, form = "{form}"{"" if clock else ", unit = " + _quoted("s")} }}'


def _even_separator(lines: list[str]) -> tuple[str, int]:
    """The separator under which most lines have the same number of fields, two and more; and that number.

    Lines count for it only if no field holds another separator still: "0,05;930" is no row of commas.
    """
    best = (0, 0, "", 0)
    for rank, separator in enumerate(SEPARATORS.values()):
        others = set(",;|\t") if separator == " " else set(";|\t") - {separator}
        rows = [split_line(line, separator) for line in lines if line.strip()]
        widths = Counter(len(row) for row in rows if len(row) > 1 and not others & set("".join(row)))
        if widths:
            width, count = widths.most_common(1)[0]
            best = max(best, (count, -rank, separator, width))
    return best[2], best[3]


def _numbers(cells: list[str]) -> int:
    return sum(bool(NUMBER.match(cell)) for cell in cells)
