"""The file to double-click, on three systems; hostile paths stay one word."""

from __future__ import annotations

import os
import shlex
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from speedlog.cli.pit import _options
from speedlog.errors import SpeedlogError
from speedlog.pit.starter import starter, write_starter


def test_windows_gets_a_batch_file_with_every_word_quoted() -> None:
    name, text = starter("win32", r"C:\Users\A B\py.exe", ["--watch", r"E:\100% logs & more"])
    assert name.endswith(".cmd") and text.count("\r\n") == text.count("\n")
    # cmd.exe expands %…% inside quotes, so each % is doubled; & is plain there (help cmd)
    assert r'"C:\Users\A B\py.exe" "-m" "speedlog" "pit" "--watch" "E:\100%% logs & more"' in text


def test_a_shell_reads_the_same_words_back() -> None:
    words = ["--logbook", "/home/a b/it's $HOME `x`.db"]
    name, text = starter("darwin", "/opt/py thon", words)
    assert name.endswith(".command")
    line = text.splitlines()[1].removeprefix("exec ")
    assert shlex.split(line) == ["/opt/py thon", "-m", "speedlog", "pit", *words]


def test_a_desktop_entry_quotes_its_words() -> None:
    # Desktop Entry Specification 1.5, "The Exec key": " ` $ \ take a backslash inside quotes, % is doubled, and the
    # value's own rule for strings doubles each backslash again
    _, text = starter("linux", "/usr/bin/python3", ["--logbook", '/a "b" $c 5%'])
    assert 'Exec="/usr/bin/python3" "-m" "speedlog" "pit" "--logbook" "/a \\\\"b\\\\" \\\\$c 5%%"' in text


def test_it_is_written_whole_and_can_be_run(tmp_path: Path) -> None:
    path = write_starter(tmp_path, ["--port", "8500"])
    assert [item.name for item in tmp_path.iterdir()] == [path.name]
    if os.name == "posix":
        assert path.stat().st_mode & stat.S_IXUSR
    with pytest.raises(SpeedlogError, match="can't be written"):
        write_starter(tmp_path / "nowhere", [])


def test_the_options_go_along_with_whole_paths() -> None:
    words = _options(8500, Path("card"), True, False, Path("l.db"))
    assert words == [
        "--port",
        "8500",
        "--watch",
        str(Path.cwd() / "card"),
        "--lan",
        "--logbook",
        str(Path.cwd() / "l.db"),
    ]


def test_the_command_tells_what_is_wrong_in_one_line(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("x\n")
    options = ["--no-browser", "--logbook", str(tmp_path / "l.db"), "--watch", str(log)]
    done = subprocess.run(
        [sys.executable, "-m", "speedlog", "pit", *options],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and "not a folder" in done.stderr
