"""How a table is laid out: its separator, its header, a row of units, where its rows begin.

No guess from the letters alone: each of a short list of separators is tried, and the line under
which most headers are understood (`columns.recognise`) is the header.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from speedlog.importers.columns import Meaning, is_unit, recognise
from speedlog.importers.delimited_map import Mapping
from speedlog.importers.delimited_text import COMMENT, MISSING, Text, split_line
from speedlog.settings import ReadSettings

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|", "blanks": " "}
NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+$")
_DECIMAL_POINT = re.compile(r"[+-]?\d*\.\d+$")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+$")
_HEAD = 4 << 20  # bytes in which header and first rows must lie; a header of 3,000 columns takes 30 kB


@dataclass(frozen=True)
class Layout:
    """A table's layout.

    Attributes:
        separator: one character; " " stands for runs of blanks.
        headers: as written; made up ("column 1") where the file has none.
        meanings: of each header, the row of units taken in; None where not understood.
        header_line: its line number; 0 where there is none.
        first_line: line number of the first row.
        offset: byte offset of the first row.
        usual: fields in most rows.
        decimal: "." or ",".
        preamble: the lines before the header.
        sample: the cells of the first rows.
        tag: where rows of several kinds are mixed and begin with a word, the word of ours.
    """

    separator: str
    headers: tuple[str, ...]
    meanings: tuple[Meaning | None, ...]
    header_line: int
    first_line: int
    offset: int
    usual: int
    decimal: str
    preamble: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    tag: str = ""

    @property
    def fields(self) -> int:
        return max(self.usual, len(self.headers))

    def cells(self, index: int) -> list[str]:
        """What the first rows hold in one column, missing cells left out."""
        return [row[index] for row in self.sample if index < len(row) and row[index].lower() not in MISSING]


def find_layout(text: Text, mapping: Mapping, settings: ReadSettings) -> Layout | None:
    """The layout of a table, or None where no header is understood."""
    count = settings.header_search_lines + settings.sample_rows
    head = text.data[: min(text.end, _HEAD)].split(b"\n", count)[:count]
    lines = [line.decode("utf-8", errors="replace").rstrip("\r") for line in head]
    if mapping.header_line is not None:
        found = _stated_header(lines, mapping)
    else:
        found = _best_header(lines[: settings.header_search_lines], mapping)
    if found is None:
        return None
    number, separator, headers = found
    units, first = _units_row(lines, number, separator, len(headers))
    rows = [row for row in _sample(lines, first, separator, settings.sample_rows) if row != headers]
    headers = _date_and_time_apart(headers, rows, separator)
    usual = Counter(len(row) for row in rows).most_common(1)[0][0] if rows else len(headers)
    if not headers:
        headers = [f"column {index + 1}" for index in range(usual)]
    tag = _tag(headers, rows)
    meanings = [
        _meaning(header, units[i] if i < len(units) else "", mapping) for i, header in enumerate(headers)
    ]
    if tag:
        meanings[0] = None
        rows = [row for row in rows if row[:1] == [tag]]  # of blanks alone nothing is left to compare
        usual = Counter(len(row) for row in rows).most_common(1)[0][0]
    decimal = mapping.decimal or _decimal(rows, separator)
    return Layout(
        separator, tuple(headers), tuple(meanings), number, first, _offset(text.data, first), usual, decimal,
        tuple(lines[: max(number - 1, 0)]), tuple(map(tuple, rows)), tag,
    )  # fmt: skip


def _offset(data: bytes, first_line: int) -> int:
    """The byte at which a line begins; the end of the data where there is no such line."""
    offset = 0
    for _ in range(first_line - 1):
        offset = data.find(b"\n", offset) + 1
        if offset == 0:
            return len(data)
    return offset


def _stated_header(lines: Sequence[str], mapping: Mapping) -> tuple[int, str, list[str]] | None:
    number = mapping.header_line or 0
    if number > len(lines):
        return None
    separators = [mapping.separator] if mapping.separator else list(SEPARATORS.values())
    wanted = {item.header for item in mapping.columns.values() if item.header}
    if number == 0:
        rows = [line for line in lines if line.strip() and not COMMENT.match(line)]
        best = max(separators, key=lambda sep: _evenness([split_line(row, sep) for row in rows]))
        return 0, best, []
    line = lines[number - 1]
    best = max(separators, key=lambda sep: _score(_header_cells(line, sep), wanted))
    return number, best, _header_cells(line, best)


def _evenness(rows: list[list[str]]) -> tuple[int, int]:
    """How many rows have the commonest number of fields (two and more), and that number."""
    counts = Counter(len(row) for row in rows if len(row) > 1)
    return (counts.most_common(1)[0][1], counts.most_common(1)[0][0]) if counts else (0, 0)


def _best_header(lines: Sequence[str], mapping: Mapping) -> tuple[int, str, list[str]] | None:
    separators = [mapping.separator] if mapping.separator else list(SEPARATORS.values())
    wanted = {item.header for item in mapping.columns.values() if item.header}
    best: tuple[int, int, str, list[str]] | None = None
    rows_after = 0
    for number, line in enumerate(lines, 1):
        if _is_row(line):
            rows_after += best is not None
            if rows_after >= 5:
                break
            continue
        for separator in separators:
            if separator != " " and separator not in line:
                continue
            cells = _header_cells(line, separator)
            score = _score(cells, wanted)
            if score >= 2 and (best is None or score > best[0]):
                best, rows_after = (score, number, separator, cells), 0
    return best[1:] if best else None


def _header_cells(line: str, separator: str) -> list[str]:
    mark = COMMENT.match(line)
    if mark and not (separator == ";" and line.lstrip().startswith(";")):
        line = line[mark.end() :]
    cells = split_line(line, separator)
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _score(cells: list[str], wanted: set[str]) -> int:
    """How many different columns a line of headers names."""
    if len(cells) < 2 or any(NUMBER.match(cell) for cell in cells[:50]):
        return 0
    known = {found.column for cell in cells if cell not in wanted and (found := recognise(cell))}
    return len(known) + len(wanted & set(cells))


def _is_row(line: str) -> bool:
    """Whether a line begins like a row of data: at least half of its first cells are numbers."""
    cells = [cell for cell in re.split(r"[;\t| ]+|,(?!\s)|,\s+", line[:400].strip()) if cell][:12]
    return bool(cells) and sum(bool(NUMBER.match(cell)) for cell in cells) * 2 >= len(cells)


def _units_row(lines: Sequence[str], header: int, separator: str, width: int) -> tuple[list[str], int]:
    """(the row of units under the header or [], line number of the first row)."""
    for number in range(header + 1, min(header + 4, len(lines)) + 1) if header else ():
        line = lines[number - 1]
        cells = split_line(line, separator)
        if not line.strip():
            continue
        said = [cell for cell in cells if cell.lower().strip("[]()") not in MISSING]
        units = [cell for cell in said if is_unit(cell)]
        if (
            units
            and 2 * len(units) >= len(said)
            and len(cells) <= width + 1
            and not any(map(NUMBER.match, said))
        ):
            return cells, number + 1
        break
    return [], header + 1


def _sample(lines: Sequence[str], first: int, separator: str, most: int) -> list[list[str]]:
    rows = []
    for line in lines[first - 1 :]:
        if line.strip() and not (
            COMMENT.match(line) and not (separator == ";" and line.lstrip().startswith(";"))
        ):
            rows.append(split_line(line, separator))
            if len(rows) >= most:
                break
    return rows


def _date_and_time_apart(headers: list[str], rows: list[list[str]], separator: str) -> list[str]:
    """A header "Time" over "2024-06-15 13:45:30" in a table of blanks names two fields."""
    if (
        separator != " "
        or not rows
        or Counter(len(row) for row in rows).most_common(1)[0][0] != len(headers) + 1
    ):
        return headers
    for index, header in enumerate(headers):
        found, row = recognise(header), next(row for row in rows if len(row) == len(headers) + 1)
        if (
            found
            and found.column == "time"
            and re.match(r"\d+[-/.]\d+[-/.]\d+$", row[index])
            and ":" in row[index + 1]
        ):
            return [*headers[:index], f"Date of {header}", header, *headers[index + 1 :]]
    return headers


def _tag(headers: list[str], rows: list[list[str]]) -> str:
    """Rows of several kinds, each beginning with the word that begins its own header."""
    firsts = Counter(row[0] for row in rows if row)
    word = headers[0] if headers else ""
    return word if word in firsts and re.fullmatch(r"[A-Za-z$]+", word) else ""


def _meaning(header: str, unit: str, mapping: Mapping) -> Meaning | None:
    if header in mapping.ignore:
        return None
    text = header.removeprefix("Date of ") if header.startswith("Date of ") else header
    found = recognise(text)
    if header.startswith("Date of ") and found:
        return replace(found, column="date")
    return found.with_unit(unit) if found else None


def _decimal(rows: list[list[str]], separator: str) -> str:
    """ "," where more cells are written with a decimal comma than with a point."""
    commas = [cell for row in rows for cell in row if _DECIMAL_COMMA.match(cell)]
    points = sum(1 for row in rows for cell in row if _DECIMAL_POINT.match(cell))
    if separator == "," and all(map(_THOUSANDS.match, commas)):
        return "."
    return "," if len(commas) > points else "."
