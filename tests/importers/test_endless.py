"""Inputs without an end, and runs that are stopped: bounded, told in one line, and nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.importers import load_file, read
from speedlog.settings import ReadSettings
from tests.importers.nmea_text import clean_log

POSIX_ONLY = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX file system")
SAMPLE = Path(__file__).parents[2] / "sample_data"
# runs the command line, and says so when the third log is being read: then it can be stopped for sure
_TELLING = """
import sys, time
from speedlog import importers
from speedlog.cli.main import main
real, seen = importers.read_source, []
def telling(source, options):
    seen.append(source)
    if len(seen) == 3:
        print("reading", flush=True)
        time.sleep(60)
    return real(source, options)
importers.read_source = telling
main()
"""


@POSIX_ONLY
def test_a_sparse_file_of_50_gb_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "endless.nmea"
    path.write_bytes(clean_log())
    os.truncate(path, 50_000_000_000)
    with pytest.raises(SpeedlogError, match=r"50000 MB is over the limit of 512 MB. Is it a log"):
        read(path)


def test_a_file_that_grows_while_it_is_read_is_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What `stat` said is not believed: no more than the limit and a byte is ever asked for."""
    path = tmp_path / "log.nmea"
    path.write_bytes(clean_log())
    asked: list[int] = []

    class Endless:
        def __enter__(self) -> Endless:
            return self

        def __exit__(self, *problem: object) -> None:
            pass

        def read(self, count: int) -> bytes:
            asked.append(count)
            return b"x" * count

    monkeypatch.setattr(Path, "open", lambda self, mode: Endless())
    with pytest.raises(SpeedlogError, match="over the limit of 1 MB"):
        load_file(path, ReadSettings(biggest_file_mb=1.0))
    assert asked == [1_000_001]


@POSIX_ONLY
@pytest.mark.parametrize("device", ["/dev/zero", "/dev/random", "/dev/tty", "/dev/stdin"])
def test_devices_and_pipes_are_never_opened(device: str) -> None:
    """A device gives bytes for ever; a pipe may never give any."""
    found = subprocess.run(
        [sys.executable, "-m", "speedlog", "inspect", device],
        input=b"$GPRMC",
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert found.returncode == 2 and found.stdout == b""
    said = found.stderr.decode()
    assert said.count("\n") == 1 and (
        "not a plain file" in said or "no such file" in said or "can't be read" in said
    )


@POSIX_ONLY
@pytest.mark.parametrize("command", ["review", "inspect", "add"])
def test_a_run_that_is_stopped_leaves_nothing_behind(command: str, tmp_path: Path) -> None:
    logs = []
    for number in range(4):
        logs.append(tmp_path / f"{number}.nmea")
        logs[-1].write_bytes((SAMPLE / "p01_front.nmea").read_bytes() + b"#" * number)
    outs = {
        "review": ["--json", "out.json", "--out", "out.html"],
        "inspect": ["--json", "out.json"],
        "add": ["--json", "out.json", "--logbook", "book.sqlite"],
    }
    run = [sys.executable, "-c", _TELLING, command, *map(str, logs), *outs[command]]
    process = subprocess.Popen(run, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path)
    assert process.stdout is not None
    assert process.stdout.readline() == b"reading\n"
    process.send_signal(signal.SIGINT)
    out, said = process.communicate(timeout=60)
    assert (out, said.decode()) == (b"", "speedlog: stopped; nothing was left half-written\n")
    assert process.returncode == 130  # 128 and SIGINT, as a shell says it
    left = {path.name for path in tmp_path.iterdir()} - {path.name for path in logs}
    assert not {name for name in left if not name.startswith("book.sqlite")}
    if "book.sqlite" in left:  # an empty logbook, whole and usable
        again = subprocess.run(
            [sys.executable, "-m", "speedlog", "logbook", "verify", "--logbook", "book.sqlite"],
            cwd=tmp_path, capture_output=True, timeout=60, check=False,
        )  # fmt: skip
        assert again.returncode == 0, again.stderr
