"""Finding NMEA sentences anywhere in a file's bytes.

Logs carry prefixes, TAG blocks, suffixes, glued lines, erased sectors and binary frames; so sentences
are looked for by their own form, and lines matter only for the line number of a reject. One pass, and
no pattern that could go back over what it has read.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

# "$", a talker that is not P (proprietary), a kind, then fields of plain ASCII without "$" and "*".
# 82 characters is the standard's limit; receivers exceed it, broken text exceeds any.
_SENTENCE = re.compile(rb"\$([A-OQ-Z][A-Z]{4},[ -#%-)+-~]{0,250})(?:(\*[0-9A-Fa-f]{2})|(?=([\r\n])))?")
_POSITION_HEAD = re.compile(
    rb"\$[A-OQ-Z][A-Z](?:RMC|GGA|GLL|GNS|VTG|GSA|GSV|GST|ZDA),[ -#%-)+-~]{0,250}[*\r\n]"
)


@dataclass(frozen=True, slots=True)
class Found:
    """A sentence as it stands in a file.

    Attributes:
        offset: of its "$", bytes from the start.
        text: from "$" on, with its checksum if it has one.
        end: "checksum", "line" (no checksum, but a line end) or "cut".
    """

    offset: int
    text: str
    end: str


def has_sentences(head: bytes) -> bool:
    """Whether a head of a file holds a sentence of a kind that a drive needs."""
    return _POSITION_HEAD.search(head) is not None


def find_sentences(data: bytes, start: int = 0, stop: int = sys.maxsize) -> Iterator[Found]:
    """Every standard sentence, in file order; proprietary ($P…) and AIS (!…) ones are passed over.

    Args:
        start, stop: look only there; no sentence goes on over a line's end, so whole lines may be taken alone.
    """
    for match in _SENTENCE.finditer(data, start, stop):
        if match[2]:
            yield Found(match.start(), match[0].decode("ascii"), "checksum")
        else:
            yield Found(match.start(), "$" + match[1].decode("ascii"), "line" if match[3] else "cut")


def find_spans(data: bytes, start: int, stop: int) -> Iterator[tuple[int, int]]:
    """Where each of the same sentences begins and ends, its checksum included; a line's end is not looked at."""
    for match in _SENTENCE.finditer(data, start, stop):
        yield match.span()


class LineNumbers:
    """Line numbers, counted from 1, of rising offsets; lines end in CR LF, LF or CR."""

    def __init__(self, data: bytes) -> None:
        raw = np.frombuffer(data, dtype=np.uint8)
        feed, back = raw == 10, raw == 13
        back[:-1] &= ~feed[1:]  # CR LF ends one line, not two
        self._ends = np.flatnonzero(feed | back)
        self._size = len(data)

    def __call__(self, offset: int) -> int:
        return int(np.searchsorted(self._ends, offset, side="left")) + 1

    @property
    def count(self) -> int:
        """How many lines there are, one without an end included."""
        return len(self._ends) + 1

    def start(self, line: int) -> int:
        """The offset at which a line begins; the data's end beyond the last."""
        if line <= 1:
            return 0
        return int(self._ends[line - 2]) + 1 if line <= self.count else self._size
