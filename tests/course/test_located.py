"""Passes that told where a trap is: written into the course, read again, known again."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pandas as pd
import pytest

from speedlog.course.coursefile import Course
from speedlog.course.located import took_part, witness_text
from speedlog.errors import SpeedlogError

ONE, OTHER = "ab" * 32, "cd" * 32
ENTERED = pd.Timestamp("2026-08-22T09:12:20.2496Z")
TEXT = f"{ONE} 2026-08-22T09:12:20.249Z"
BASE = Course.from_mapping(
    {
        "name": "strip", "line": {"start": [53.1, -1.2], "heading_deg": 75.0},
        "trap": {"entry_m": 320.0, "exit_m": 350.0, "place_u_m": 0.6},
    }
)  # fmt: skip


def during(text: str, sha256: str, first: str, last: str) -> bool:
    return took_part((text,), sha256, pd.Timestamp(first), pd.Timestamp(last), 2.0)


def test_the_text_of_a_pass() -> None:
    assert witness_text(ONE, ENTERED) == TEXT


def test_a_course_keeps_its_witnesses() -> None:
    made = replace(BASE, located_from=(TEXT, f"{OTHER} 2026-08-22T09:31:52.000Z", OTHER))
    assert Course.from_mapping(tomllib.loads(made.to_toml())) == made
    assert "they can't confirm it" in made.to_toml()
    assert BASE.located_from == () and "located_from" not in BASE.to_toml()


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("text", "[trap] located_from must be a list"),
        ([1], "[trap] located_from: 1 is no pass of a log"),
        (["ab"], "[trap] located_from: ab is no pass of a log"),
        ([f"{ONE} yesterday"], "is no pass of a log"),
        ([f"{ONE}\n"], "is no pass of a log"),
        ([TEXT.upper()], "is no pass of a log"),
    ],
)
def test_a_spoiled_mark_is_refused_in_one_line(value, words: str) -> None:
    trap = {"entry_m": 320.0, "exit_m": 350.0, "located_from": value}
    with pytest.raises(SpeedlogError) as caught:
        Course.from_mapping({"name": "x", "line": {"start": [53.1, -1.2], "heading_deg": 75.0}, "trap": trap})
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_the_same_pass_in_any_file_is_known_by_its_time() -> None:
    assert during(TEXT, ONE, "2026-08-22T09:12:05Z", "2026-08-22T09:12:40Z")
    assert during(TEXT, OTHER, "2026-08-22T09:12:05Z", "2026-08-22T09:12:40Z")


def test_another_pass_of_the_same_log_is_another_pass() -> None:
    assert not during(TEXT, ONE, "2026-08-22T09:31:00Z", "2026-08-22T09:31:40Z")


@pytest.mark.parametrize(("first", "wanted"), [("09:12:22.2Z", True), ("09:12:22.3Z", False)])
def test_two_seconds_apart_is_the_limit(first: str, wanted: bool) -> None:
    assert during(TEXT, ONE, f"2026-08-22T{first}", "2026-08-22T09:13:00Z") is wanted


def test_a_log_without_a_date_is_known_by_its_bytes_and_its_own_clock() -> None:
    text = f"{ONE} 1970-01-01T00:05:12.000Z"
    assert during(text, ONE, "1970-01-01T00:05:00Z", "1970-01-01T00:05:30Z")
    assert not during(text, OTHER, "1970-01-01T00:05:00Z", "1970-01-01T00:05:30Z")
    assert not during(text, ONE, "1970-01-01T00:09:00Z", "1970-01-01T00:09:30Z")


def test_a_log_without_a_moment_stands_for_all_of_its_passes() -> None:
    for text in (ONE, f"{ONE} 2026-13-45T99:99:99.000Z"):  # no date at all: as good as none
        assert during(text, ONE, "2026-08-22T15:00:00Z", "2026-08-22T15:00:40Z")
        assert not during(text, OTHER, "2026-08-22T15:00:00Z", "2026-08-22T15:00:40Z")
