"""WebVTT against the W3C's grammar, and cue times by hand."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.logbook.subtitles import Told, film_start, timestamp, webvtt
from speedlog.units import find_unit

MPH, MPS = find_unit("mph", "speed"), find_unit("m/s", "speed")
START = dt.datetime(2026, 7, 12, 10, 3, 20, tzinfo=dt.UTC)
_STAMP = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"


def parse(text: str) -> list[tuple[int, int, list[str]]]:
    """Cues by the syntax of WebVTT (W3C, 4.1): start and end in ms, and the lines. Fails where it is broken."""
    assert "\x00" not in text and "\r" not in text
    first, *blocks = re.split(r"\n\n+", text.rstrip("\n"))
    assert re.fullmatch(r"WEBVTT(?:[ \t][^\n]*)?", first)
    cues = []
    for block in blocks:
        lines = block.split("\n")
        if re.match(r"NOTE(?:[ \t]|$)", lines[0]):
            assert "-->" not in block
            continue
        found = re.fullmatch(rf"{_STAMP}[ \t]+-->[ \t]+{_STAMP}", lines[0])
        assert found, lines[0]
        hours, minutes, seconds, ms = (int(found[k] or 0) for k in (1, 2, 3, 4))
        start = ((hours * 60 + minutes) * 60 + seconds) * 1000 + ms
        hours, minutes, seconds, ms = (int(found[k] or 0) for k in (5, 6, 7, 8))
        end = ((hours * 60 + minutes) * 60 + seconds) * 1000 + ms
        assert end > start  # "the end must be greater than the start"
        assert not cues or start >= cues[-1][0]  # starts never go back
        payload = lines[1:]
        assert payload and all(line and "-->" not in line for line in payload)
        for line in payload:  # no bare "<" or "&": only text and character references
            assert "<" not in line and not re.search(r"&(?!(?:amp|lt|gt|lrm|rlm|nbsp);)", line)
        cues.append((start, end, payload))
    return cues


def test_by_hand() -> None:
    """From 0 to 40 m/s in 0.4 s, a number each 0.1 s: 5, 15, 25, 35 m/s in the middles; the film began 2 s before."""
    text = webvtt(np.array([0.0, 0.4]), np.array([0.0, 40.0]), before_s=2.0, unit=MPS, step_s=0.1, digits=2)
    assert parse(text) == [
        (2000, 2100, ["5.00 m/s"]), (2100, 2200, ["15.00 m/s"]),
        (2200, 2300, ["25.00 m/s"]), (2300, 2400, ["35.00 m/s"]),
    ]  # fmt: skip
    assert text.startswith("WEBVTT\n\n00:00:02.000 --> 00:00:02.100\n5.00 m/s\n\n")


def test_a_film_that_begins_within_the_drive_leaves_out_what_was_before() -> None:
    text = webvtt(np.array([0.0, 0.4]), np.array([0.0, 40.0]), before_s=-0.25, unit=MPS, step_s=0.1, digits=0)
    assert [cue[:2] for cue in parse(text)] == [(0, 50), (50, 150)]


def test_lines_under_the_speed_and_strangers_text() -> None:
    told = [Told(0.15, "in the <trap> & out -->\n\nWEBVTT"), Told(0.25, "done")]
    text = webvtt(
        np.array([0.0, 0.4]), np.array([44.704, 44.704]), before_s=0, unit=MPH, step_s=0.1, digits=1, told=told,
        note="a --> b",
    )  # fmt: skip
    # 44.704 m/s is 100 mph, exactly
    assert [cue[2] for cue in parse(text)] == [
        ["100.0 mph"],
        ["100.0 mph", "in the &lt;trap&gt; &amp; out --&gt; WEBVTT"],
        ["100.0 mph", "done"],
        ["100.0 mph", "done"],
    ]


@given(
    st.lists(st.floats(0.001, 30), min_size=2, max_size=30),
    st.floats(-100, 400_000),
    st.floats(0.04, 2),
    st.text(max_size=40),
)
def test_any_drive_gives_sound_subtitles(
    gaps: list[float], before_s: float, step_s: float, words: str
) -> None:
    time = np.cumsum(gaps)
    told = [Told(float(time[0]), words)] if words.strip() else []
    text = webvtt(
        time,
        np.full(len(time), 50.0),
        before_s=before_s,
        unit=MPS,
        step_s=step_s,
        digits=1,
        told=told,
        note=words,
    )
    for start, end, _ in parse(text):
        assert start >= 0 and end <= round((time[-1] + before_s) * 1000) + 1


@pytest.mark.parametrize(
    ("ms", "text"),
    [(0, "00:00:00.000"), (3_599_999, "00:59:59.999"), (360_000_001, "100:00:00.001")],
)
def test_timestamps(ms: int, text: str) -> None:
    assert timestamp(ms) == text


@pytest.mark.parametrize(
    ("text", "before"),
    [
        ("12.5 s", 12.5),
        ("-3 s", -3.0),
        ("1 min", 60.0),
        ("2026-07-12T10:03:10Z", 10.0),
        ("10:03:10.25", 9.75),
        ("10:03:30", -10.0),
    ],
)
def test_when_a_film_begins(text: str, before: float) -> None:
    assert film_start(text, START) == pytest.approx(before, abs=1e-9)


def test_a_film_that_went_on_over_midnight() -> None:
    assert film_start("23:59:50", dt.datetime(2026, 7, 13, 0, 0, 20, tzinfo=dt.UTC)) == 30.0


@pytest.mark.parametrize(
    ("text", "start", "said"),
    [
        ("soon", START, "is no time"),
        ("12.5", START, "is no time"),
        ("25:00:00", START, "is no time"),
        ("2026-13-40T10:00:00Z", START, "is no time"),
        ("2025-07-12T10:03:10Z", START, "far from the drive"),
        ("10:03:10", None, "no logger knew the date"),
    ],
)
def test_what_is_no_start_of_a_film(text: str, start: dt.datetime | None, said: str) -> None:
    with pytest.raises(SpeedlogError, match=said):
        film_start(text, start)
