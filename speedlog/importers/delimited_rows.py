"""The rows of a table, read by pandas' C engine; lines that are none are sorted out before.

The fast way is taken when the number of separators in the file is just what whole rows need;
otherwise every line is looked at.
"""

from __future__ import annotations

import csv
import io
import re
import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import plain
from speedlog.importers.delimited_layout import Layout
from speedlog.importers.delimited_text import MISSING_SPELLINGS, Text, split_line
from speedlog.samples import MOST_REJECTS, Reject
from speedlog.settings import ReadSettings

_STAMP_BYTES = "S40"  # no way of writing a date and a time is longer
_TAIL = 16_384  # bytes: the last lines
_PIECE = 1 << 18  # bytes
_COMMENTS = (b"#", b"//", b"%", b";")


@dataclass(frozen=True, eq=False)
class Rows:
    """The rows read.

    Attributes:
        table: (N, wanted) cells; its columns are the positions in the file, from 0.
        line: (N,) line numbers.
        rejects: lines thrown away, the first `MOST_REJECTS`.
        rejected: how many.
        warnings: what was done about odd lines.
    """

    table: pd.DataFrame
    line: NDArray[np.int64]
    rejects: tuple[Reject, ...]
    rejected: int
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Lines:
    """What is left of the lines after the sorting."""

    body: bytes
    start: int  # where the lines begin in it
    line: NDArray[np.int64]
    fields: int  # in the longest
    rejects: tuple[Reject, ...] = ()
    rejected: int = 0
    warnings: tuple[str, ...] = ()
    quoted: bool = False
    blank_free: bool = False


def read_rows(
    text: Text,
    layout: Layout,
    wanted: Sequence[int],
    stamps: Sequence[int],
    iso: Sequence[int],
    words: Sequence[int],
    settings: ReadSettings,
    every_line: bool = False,
) -> Rows:
    """Read the wanted columns of all rows.

    Args:
        text: the file.
        layout: of its table.
        wanted: positions of the columns, from 0.
        stamps: those kept as bytes (dates, times of day).
        iso: those that hold ISO 8601 instants; read as such where all cells are sound.
        words: those kept as text.
        settings: limits.
        every_line: look at every line, even where the number of separators speaks against nothing.
    """
    fast = None if every_line else _all_whole(text, layout)
    lines = fast if fast is not None else _sort_lines(text, layout, settings)
    table = _read(lines, layout, wanted, stamps, iso, words)
    if len(table) != len(lines.line):
        lines = _sort_lines(text, layout, settings)
        table = _read(lines, layout, wanted, stamps, iso, words)
    number = lines.line if len(table) == len(lines.line) else np.arange(len(table)) + layout.first_line
    return Rows(table, number, lines.rejects, lines.rejected, lines.warnings)


def _all_whole(text: Text, layout: Layout) -> _Lines | None:
    """All lines as they are, where nothing speaks against it; else None."""
    data, start, end = text.data, layout.offset, text.end
    if start >= end or layout.separator == " " or layout.tag:
        return None
    plain = text.plain_from if start <= text.plain_from < end else end
    if data.find(b'"', start, plain) >= 0 or data.find(b"\0", start, plain) >= 0:
        return None
    count = _count_byte(data, start, plain, "\n") + 1 + (text.plain_lines if plain < end else 0)
    separators = _count_byte(data, start, end, layout.separator)
    if separators != count * (layout.usual - 1) or (
        not text.ended and _last_is_short(data[max(start, end - _TAIL) : end], layout)
    ):
        return None
    if data.startswith(_COMMENTS, start) or (layout.usual == 1 and data.find(b"\n\n", start, end) >= 0):
        return None
    blank_free = plain < end and not any(data.find(blank, start, plain) >= 0 for blank in (b" ", b"\t"))
    if data[end:] not in (b"", b"\n", b"\r\n"):  # then pandas would see more lines
        data, start = data[start:end], 0
    number = np.arange(layout.first_line, layout.first_line + count, dtype=np.int64)
    return _Lines(data, start, number, layout.usual, blank_free=blank_free)


def _count_byte(data: bytes, start: int, end: int, char: str) -> int:
    """How often a character stands in a part of a text; a piece at a time stays in the processor's cache."""
    raw = np.frombuffer(data, np.uint8)[start:end]
    return sum(
        int(np.count_nonzero(raw[at : at + _PIECE] == ord(char))) for at in range(0, end - start, _PIECE)
    )


_ALIKE = 10  # lines that share their number of decimals: a handful may by chance


def _last_is_cut(body: bytes, layout: Layout) -> bool:
    """Whether the last cell of a last line without an end has fewer decimals than all those before it."""
    *before, end = _last_cells(body, layout)
    decimals = [re.fullmatch(rb"[+-]?\d+[.,](\d+)", cell) for cell in before]
    lengths = {len(found[1]) if found else 0 for found in decimals}
    last = re.fullmatch(rb"[+-]?\d*(?:[.,](\d*))?", end)
    return (
        len(before) >= _ALIKE
        and len(lengths) == 1
        and last is not None
        and len(last[1] or b"") < lengths.pop()
    )


def _last_is_short(body: bytes, layout: Layout) -> bool:
    """Whether that cell is shorter than all those before it, or has none before it: it may be cut."""
    *before, end = _last_cells(body, layout)
    return all(len(end) < len(cell) for cell in before)


def _last_cells(body: bytes, layout: Layout) -> list[bytes]:
    """The last cells of the last lines."""
    lines = body[-_TAIL:].split(b"\n")[-21:]
    return [line.rsplit(layout.separator.encode(), 1)[-1].strip() for line in lines]


def _sort_lines(text: Text, layout: Layout, settings: ReadSettings) -> _Lines:
    """Every line looked at: blank and comment lines left out, broken ones rejected, short ones weighed."""
    body, ended = text.data[layout.offset : text.end], text.ended
    separator = layout.separator.encode()
    comments = tuple(mark for mark in _COMMENTS if mark != separator)
    tag = layout.tag.encode() + separator if layout.tag else b""
    kept: list[bytes] = []
    number: list[int] = []
    short: list[int] = []
    rejects: list[Reject] = []
    counts: list[int] = []
    heads = others = 0
    header = _header_bytes(layout)
    lines = body.split(b"\n") if body else []
    for line_number, line in enumerate(lines, layout.first_line):
        line = line.rstrip(b"\r")
        bare = line.strip()
        if not bare or bare.startswith(comments):
            continue
        if tag and not line.startswith(tag):
            others += 1
            continue
        if header and bare.startswith(header):
            heads += 1
            continue
        count, problem, line = _look(line, layout, separator)
        if problem:
            rejects.append(Reject(line_number, problem))
            continue
        if count < layout.usual:
            short.append(len(kept))
        counts.append(count)
        kept.append(line)
        number.append(line_number)
    cut = (
        {len(kept) - 1} if kept and not ended and number[-1] == layout.first_line + len(lines) - 1 else set()
    )
    open_end = bool(cut)
    lone = len(kept) == 1 and counts[0] < len(layout.headers)  # no other row tells how many fields are usual
    cut &= set(short) | ({len(kept) - 1} if lone or _last_is_cut(body, layout) else set())
    notes = _notes(heads, others, layout)
    if open_end and not cut and _last_is_short(body, layout):
        notes.append(
            "the last line has no end, and no line before has so short a last cell: it may be cut short"
        )
    if len(short) > settings.short_rows_share * len(kept):
        notes.append(f"{len(short)} rows have fewer fields than the others; what they lack counts as missing")
        gone = cut
    else:
        gone = cut | set(short)
    least = len(layout.headers) if lone else layout.usual
    rejects += [Reject(number[at], f"cut short: fewer than {least} whole fields") for at in sorted(gone)]
    rejects.sort(key=lambda reject: reject.line or 0)
    keep = [at for at in range(len(kept)) if at not in gone]
    return _Lines(
        body=b"\n".join([kept[at] for at in keep]),
        start=0,
        line=np.array([number[at] for at in keep], dtype=np.int64),
        fields=max((counts[at] for at in keep), default=0),
        rejects=tuple(rejects[:MOST_REJECTS]),
        rejected=len(rejects),
        warnings=tuple(notes),
        quoted=body.find(b'"') >= 0,
    )


def _cells_begin_blank(lines: _Lines, separator: str) -> bool:
    """Whether any cell may begin with a blank: only then pandas is told to skip them, which is slow."""
    data, start = lines.body, lines.start
    if lines.blank_free:
        return False
    if all(data.find(blank, start) < 0 for blank in (b" ", b"\t")) or separator == " ":
        return separator == " "
    raw = np.frombuffer(data, np.uint8)
    for at in range(start, len(raw), _PIECE):
        piece = raw[max(at - 1, 0) : at + _PIECE]
        before = (piece == ord(separator)) | (piece == ord("\n"))
        blank = (piece == ord(" ")) | (piece == ord("\t"))
        if np.any(before[:-1] & blank[1:]):
            return True
    return bool(data[start : start + 1].isspace())


def _look(line: bytes, layout: Layout, separator: bytes) -> tuple[int, str, bytes]:
    """(fields, what is wrong or "", the line without blank fields beyond the last)."""
    if b"\0" in line:
        return 0, "binary noise", line
    if b'"' in line:
        if line.count(b'"') % 2:
            return 0, "a quotation mark is not closed", line
        cells = split_line(line.decode("utf-8", errors="replace"), layout.separator)
    elif separator == b" ":
        # as pandas has it: a form feed or the like is no blank
        return _count(sum(bool(cell) for cell in re.split(rb"[ \t]", line)), layout, line)
    elif line.count(separator) < layout.fields:
        return line.count(separator) + 1, "", line
    else:
        cells = split_line(line.decode("utf-8", errors="replace"), layout.separator)
    if len(cells) > layout.fields and not any(cells[layout.fields :]):
        out = io.StringIO()
        csv.writer(out, delimiter=layout.separator, lineterminator="").writerow(cells[: layout.fields])
        return layout.fields, "", out.getvalue().encode("utf-8")
    return _count(len(cells), layout, line)


def _count(count: int, layout: Layout, line: bytes) -> tuple[int, str, bytes]:
    problem = f"{count} fields where {layout.fields} are expected" if count > layout.fields else ""
    return count, problem, line


def _header_bytes(layout: Layout) -> bytes:
    """How a repeated header begins: its first two cells (a logger that was started again writes it again)."""
    if layout.header_line == 0 or layout.separator == " " or len(layout.headers) < 2 or layout.tag:
        return b""
    return layout.separator.join(layout.headers[:2]).encode("utf-8")


def _notes(heads: int, others: int, layout: Layout) -> list[str]:
    notes = []
    if heads:
        notes.append(f"the header stands {heads} more times among the rows: the logger was started again")
    if others:
        notes.append(
            f'{others} lines do not begin with "{plain(layout.tag)}" and are of another kind; left out'
        )
    return notes


def _read(
    lines: _Lines,
    layout: Layout,
    wanted: Sequence[int],
    stamps: Sequence[int],
    iso: Sequence[int],
    words: Sequence[int],
) -> pd.DataFrame:
    """pandas' C engine over the lines."""
    # names are text, since pandas takes a whole number in `parse_dates` for a position among `usecols`
    wanted, beyond = [at for at in wanted if at < lines.fields], [at for at in wanted if at >= lines.fields]
    stamps, words, iso = ([at for at in some if at < lines.fields] for some in (stamps, words, iso))
    texts = {str(at): _STAMP_BYTES for at in stamps} | {str(at): str for at in words}
    numbers = [str(at) for at in wanted if str(at) not in texts and at not in iso]
    if not len(lines.line) or not wanted:
        return pd.DataFrame({at: pd.Series([], dtype=object) for at in [*wanted, *beyond]})
    stream = io.BytesIO(lines.body)
    stream.seek(lines.start)
    with python_warnings.catch_warnings():
        # a column of mixed kinds, or of unlike stamps, is looked at again by cells and times
        python_warnings.simplefilter("ignore", category=pd.errors.DtypeWarning)
        python_warnings.simplefilter("ignore", category=UserWarning)
        table = pd.read_csv(
            stream,
            sep=r"\s+" if layout.separator == " " else layout.separator,
            header=None,
            names=[str(at) for at in range(lines.fields)],
            usecols=[str(at) for at in sorted(wanted)],
            index_col=False,
            dtype=texts,
            decimal=layout.decimal,
            na_values={at: list(MISSING_SPELLINGS) for at in numbers},
            keep_default_na=False,
            parse_dates=[str(at) for at in iso] or False,
            date_format="ISO8601",
            skipinitialspace=_cells_begin_blank(lines, layout.separator),
            quoting=csv.QUOTE_MINIMAL if lines.quoted else csv.QUOTE_NONE,
            encoding_errors="replace",
            skip_blank_lines=False,
        )
    table.columns = pd.Index([int(name) for name in table.columns])
    return table if not beyond else table.reindex(columns=[*table.columns, *beyond])
