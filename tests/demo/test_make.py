"""The sample folder: made again it is the same, it is small, and it holds what the README says."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from speedlog.demo import sample_folder
from speedlog.demo.day import DAY, _transposed
from speedlog.demo.make import make

NUMBER = re.compile(rb"-?\d+\.\d+|-?\d+")


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    make(folder)
    return folder


def test_the_shipped_files_are_what_make_makes(again: Path) -> None:
    """The same bytes where it was made; elsewhere a last digit may turn, and with it a checksum."""
    shipped = {path.name: path.read_bytes() for path in sample_folder().iterdir()}
    made = {path.name: path.read_bytes() for path in again.iterdir()}
    assert shipped.keys() == made.keys()
    for name, content in shipped.items():
        if content == made[name]:
            continue
        strip = re.compile(rb"\*[0-9A-F]{2}")
        ours, theirs = (NUMBER.findall(strip.sub(b"", text)) for text in (content, made[name]))
        assert len(ours) == len(theirs), name
        turned = sum(a != b for a, b in zip(ours, theirs, strict=True))
        assert turned <= 0.002 * len(ours), name


def test_it_is_small() -> None:
    assert sum(path.stat().st_size for path in sample_folder().iterdir()) < 1_500_000


def test_ten_passes_both_ways_and_rising() -> None:
    truth = json.loads((sample_folder() / "truth.json").read_text(encoding="utf-8"))["passes"]
    assert [item["number"] for item in truth] == list(range(1, 11))
    assert {item["outbound"] for item in truth} == {True, False}
    peaks = [item["peak_mps"] for item in truth]
    assert all(60 <= peak <= 95 for peak in peaks)
    assert max(peaks[5:]) > max(peaks[:5])


def test_the_day_holds_every_trouble() -> None:
    truth = json.loads((sample_folder() / "truth.json").read_text(encoding="utf-8"))["passes"]
    kinds = {fault["kind"] for item in truth for fault in item["faults"]}
    assert {"gap", "ceiling", "outlier", "no_fix", "frozen", "poor_fix"} <= kinds
    lifted = [item for item in truth if item["lift_utc"] < item["entry_utc"]]
    assert [item["number"] for item in lifted] == [8]


def test_one_figure_is_mis_keyed_and_no_other() -> None:
    # 1 mph = 0.44704 m/s (NIST SP 811). Timer 0.1 ms, tape 15 mm of 30 m, text 0.1 mph or 0.1 ms:
    # together under 0.25 % (five sd)
    truth = json.loads((sample_folder() / "truth.json").read_text(encoding="utf-8"))["passes"]
    for item in truth:
        number, unit = item["trap_as_written"].split()
        speed = 30.0 / float(number) if unit == "s" else float(number) * 0.44704
        off = abs(speed / item["trap_mps"] - 1)
        assert (0.03 < off < 0.15) if item["number"] == 5 else off < 0.0025, item


def test_transposed() -> None:
    assert _transposed("178.3 mph") == "187.3 mph"


def test_every_log_belongs_to_a_pass() -> None:
    session = tomllib.loads((sample_folder() / "session.toml").read_text(encoding="utf-8"))
    named = {log for item in session["pass"] for log in item["logs"]}
    there = {path.name for path in sample_folder().iterdir() if path.suffix in (".nmea", ".csv", ".gpx")}
    assert named == there
    assert len(session["pass"]) == len(DAY)


def test_the_session_loads() -> None:
    from speedlog.session import load_session

    session = load_session(sample_folder() / "session.toml")
    assert [len(item.logs) for item in session.passes] == [len(d.logs) + d.controller for d in DAY]
    assert session.course is not None and session.course.time_zone == "Europe/London"
    assert all(item.note and item.measured for item in session.passes)
    assert sum(bool(item.changes) for item in session.passes) >= 6
