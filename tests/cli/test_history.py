"""`speedlog history`, `logbook target` and `logbook rule`: what they print and write."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from speedlog.cli.history import history, wanted_setup
from speedlog.cli.history_rules import By, On, rule, target
from speedlog.errors import SpeedlogError
from speedlog.logbook.store import Logbook
from tests.logbook.kept import keep_rows
from tests.logbook.test_history import ROWS


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    path = tmp_path / "season.db"
    with Logbook.open(path, create=True) as book:
        keep_rows(book, ROWS)
    return path


def test_a_table_the_ladders_and_what_is_to_go(logbook: Path, capsys) -> None:
    target("190 mph", logbook=logbook)
    capsys.readouterr()
    history(logbook=logbook)
    said = capsys.readouterr().out
    lines = said.splitlines()
    assert " ".join(lines[0].split()) == "no. date pass car trap, mph estimate fastest moment verdict best"
    # 80 m/s = 178.95 mph; ± 0.3 m/s = 0.67 mph
    assert lines[1].split()[:5] == ["1", "2026-05-03", "1", "Car", "179.0"] and "179.2 ± 0.7" in lines[1]
    assert lines[1].endswith("trap PB, GNSS PB")
    assert lines[3].endswith("trap figure in doubt  trap PB?, GNSS PB")
    assert lines[4].endswith("not reviewed")
    # √(0.2² + 0.2²) = 0.283 m/s = 0.6 mph
    assert "+4.5 mph, beyond the noise of 0.6 mph" in said.replace("\u00a0", " ")
    assert "the logs speak against it" in said
    assert "to go: 6.6 mph (pass 2)" in said
    assert 'speedlog logbook rule "NAME"' in said  # no rule of the user's own yet
    assert "are too few to tell" in said


def test_in_another_unit(logbook: Path, capsys) -> None:
    history(logbook=logbook, unit="m/s")
    said = capsys.readouterr().out
    assert "trap, m/s" in said and "82.00" in said
    with pytest.raises(SpeedlogError, match="not a unit of the page"):
        history(logbook=logbook, unit="kn")


def test_json_and_page_are_written(logbook: Path, tmp_path: Path, capsys) -> None:
    history(logbook=logbook, json_out=tmp_path / "h.json", out=tmp_path / "h.html", setup=['tyre="hard"'])
    told = json.loads((tmp_path / "h.json").read_text("utf-8"))
    assert [item["pass"] for item in told["passes"]] == [2, 3]
    assert (tmp_path / "h.html").read_text("utf-8").startswith("<!doctype html>")
    assert "Season page: " in capsys.readouterr().out
    history(logbook=logbook, json_out=Path("-"))
    assert json.loads(capsys.readouterr().out)["schema_version"] == 1
    with pytest.raises(SpeedlogError, match="written over"):
        history(logbook=logbook, json_out=logbook)


def test_nothing_of_that_kind(logbook: Path, capsys) -> None:
    history(logbook=logbook, car="Nobody's")
    assert capsys.readouterr().out.strip() == "No pass kept (Nobody's)."


@pytest.mark.parametrize("text", ["tyre", "=soft"])
def test_a_setup_that_is_no_key_and_value(text: str) -> None:
    with pytest.raises(SpeedlogError, match="is not KEY=VALUE"):
        wanted_setup([text])


def test_a_day_that_is_none(logbook: Path) -> None:
    with pytest.raises(SpeedlogError, match="2026-07-12"):
        history(logbook=logbook, since="July")


def test_without_a_logbook(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match="no logbook there yet"):
        history(logbook=tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()


def test_targets_and_rules_from_the_command_line(logbook: Path, capsys) -> None:
    target("190 mph", on=On.two_way, car="Car", logbook=logbook)
    target(logbook=logbook)
    target(drop=1, logbook=logbook)
    target(logbook=logbook)
    said = capsys.readouterr().out.splitlines()
    words = "190 mph, Two-way mean (Car)"
    assert said[:3] == [f"Target 1: {words}", f"1  {words}", f"Dropped: {words}"]
    assert said[3].startswith("No target is set.")
    rule("club record", window="30 min", mean=By.speeds, logbook=logbook)
    rule(logbook=logbook)
    rule("club record", drop=True, logbook=logbook)
    rule(logbook=logbook)
    said = capsys.readouterr().out.splitlines()
    line = "“club record”: opposite passes within 30 min, mean of the speeds"
    assert said == [line, line, f"Dropped: {line}", "No rule is set."]
    with pytest.raises(SpeedlogError, match="needs a name"):
        rule(drop=True, logbook=logbook)
    with pytest.raises(SpeedlogError, match="no speed"):
        target("190 mph", drop=1, logbook=logbook)


def test_the_terminal_waits_for_no_heavy_library(logbook: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from speedlog.cli.history import history; "
        f"history(logbook=Path({str(logbook)!r})); print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, encoding="utf-8"
    )
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert not loaded & {"pandas", "scipy", "plotly", "jinja2", "pyproj"}
    assert "trap PB" in done.stdout


def test_the_effect_of_a_change_of_the_demo_s_tyres(tmp_path: Path, capsys) -> None:
    """A controller's log is in two of these four passes: heat has one pass a side, the speed two."""
    from speedlog.demo import sample_folder
    from speedlog.logbook.add import add_session
    from speedlog.session import load_session

    for source in sample_folder().iterdir():
        (tmp_path / source.name).write_bytes(source.read_bytes())
    text = (tmp_path / "session.toml").read_text("utf-8")
    head, *passes = text.split("[[pass]]")
    wanted = [item for item in passes if any(f"number = {k}\n" in item for k in (1, 2, 6, 9))]
    wanted[2] = wanted[2].replace("setup = {", 'setup = { tyre = "hard, glued",')
    (tmp_path / "session.toml").write_text("[[pass]]".join([head, *wanted]), "utf-8")
    path = tmp_path / "season.db"
    with Logbook.open(path, create=True) as book:
        add_session(book, load_session(tmp_path / "session.toml"))
    history(logbook=path, effect="tyre", json_out=tmp_path / "h.json", out=tmp_path / "h.html")
    said = capsys.readouterr().out
    assert "Tyres medium, glued → hard, glued (Long Shrike): passes 1, 2 against passes 3, 4" in said
    assert "1 pass before and 1 after: with one pass on a side there is no scatter" in said
    (effect,) = json.loads((tmp_path / "h.json").read_text("utf-8"))["effects"]
    figures = {item["figure"]: item for item in effect["effects"]}
    assert figures["speed"]["passes_before"] == 2 and figures["heat"]["difference"] is None
    assert "current_limit" in effect["also"]
    page = (tmp_path / "h.html").read_text("utf-8")
    assert "What a change did" in page and "Speed, still air, standard day" in page
    with pytest.raises(SpeedlogError, match="was not changed"):
        history(logbook=path, effect="gear_ratio")
