"""Which lines of a stretch of NMEA text are one plain, whole, checked sentence, all at once.

Plain: "$", a tag of five capitals (no proprietary one), commas and fields, "*", two hex digits of the
right checksum, the line's end; no other "$" or "*", nothing but printable ASCII. `nmea_scan` would find
exactly this sentence there. A line that is not plain but could hold a sentence is left to it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import PAD, Flags, Places, Text, Words

_DOLLAR, _STAR, _COMMA, _FEED, _BACK, _P = (ord(char) for char in "$*,\n\rP")
_TAG = re.compile(rb"\$[A-OQ-Z][A-Z]{4},")
_TAG_BYTES = np.uint64(2**56 - 1)  # "$GNRMC,": seven characters
_LONGEST_BODY = 250  # as in nmea_scan
MOST_TAGS = 62  # so many kinds of sentences by so many talkers fit into one word of bits; more is no receiver
_HEX = np.full(256, 255, dtype=np.uint8)
for _at, _char in enumerate("0123456789ABCDEF"):
    _HEX[ord(_char)] = _HEX[ord(_char.lower())] = _at


@dataclass
class Tags:
    """The tags seen so far, "$GNRMC,", by number."""

    names: list[bytes] = field(default_factory=list)
    _words: list[np.uint64] = field(default_factory=list)

    def number(self, words: Words) -> NDArray[np.int8]:
        """(N,) the number of each tag; -1 for what is none (or one too many)."""
        given = words & _TAG_BYTES
        numbers = np.full(len(words), -1, dtype=np.int8)
        left = np.ones(len(words), dtype=np.bool_)
        for at, word in enumerate(self._words):
            same = given == word
            numbers[same] = at
            left &= ~same
        open_rows = np.flatnonzero(left)
        for word in np.unique(given[open_rows]) if len(open_rows) else ():
            name = int(word).to_bytes(8, "little")[:7]
            if len(self.names) < MOST_TAGS and _TAG.fullmatch(name):
                numbers[given == word] = len(self.names)
                self.names.append(name)
                self._words.append(word)
        return numbers


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines of a stretch of text.

    Attributes:
        text: the stretch; `start`, `stop`: (N,) of each line in it, its end (CR LF or LF) left out;
            `after`: (N,) with its end. All places count from PAD before the stretch.
        number: (N,) each line's number in its file.
        tag: (N,) the number of its sentence's tag where the line is plain, else -1.
        careful: the lines that are not plain, but may hold sentences.
        commas: places of all commas; `first_comma`: (N + 1,) index into them of each line's first.
    """

    text: Text
    start: Places
    stop: Places
    after: Places
    number: Places
    tag: NDArray[np.int8]
    careful: Places
    commas: Places
    first_comma: Places


def read_lines(data: bytes | memoryview, tags: Tags, line_number: int) -> tuple[Lines, int]:
    """The lines of a stretch that ends with a line's end, and the number of the line after it."""
    text = Text(data)
    raw = text.bytes
    control = np.flatnonzero((raw - np.uint8(32)) > np.uint8(94))  # wraps around: below " " or above "~"
    kinds = raw[control]
    feed = control[kinds == _FEED]
    start = np.concatenate([[PAD], feed[:-1] + 1])
    ends_in_back = (raw[feed - 1] == _BACK) & (feed > start)
    stop = feed - ends_in_back
    dollars = raw[start] == _DOLLAR  # of an empty line: its end, which is none
    whole = dollars & (stop - start >= 10)
    whole &= raw[stop - 3] == _STAR
    tag = tags.number(text.beginning(start))
    whole &= (tag >= 0) & (stop - start - 10 <= _LONGEST_BODY)
    doubtful = np.zeros(len(feed), dtype=np.bool_)
    odd = len(control) - len(feed) - int(ends_in_back.sum())
    if odd:
        backs = np.zeros(len(raw), dtype=np.bool_)
        backs[control[kinds != _FEED]] = True
        backs[stop[ends_in_back]] = False
        doubtful[np.searchsorted(feed, np.flatnonzero(backs))] = True
    extra = _lines_of_extra(raw, _DOLLAR, start[dollars], feed)
    doubtful[extra] = True
    doubtful[_lines_of_extra(raw, _STAR, stop[whole] - 3, feed)] = True
    whole &= ~doubtful
    checked = np.flatnonzero(whole)
    whole[checked] = _checksum_is_right(raw, start, feed, stop, ends_in_back, checked)
    idle = dollars & (raw[start + 1] == _P)  # proprietary
    idle[extra] = False
    may_hold = dollars & ~idle
    may_hold[extra] = True
    commas = np.flatnonzero(raw == _COMMA)
    number, after = _line_numbers(raw, start, control, kinds, line_number, odd > 0)
    lines = Lines(
        text, start, stop, feed + 1, number, np.where(whole, tag, -1).astype(np.int8),
        np.flatnonzero(may_hold & ~whole),
        commas, np.append(np.searchsorted(commas, start), len(commas)),
    )  # fmt: skip
    return lines, after


def _lines_of_extra(raw: NDArray[np.uint8], byte: int, expected: Places, feed: Places) -> Places:
    """The lines in which this byte stands at another place than the expected ones."""
    here = raw == byte
    if np.count_nonzero(here) == len(expected):
        return np.empty(0, dtype=np.intp)
    here[expected] = False
    return np.unique(np.searchsorted(feed, np.flatnonzero(here)))


def _checksum_is_right(
    raw: NDArray[np.uint8], start: Places, feed: Places, stop: Places, back: Flags, rows: Places
) -> Flags:
    """(rows,) whether the two hex digits are the XOR of all between "$" and "*"."""
    total = np.bitwise_xor.reduceat(raw[: feed[-1] + 1], start)[rows]  # of the whole line with its end
    high, low = raw[stop[rows] - 2], raw[stop[rows] - 1]
    frame = (
        np.uint8(_DOLLAR ^ _STAR ^ _FEED) ^ high ^ low ^ np.where(back[rows], np.uint8(_BACK), np.uint8(0))
    )
    hexes = (_HEX[high] < 16) & (_HEX[low] < 16)
    right: Flags = hexes & ((total ^ frame) == ((_HEX[high] << np.uint8(4)) | _HEX[low]))
    return right


def _line_numbers(
    raw: NDArray[np.uint8], start: Places, control: Places, kinds: NDArray[np.uint8], first: int, odd: bool
) -> tuple[Places, int]:
    """(N,) the number of each line's start; the number after the last. A CR alone ends a line too."""
    numbers = first + np.arange(len(start), dtype=np.intp)
    if not odd:
        return numbers, first + len(start)
    backs = control[kinds == _BACK]
    lone = backs[raw[backs + 1] != _FEED]
    return numbers + np.searchsorted(lone, start), first + len(start) + len(lone)
