"""The command line's manners: help with an example, one line and exit 2 for a mistake, UTF-8."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.inside import line_of

COMMANDS = ["demo", "inspect", "review", "report", "course"]


def run(*words: str, cwd: Path | None = None, **env: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "speedlog", *words], capture_output=True, cwd=cwd, env={**os.environ, **env}
    )


def mistake(*words: str, cwd: Path | None = None) -> str:
    """The one line of a mistake; anything else fails the test."""
    return line_of(run(*words, cwd=cwd))


def test_version() -> None:
    done = run("--version")
    assert done.returncode == 0 and done.stdout.split()[0] == b"speedlog"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str) -> None:
    done = run(command, "--help")
    assert done.returncode == 0
    assert b"Example" in done.stdout and f"speedlog {command}".encode() in done.stdout


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["fly"], "No such command 'fly'"),
        (["inspect"], "Missing argument"),
        (["inspect", "nothing.nmea"], "nothing.nmea"),
        (["inspect", "."], "folder"),
        (["review", "a.nmea", "--gear-ratio", "fast"], "--gear-ratio"),
        (["review", "a.nmea", "--course", "none.toml"], "none.toml"),
        (["review", "a.nmea", "--wheel-diameter", "88"], "has no unit"),
        (["review", "a.nmea", "--pole-pairs", "0"], "pole pairs"),
        (["review", "a.nmea", "--wind", "breezy"], "wind"),
    ],
)
def test_a_mistake_is_one_line_and_exit_2(words: list[str], part: str, tmp_path: Path) -> None:
    assert part in mistake(*words, cwd=tmp_path)


def test_output_is_utf8_even_when_piped_from_a_machine_with_an_old_code_page(tmp_path: Path) -> None:
    log = tmp_path / "naïve ±.csv"
    log.write_text(
        "Time (s),RPM,Current (A)\n" + "\n".join(f"{i / 10},{4000 + i},80" for i in range(50)), "utf-8"
    )
    done = run("inspect", str(log), cwd=tmp_path, PYTHONIOENCODING="cp1252", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert "naïve ±.csv" in done.stdout.decode("utf-8")


def test_an_output_over_its_input_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "esc.csv"
    text = "Time (s),RPM,Current (A)\n" + "\n".join(f"{i / 10},{4000 + i},80" for i in range(50))
    log.write_text(text, "utf-8")
    assert "would be written over" in mistake("inspect", str(log), "--json", str(log))
    assert log.read_text("utf-8") == text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["esc.csv"]
