"""From a file's bytes to clean UTF-8 text: encoding, line ends, what a power cut leaves behind."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass

COMMENT = re.compile(r"\s*(?:#+|//+|%+|;+)\s?")
_NA = "-,--,---,?,n/a,n.a.,na,#n/a,nan,-nan,nil,null,none,invalid,no fix,nofix,void,*,**,***"
MISSING = frozenset(["", *_NA.split(",")])  # cells that say "no value", in small letters
# the spellings of the same cells that a reader in C compares letter by letter
MISSING_SPELLINGS = tuple(
    sorted({form for word in MISSING for form in (word, word.upper(), word.title(), "NaN", "N/a")})
)


@dataclass(frozen=True)
class Text:
    """A text file made fit for reading.

    Attributes:
        data: UTF-8 without byte order mark, lines ended by LF or CRLF.
        end: length of the data without the blank lines and NULs at its end (a copy costs time).
        ended: whether its last line had an end; without one it may have been cut.
        encoding: as found.
        warnings: what had to be repaired.
    """

    data: bytes
    end: int
    ended: bool
    encoding: str
    warnings: tuple[str, ...] = ()


def looks_like_text(head: bytes) -> bool:
    """Whether a file's first bytes are text with at least one line of two fields. Never raises."""
    text = decode(head.rstrip(b"\0"), None, cut=True)[0]
    shown = text[:8192]
    odd = sum(
        1 for char in shown if (char < " " and char not in "\t\r\n\x1a") or char == "\ufffd" or char == "\x7f"
    )
    if not shown.strip() or odd > 0.02 * len(shown) or shown.lstrip().startswith("<"):
        return False
    lines = [line for line in text.splitlines()[:400] if line.strip()]
    return any(re.search(r"\S\s*[,;\t| ]\s*\S", line) for line in lines)


def clean(data: bytes, encoding: str | None = None) -> Text:
    """Decode and tidy up.

    Args:
        data: the file.
        encoding: as the user states it; found from the bytes if None.
    """
    warnings: list[str] = []
    if encoding is None and data.isascii() and not _nul_pattern(data):
        found = "ascii"
    else:
        text, found = decode(data, encoding)
        if "\ufffd" in text:
            warnings.append(f"some bytes are no {found} text; they were replaced")
        data = text.encode("utf-8", errors="replace")
    if data.find(b"\r") >= 0 and data.count(b"\r") != data.count(b"\r\n"):
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    end = _end(data)
    return Text(data, end, data[end : end + 2].startswith((b"\n", b"\r\n")), found, tuple(warnings))


def _end(data: bytes) -> int:
    """The length of the data without blank lines and NULs at its end, found without copying it all."""
    size = 4096
    while True:
        tail = data[-size:]
        left = len(tail.rstrip(b"\r\n\x1a\0"))
        if left or size >= len(data):
            return len(data) - len(tail) + left
        size *= 16


def decode(data: bytes, encoding: str | None, cut: bool = False) -> tuple[str, str]:
    """(text, name of the encoding): UTF-8, UTF-16 by its mark or its NULs, else Latin-1.

    Args:
        data: the bytes.
        encoding: stated by the user, or None.
        cut: the bytes may end inside a character.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(mark) and encoding is None:
            return data[len(mark) :].decode(name, errors="replace"), name
    found = encoding or _nul_pattern(data)
    if found:
        return data.decode(found, errors="replace").removeprefix("\ufeff"), found
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        sound = data[: error.start]
        if not sound.isascii() or (cut and error.start > len(data) - 4):
            return data.decode("utf-8", errors="replace"), "utf-8"
        return data.decode("latin-1"), "latin-1"


def _nul_pattern(data: bytes) -> str | None:
    """UTF-16 without a mark: plain text has a NUL in every second byte."""
    head = data[:512]
    if len(head) < 4:
        return None
    even, odd = head[0::2].count(0) / len(head[0::2]), head[1::2].count(0) / len(head[1::2])
    if odd > 0.7 and even < 0.1:
        return "utf-16-le"
    if even > 0.7 and odd < 0.1:
        return "utf-16-be"
    return None


def split_line(line: str, separator: str) -> list[str]:
    """The fields of one line, stripped; " " separates by runs of blanks."""
    if '"' in line:
        try:
            rows = list(csv.reader([line], delimiter=separator, skipinitialspace=True))
        except csv.Error:
            rows = []
        if rows:
            cells = [cell.strip() for cell in rows[0]]
            return [cell for cell in cells if cell] if separator == " " else cells
    if separator == " ":
        return line.split()
    return [cell.strip() for cell in line.split(separator)]
