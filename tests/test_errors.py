"""One line, whatever a stranger's text holds."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError, plain


def test_the_line_says_where_what_and_what_to_do() -> None:
    error = SpeedlogError("no time column", file="esc.csv", line=7, todo="Name it in map.toml.")
    assert str(error) == "esc.csv, line 7: no time column. Name it in map.toml."
    assert str(SpeedlogError("no course")) == "no course"


@given(st.text())
def test_plain_text_is_one_short_line_without_control_characters(text: str) -> None:
    line = plain(text)
    assert len(line) <= 120
    assert not any(ord(c) < 32 or c in "\x7f\u2028\u2029\u202e" for c in line)
    assert len(str(SpeedlogError(text, file="a\nb", todo=text)).splitlines()) <= 1
