"""`speedlog report`: the file it writes and the words it prints."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.cli.report import report
from speedlog.errors import SpeedlogError


@pytest.fixture
def day(tmp_path: Path) -> Path:
    (tmp_path / "a.nmea").write_text("nothing of a log\n", encoding="utf-8")
    path = tmp_path / "session.toml"
    path.write_text(
        'name = "Trial"\n[[pass]]\nlogs = ["a.nmea"]\ntrap = "180 mph"\n[[pass]]\nlogs = []\n', "utf-8"
    )
    return path


def test_a_day_of_broken_logs_still_makes_a_page(day: Path, capsys) -> None:
    out = day.parent / "day.html"
    report(day, out)
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>") and "Trial" in page and "180 mph" in page.replace("\u00a0", " ")
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("Pass 1: not reviewed. ") and "a.nmea" in said[0]
    assert said[1] == "Pass 2: not reviewed. No log was kept of this pass."
    assert said[2].startswith(f"Report: {out}")
    assert not list(day.parent.glob(".*part"))  # nothing half-written is left
    assert str(day.parent) not in page  # where the files lie is nobody's business


def test_an_input_is_never_written_over(day: Path) -> None:
    before = day.read_bytes()
    with pytest.raises(SpeedlogError, match="written over a file it was made from"):
        report(day, day)
    assert day.read_bytes() == before


def test_a_wrong_unit_is_told_before_the_work(day: Path) -> None:
    with pytest.raises(SpeedlogError, match="Take mph, km/h or m/s"):
        report(day, day.parent / "x.html", "knots")
    assert not (day.parent / "x.html").exists()
