"""Long tables of plain characters only are looked at once: the same result as looked at in every way."""

from __future__ import annotations

import random
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited, delimited_text
from speedlog.samples import Recording
from tests.importers.nmea_careful import assert_alike

ODD = [
    b'"',
    b" ",
    b"\t",
    b"\0",
    b"\r",
    b"\r\n",
    b"\n",
    b"\n\n",
    b"#",
    b"\xe9",
    b"\xc3\xa9",
    b"\x1a",
    b",",
    b"",
    b"x",
    b";",
]


def table(rows: int, end: str = "\n") -> bytes:
    lines = ["UTC,Latitude (deg),Longitude (deg),Speed (m/s)"]
    lines += [
        f"2024-06-15T13:45:{s // 5:02d}.{s % 5 * 2}Z,{53.1 + s * 3.6e-5:.7f},-1.2,{20 + s / 8}"
        for s in range(rows)
    ]
    return end.join([*lines, ""]).encode()


def read(data: bytes, *, plain: bool = True) -> Recording | str:
    source = Source("log.csv", data)
    try:
        if plain:
            return delimited.read(source, ReadOptions())
        with patch.object(delimited_text, "_plain_lines", lambda *_: None):
            return delimited.read(source, ReadOptions())
    except SpeedlogError as problem:
        return str(problem)


def assert_same(data: bytes, piece: int) -> None:
    with patch.object(delimited_text, "_HEAD", 60), patch.object(delimited_text, "_PIECE", piece):
        assert_alike(read(data), read(data, plain=False))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_plain_table_is_seen_as_such(end: str) -> None:
    data = table(100, end)
    for piece in (1, 7, 64, 1 << 18):
        with patch.object(delimited_text, "_HEAD", 60), patch.object(delimited_text, "_PIECE", piece):
            text = delimited_text.clean(data)
        assert text.plain_from == data.index(b"\n", 60) + 1
        assert (
            text.plain_lines == 98
        )  # 101 lines: the header and the first row before, the last end not counted
        assert_same(data, piece)


@given(
    st.integers(0, 2**32),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([1, 5, 64, 1 << 18]),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_whatever_is_strewn_in_gives_the_same(seed: int, end: str, piece: int, last: bool) -> None:
    rng, data = random.Random(seed), bytearray(table(30, end))
    for _ in range(rng.randrange(1, 4)):
        at = len(data) - rng.randrange(6) if last else rng.randrange(len(data))
        data[at : at + rng.randrange(2)] = rng.choice(ODD)
    assert_same(bytes(data), piece)
