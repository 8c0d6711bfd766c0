"""Numbers out of a buffer of ASCII text, eight characters at a time, for many fields at once.

A field's last eight characters are one little-endian 64-bit word; sums of neighbouring digits are made
within it (three multiplications for eight digits). Values are the very ones `float` gives: digits as a
whole number below 2**53, divided once by an exact power of ten, are rounded correctly (Clinger 1990,
"How to read floating point numbers accurately", the fast case).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
Places = NDArray[np.intp]  # (N,) positions in a text
Whole = NDArray[np.int64]
Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]

PAD = 16  # bytes around a text, so that a word may begin before it or end after it
LONGEST = 8  # characters in a word
LONGEST_NUMBER = 15  # characters: fourteen digits and a point stay far below 2**53


def _same(byte: int) -> np.uint64:
    """A word of eight times this byte."""
    return np.uint64(byte * 0x0101010101010101)


_NIBBLE, _ZEROS, _SIX, _LOW, _POINTS = (_same(byte) for byte in (0xF0, 0x30, 0x06, 0x0F, 0x2E))
_SEVEN, _ONE = _same(0x7F), np.uint64(1)
_KEPT = np.array([(2**64 - 1) ^ (2 ** (8 * (8 - n)) - 1) for n in range(9)], dtype=np.uint64)
_FILL = np.array([0x3030303030303030 & (2 ** (8 * (8 - n)) - 1) for n in range(9)], dtype=np.uint64)
TENS = 10.0 ** np.arange(23)  # exact up to 10**22
_DECIMALS = np.array([7 - bits // 8 if bits < 64 else 0 for bits in range(65)], dtype=np.intp)
_WHOLE_TENS = 10 ** np.arange(10, dtype=np.int64)


class Text:
    """ASCII text as bytes and as the words that end or begin anywhere in it.

    All places count from PAD before the text, so that `bytes` and the words need no shifting.
    """

    def __init__(self, data: bytes | memoryview) -> None:
        padded = np.full(len(data) + 2 * PAD, ord(" "), dtype=np.uint8)
        padded[PAD : PAD + len(data)] = np.frombuffer(data, dtype=np.uint8)
        self.bytes = padded
        self._words: Words = np.ndarray((len(padded) - 7,), "<u8", padded.data, strides=(1,))

    def beginning(self, start: Places) -> Words:
        """(N,) the eight characters from `start` on."""
        return self._words[start]

    def ending(self, end: Places, count: Places | int) -> Words:
        """(N,) the last `count` characters before `end` (0 to 8), filled with "0" in front."""
        words = self._words[end - LONGEST]
        words &= _KEPT[count]
        words |= _FILL[count]
        return words

    def digits(self, end: Places, count: Places | int) -> tuple[Whole, Flags]:
        """(N,) the whole numbers of `count` digits before `end`, and where they are nothing but digits."""
        count = one_count(count)
        if isinstance(count, int):
            return read_digits(self.ending(end, min(max(count, 0), LONGEST)), 0 <= count <= LONGEST)
        return read_digits(self.ending(end, np.clip(count, 0, LONGEST)), (count >= 0) & (count <= LONGEST))

    def scaled(self, end: Places, count: Places | int, places: int) -> tuple[Whole, Flags]:
        """(N,) fractions of `count` digits before `end`, as whole numbers of 10**-places."""
        value, sound = self.digits(end, count)
        left = places - one_count(count)
        return value * _WHOLE_TENS[np.clip(left, 0, len(_WHOLE_TENS) - 1)], sound

    def numbers(self, start: Places, end: Places) -> tuple[Numbers, Flags]:
        """(N,) decimal numbers, NaN where blank; and where they are plainly written.

        Plain: an optional minus, up to 15 characters with at the most one point, no exponent.
        """
        minus = self.bytes[start] == ord("-")
        negative = bool(minus.any())
        if negative:
            start = start + minus
        count = end - start
        words = self.ending(end, np.clip(count, 0, LONGEST))
        joined, point, decimals = _without_point(words)
        whole, sound = read_digits(joined, count > point)
        if count.max(initial=0) > LONGEST:
            long = np.flatnonzero(count > LONGEST)
            front, front_sound = self.digits(end[long] - LONGEST, count[long] - LONGEST)
            sound[long] &= front_sound & point[long] & (count[long] <= LONGEST_NUMBER)
            whole[long] += front * _WHOLE_TENS[7]
        values = whole / TENS[decimals]
        if negative:
            values = np.where(minus, -values, values)
        if count.min(initial=1) == 0:
            blank = (count == 0) & ~minus
            values[blank] = np.nan
            sound |= blank
        return values, sound


def one_count(count: Places | int) -> Places | int:
    """A number where all of an array are equal: most fields of a log are always as long."""
    if isinstance(count, int) or not len(count):
        return count
    least = int(count.min())
    return least if least == count.max() else count


def read_digits(words: Words, allowed: Flags | bool) -> tuple[Whole, Flags]:
    """(N,) the numbers of eight digits each; False where one is no digit."""
    low = words ^ _ZEROS  # 0 to 9 for digits
    spoilt = low + _SIX
    spoilt |= low
    spoilt &= _NIBBLE
    low &= _LOW
    low *= np.uint64(2561)  # 10 * one + next, in every second byte
    low >>= np.uint64(8)
    low &= np.uint64(0x00FF00FF00FF00FF)
    low *= np.uint64(6553601)
    low >>= np.uint64(16)
    low &= np.uint64(0x0000FFFF0000FFFF)
    low *= np.uint64(42949672960001)
    low >>= np.uint64(32)
    return low.view(np.int64), (spoilt == 0) & allowed


def _without_point(words: Words) -> tuple[Words, Flags, Places]:
    """(N,) the words with their one point taken out; whether there is one; digits behind it.

    Two points leave one in place, so that the digits are found spoilt.
    """
    found = words ^ _POINTS
    zero = found & _SEVEN
    zero += _SEVEN
    found |= zero
    found |= _SEVEN
    found = ~found  # the top bit of every byte that is a point
    found &= ~found + _ONE  # the lowest alone
    has = found != 0
    below = (found >> np.uint64(7)) - _ONE  # the bytes before the point; all where there is none
    decimals = _DECIMALS[np.bitwise_count(below)]
    front = words & below
    found <<= _ONE
    found -= _ONE  # and the point itself
    joined = words & ~found
    below = front << np.uint64(8)
    below |= np.uint64(0x30)
    joined |= below
    return np.where(has, joined, words), has, decimals
