"""A stored name never becomes a path as it is."""

from __future__ import annotations

from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.logbook.names import file_name


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("front.nmea", "front.nmea"),
        ("../../etc/passwd", "_.._etc_passwd"),
        ("C:\\logs\\a.csv", "C__logs_a.csv"),
        ("nul.csv", "_nul.csv"),  # a device of Windows, whatever its ending
        ("  . ", "log"),
        ("-rf.csv", "rf.csv"),
        ("=cmd.csv", "cmd.csv"),
        ("Überholt 1.gpx", "Überholt 1.gpx"),
    ],
)
def test_by_hand(text: str, wanted: str) -> None:
    assert file_name(text) == wanted


def test_the_same_name_twice_is_told_apart_also_where_case_does_not_count() -> None:
    taken: set[str] = set()
    assert [file_name(name, taken) for name in ("a.csv", "A.csv", "a.csv")] == [
        "a.csv",
        "A (2).csv",
        "a (3).csv",
    ]


@given(st.lists(st.text(max_size=300), max_size=6))
def test_any_text_gives_one_visible_part_and_no_two_alike(texts: list[str]) -> None:
    taken: set[str] = set()
    names = [file_name(text, taken) for text in texts]
    assert len({name.casefold() for name in names}) == len(texts)
    for name in names:
        assert PureWindowsPath(name).parts == (name,) and PurePosixPath(name).parts == (name,)
        assert name not in (".", "..") and 0 < len(name.encode()) <= 130
        assert name[-1] not in " ." and not PureWindowsPath(name).drive
