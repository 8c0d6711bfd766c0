"""`speedlog add` and `speedlog logbook amend, note, refresh`: what they print, write and refuse."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from speedlog.cli.add import add
from speedlog.cli.main import app
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError

RUN = CliRunner()
SHEET = "Run,Time,Speed (mph)\n1,10:12,160.0\n2,11:05,179.5\n3,15:00,99\n"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with passes 1 (with figure) and 3 (without), added with their files."""
    folder = tmp_path_factory.mktemp("kept")
    for name in ("course.toml", "p01_front.nmea", "p03_rear.csv"):
        shutil.copy(sample_folder() / name, folder / name)
    (folder / "times.csv").write_text(SHEET, encoding="utf-8")
    book = folder / "logbook.db"
    said = run("add", folder / "p01_front.nmea", "--course", folder / "course.toml", "--trap", "160.0 mph", "--car",
               "Long Shrike", "--change", 'current_limit="95 A"', "--logbook", book)  # fmt: skip
    assert said[0].startswith(
        "Pass 1 (Oldfen runway, 2026-08-22, no. 1): kept as new. Logs and trap agree: 160.0 mph"
    )
    assert said[-1] == f"(a new logbook: {book})"
    said = run("add", folder / "p03_rear.csv", "--logbook", book)
    assert said[0].startswith(
        "Pass 2 (Oldfen runway, 2026-08-22, no. 2): kept as new. No trap figure; through the trap "
    )
    assert said[1:] == ["(course as kept: Oldfen runway)", "(session: Oldfen runway, 2026-08-22)"]
    return folder


@pytest.fixture
def folder(kept: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept, tmp_path / "copy"))


def run(*words: object) -> list[str]:
    """The lines printed by a command that must be done."""
    done = RUN.invoke(app, [str(word) for word in words])
    assert done.exception is None, done.exception
    return done.output.splitlines()


def refused(*words: object) -> str:
    """The one line of a command that must be refused."""
    done = RUN.invoke(app, [str(word) for word in words])
    assert isinstance(done.exception, SpeedlogError) and not done.output
    assert "\n" not in str(done.exception)
    return str(done.exception)


def test_twice_is_once(folder: Path) -> None:
    said = run("add", folder / "p01_front.nmea", "--logbook", folder / "logbook.db")
    assert said[0].startswith("Pass 1 (Oldfen runway, 2026-08-22, no. 1): known already. Logs and trap agree")


def test_what_is_not_taken_says_what_to_do(folder: Path) -> None:
    said = run("add", folder / "p01_front.nmea", "--trap", "161 mph", "--logbook", folder / "logbook.db")
    assert said[1] == '  not taken: trap: kept "160.0 mph", now "161 mph" (speedlog logbook amend 1 --help)'


def test_a_sheet_alone_goes_to_the_newest_session(folder: Path) -> None:
    """Pass 2 was driven at 10:05 UTC, 11:05 by the clocks of the course's Europe/London."""
    said = run("add", "--sheet", folder / "times.csv", "--logbook", folder / "logbook.db")
    assert said == [
        "Pass 2 (Oldfen runway, 2026-08-22, no. 2): 179.5 mph from line 3 of the sheet.",
        "1 figure of the sheet kept already.",
        "  not taken, line 4: no. 3, 15:00:00, 99 mph: no pass is kept at that time",
    ]


def test_json_says_the_same(folder: Path) -> None:
    found = json.loads("\n".join(run(
        "add", folder / "p01_front.nmea", "--sheet", folder / "times.csv", "--json", "-",
        "--logbook", folder / "logbook.db",
    )))  # fmt: skip
    assert found["session"] == {
        "name": "Oldfen runway, 2026-08-22", "date": "2026-08-22", "venue": "Oldfen runway", "car": "Long Shrike",
    }  # fmt: skip
    assert [(item["pass"], item["new"], item["verdict"]) for item in found["passes"]] == [(1, False, "agree")]
    assert found["sheet"]["taken"] == [{"line": 3, "pass": 2, "trap": "179.5 mph"}]
    assert found["sheet"]["left"] == [{"line": 4, "reason": "no pass is kept at that time"}]


def test_an_input_is_never_written_over(folder: Path) -> None:
    book = folder / "logbook.db"
    for name in ("p01_front.nmea", "logbook.db"):
        done = RUN.invoke(
            app, ["add", str(folder / "p01_front.nmea"), "--json", str(folder / name), "--logbook", str(book)]
        )
        assert "written over" in str(done.exception)


def test_mistakes_are_one_line(folder: Path) -> None:
    book, log = folder / "logbook.db", folder / "p01_front.nmea"
    (folder / "session.toml").write_text('[[pass]]\nlogs = ["p01_front.nmea"]\n', encoding="utf-8")
    for words, problem in (
        ((), "nothing to add"),
        ((log, folder / "session.toml"), "added alone"),
        ((folder / "session.toml", "--trap", "160 mph"), "says all of its passes itself"),
        (("--sheet", folder / "times.csv", "--trap", "160 mph"), "need a file"),
        (("--sheet", folder / "times.csv", "--session", "elsewhere"), 'no session "elsewhere"'),
        ((log, "--change", "current_limit"), 'is no key="value"'),
        ((log, "--change", "ramp=1 s", "--change", "ramp=2 s"), "given twice"),
        ((log, "--measured", 'motor_temp_after="61"'), "has no unit"),
        ((log, "--wind", "a breeze"), "not a speed and a direction"),
        ((folder / "missing.nmea",), "no such file"),
        ((log, "--to", "77"), "no pass 77"),
        ((log, "--to", "soon"), "names no pass"),
    ):
        assert problem in refused("add", *words, "--logbook", book)


def test_a_sheet_into_no_logbook_makes_none(folder: Path) -> None:
    assert "no logbook there yet" in refused(
        "add", "--sheet", folder / "times.csv", "--logbook", folder / "none.db"
    )
    assert not (folder / "none.db").exists()


def test_amend_shows_old_and_new_and_the_new_verdict(folder: Path) -> None:
    book = folder / "logbook.db"
    said = run(
        "logbook",
        "amend",
        "1",
        "--trap",
        "120 mph",
        "--change",
        "tyre=hard",
        "--reason",
        "misheard",
        "--logbook",
        book,
    )
    assert said[0].startswith("trap: 160.0 mph → 120 mph (20") and said[0].endswith("UTC, misheard)")
    assert said[1].startswith("tyre: none → hard (20") and said[2].startswith("Check the trap figure 120 mph")
    listed = run("logbook", "amend", "2026-08-22/1", "--logbook", book)
    assert listed == said[:2]
    assert run("logbook", "amend", "2", "--logbook", book) == ["Nothing of it was ever amended."]
    assert "needs a reason" in refused("logbook", "amend", "1", "--trap", "160 mph", "--logbook", book)
    assert "nothing to change" in refused("logbook", "amend", "1", "--reason", "why", "--logbook", book)


def test_note_adds_to_the_note(folder: Path) -> None:
    book = folder / "logbook.db"
    assert run("logbook", "note", "1", "Ran straight.", "--logbook", book) == ["Pass 1: Ran straight."]
    assert run("logbook", "note", "1", "Tyre chunked.", "--logbook", book) == [
        "Pass 1: Ran straight. Tyre chunked."
    ]


def test_refresh_with_nothing_to_do(folder: Path) -> None:
    said = run("logbook", "refresh", "--logbook", folder / "logbook.db")
    assert said == ["0 reviewed again: 0 came out otherwise, 0 the same. 2 were of this version already."]


def test_the_environment_names_the_logbook(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SPEEDLOG_LOGBOOK", str(folder / "logbook.db"))
    assert run("logbook", "note", "2", "x") == ["Pass 2: x"]


def test_the_help_has_an_example() -> None:
    assert "Example: speedlog add" in str(add.__doc__)


def test_a_pass_without_a_log(folder: Path) -> None:
    said = run("add", "--session", "2026-08-22", "--trap", "190 mph", "--logbook", folder / "logbook.db")
    assert said == [
        "Pass 3 (Oldfen runway, 2026-08-22, no. 3): kept as new. Not reviewed: No log was kept of this pass."
    ]
