"""`speedlog compare`: what it prints and writes."""

from __future__ import annotations

import json
from pathlib import Path

from speedlog.cli.compare import compare
from speedlog.logbook.store import Logbook
from tests.logbook.kept import keep_rows, kept


def test_two_passes_without_logs(tmp_path: Path, capsys) -> None:
    path = tmp_path / "season.db"
    rows = [
        kept(1, trap=80.0, peak=81.0, trap_text="179.0 mph", setup={"tyre": "soft"}),
        kept(2, trap=82.0, peak=82.0, trap_text="183.4 mph", setup={"tyre": "hard"}),
    ]
    with Logbook.open(path, create=True) as book:
        keep_rows(book, rows)
    compare(["2", "1"], logbook=path, json_out=tmp_path / "c.json", out=tmp_path / "c.html")
    said = capsys.readouterr().out.replace("\u00a0", " ")
    assert said.index("What differs in the set-up") < said.index("Pass 1 was 4.5 mph slower than pass 2")
    assert "  Tyres  hard    soft" in said
    assert "-4.5" not in said and "−4.5 mph ± 0.6 mph" in said
    assert "has no speed curve" in said and "wind and heat change too" in said
    assert [item["pass"] for item in json.loads((tmp_path / "c.json").read_text("utf-8"))["passes"]] == [2, 1]
    assert (tmp_path / "c.html").read_text("utf-8").startswith("<!doctype html>")


def test_curves_of_kept_logs_in_figures(tmp_path: Path, capsys) -> None:
    from speedlog.demo import sample_folder
    from speedlog.logbook.add import add_session
    from speedlog.session import load_session

    for name in ("course.toml", "p01_front.nmea", "p06_front.nmea"):
        (tmp_path / name).write_bytes((sample_folder() / name).read_bytes())
    text = 'name = "Day"\ncourse = "course.toml"\n'
    text += '[[pass]]\nlogs = ["p01_front.nmea"]\ntrap = "160.0 mph"\n[[pass]]\nlogs = ["p06_front.nmea"]\n'
    (tmp_path / "session.toml").write_text(text, "utf-8")
    with Logbook.open(tmp_path / "season.db", create=True) as book:
        add_session(book, load_session(tmp_path / "session.toml"))
    compare(["1", "2"], logbook=tmp_path / "season.db", unit="mph")
    said = capsys.readouterr().out.replace("\u00a0", " ")
    assert "No set-up was noted of these passes." in said and "faster than pass 1 by" in said
    table = said[said.index("Speed over distance") :].splitlines()
    marks = [line.split()[0] for line in table if line[:5].strip().isdigit()]
    assert marks[:3] == ["50", "100", "150"]
    assert "100 mph" in said  # the launch
