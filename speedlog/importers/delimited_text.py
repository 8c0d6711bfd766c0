"""From a file's bytes to clean UTF-8 text: encoding, line ends, what a power cut leaves behind."""

from __future__ import annotations

import codecs
import csv
import re
import sys
from dataclasses import dataclass

import numpy as np

COMMENT = re.compile(r"\s*(?:#+|//+|%+|;+)\s?")
_NA = "-,--,---,?,n/a,n.a.,na,#n/a,nan,-nan,nil,null,none,invalid,no fix,nofix,void,*,**,***"
MISSING = frozenset(["", *_NA.split(",")])  # cells that say "no value", in small letters
# the spellings of the same cells that a reader in C compares letter by letter
MISSING_SPELLINGS = tuple(
    sorted({form for word in MISSING for form in (word, word.upper(), word.title(), "NaN", "N/a")})
)
_HEAD = 1 << 16  # bytes: header and preamble stand there, and are looked at by themselves
_PIECE = 1 << 18  # bytes
_FEED, _BACK, _PLUS = (ord(char) for char in "\n\r+")


@dataclass(frozen=True)
class Text:
    """A text file made fit for reading.

    Attributes:
        data: UTF-8 without byte order mark, lines ended by LF or CRLF.
        end: length of the data without the blank lines and NULs at its end (a copy costs time).
        ended: whether its last line had an end; without one it may have been cut.
        encoding: as found.
        warnings: what had to be repaired.
        plain_from: from here to `end` stand only characters of rows without blanks and quotes, and line ends.
        plain_lines: how many line ends.
    """

    data: bytes
    end: int
    ended: bool
    encoding: str
    warnings: tuple[str, ...] = ()
    plain_from: int = sys.maxsize
    plain_lines: int = 0


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
    start = data.find(b"\n", _HEAD) + 1 if encoding is None else 0
    end = _end(data) if start else 0
    lines = _plain_lines(data, start, end) if start else None
    if lines is not None and _is_plain_ascii(data[:start]):
        return Text(data, end, _is_ended(data, end), "ascii", (), start, lines)
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
    return Text(data, end, _is_ended(data, end), found, tuple(warnings))


def _is_plain_ascii(head: bytes) -> bool:
    return head.isascii() and not _nul_pattern(head) and head.count(b"\r") == head.count(b"\r\n")


def _plain_lines(data: bytes, start: int, end: int) -> int | None:
    """How many line ends (LF, CR LF) stand there; None where anything else lies outside "+" to "~".

    So there are no blanks, quotes, comments, NULs, lone CRs and letters of other alphabets: every byte is
    looked at once, a piece at a time, which stays in the processor's cache.
    """
    raw = np.frombuffer(data, np.int8)  # whatever is no ASCII is negative
    low = lines = pairs = 0
    for at in range(start, end, _PIECE):
        piece = raw[at : min(at + _PIECE, end)]
        feeds = piece == _FEED
        here, below = int(np.count_nonzero(feeds)), int(np.count_nonzero(piece < _PLUS))
        if below != here or low != lines + pairs:
            pairs += int(np.count_nonzero(feeds & (raw[at - 1 : at - 1 + len(piece)] == _BACK)))
            if abs(low + below - lines - here - pairs) > 1:  # one CR may stand at the end of a piece
                return None
        low, lines = low + below, lines + here
    tail = data[end:]
    return lines if low == lines + pairs and tail.count(b"\r") == tail.count(b"\r\n") else None


def _is_ended(data: bytes, end: int) -> bool:
    return data[end : end + 2].startswith((b"\n", b"\r\n"))


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
        return [cell for cell in re.split(r"[ \t]+", line) if cell]
    return [cell.strip() for cell in line.split(separator)]
