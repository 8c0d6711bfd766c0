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


def test_wishes_that_cannot_be_met_are_told_before_the_work(day: Path) -> None:
    out = day.parent
    with pytest.raises(SpeedlogError, match="neither inside nor shared"):
        report(str(day), out / "x.html", assets="cdn")
    with pytest.raises(SpeedlogError, match=r"written as \.svg or \.png"):
        report(str(day), out / "x.html", picture=1)
    with pytest.raises(SpeedlogError, match=r"a page is no \.png file"):
        report(str(day), out / "x.png")
    with pytest.raises(SpeedlogError, match="the session has no pass 9"):
        report(str(day), out / "x.svg", picture=9)
    with pytest.raises(SpeedlogError, match=r"pass 1 was not reviewed: .*a\.nmea"):
        report(str(day), out / "x.svg", picture=1)
    assert not list(out.glob("x.*"))


def test_a_shared_library_is_written_once_beside_the_reports(day: Path) -> None:
    from speedlog.report import charting

    report(str(day), day.parent / "one.html", assets="shared")
    library = day.parent / charting.shared_name()
    first = library.stat().st_mtime_ns
    report(str(day), day.parent / "two.html", assets="shared")
    assert library.stat().st_mtime_ns == first and charting.is_shared_in(day.parent)
    assert (day.parent / "two.html").stat().st_size < 100_000
    library.write_text("cut off", encoding="utf-8")
    report(str(day), day.parent / "two.html", assets="shared")
    assert charting.is_shared_in(day.parent)  # a damaged one is made anew


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A logbook with one pass of the invented meeting."""
    from speedlog.demo import sample_folder
    from speedlog.logbook.add import add_session
    from speedlog.logbook.store import Logbook
    from speedlog.session import load_session

    for name in ("course.toml", "p03_rear.csv"):
        (tmp_path / name).write_bytes((sample_folder() / name).read_bytes())
    text = (
        'name = "Invented noon"\ndate = 2026-08-22\ncourse = "course.toml"\ncar = "Long Shrike"\n'
        '[[pass]]\nnumber = 3\nlogs = ["p03_rear.csv"]\ntrap = "179.5 mph"\n'
    )
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    with Logbook.open(tmp_path / "book.db", create=True) as book:
        add_session(book, load_session(tmp_path / "session.toml"))
    return tmp_path / "book.db"


@pytest.mark.parametrize("named", ["Invented noon", "2026-08-22"])
def test_a_session_of_the_logbook_by_name_or_date(kept: Path, named: str, capsys) -> None:
    out = kept.parent / "noon.html"
    report(named, out, logbook=kept)
    page = out.read_text(encoding="utf-8")
    assert "Invented noon" in page and "179.5" in page and "Long Shrike" in page
    assert capsys.readouterr().out.startswith("Pass 3: ")


def test_a_session_that_is_nowhere_is_told(kept: Path) -> None:
    with pytest.raises(SpeedlogError, match='no session "Elsewhere" in the logbook'):
        report("Elsewhere", kept.parent / "x.html", logbook=kept)
    with pytest.raises(SpeedlogError, match=r"missing\.toml"):  # a file, not a name
        report(str(kept.parent / "missing.toml"), kept.parent / "x.html", logbook=kept)


def test_a_picture_of_a_kept_pass(kept: Path, capsys) -> None:
    out = kept.parent / "pass.svg"
    report("2026-08-22", out, picture=3, logbook=kept)
    text = out.read_text(encoding="utf-8")
    assert (
        text.startswith("<?xml")
        and "179.5" in text
        and "Pass 3" in text
        and "Invented noon, 2026-08-22" in text
    )
    assert f"Picture: {out}" in capsys.readouterr().out
