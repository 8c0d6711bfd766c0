"""A small season: passes of the invented meeting, kept once a test run and copied for each test."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from speedlog.demo import sample_folder
from speedlog.logbook.add import add_session
from speedlog.logbook.store import Logbook
from speedlog.session import load_session

NAMES = (
    "course.toml",
    "p01_front.nmea",
    "p01_rear.csv",
    "p02_front.nmea",
    "p02_controller.csv",
    "p03_rear.csv",
)
SESSION = """
name = "Invented morning"
date = 2026-08-22
course = "course.toml"
car = "Long Shrike"

[weather]
wind = "3 m/s from 255"
qnh = "1016 hPa"
elevation = "31 m"

[[pass]]
number = 1
logs = ["p01_front.nmea", "p01_rear.csv"]
trap = "160.0 mph"
wind = "2.5 m/s from 250"
setup = { tyre = "medium, glued", wheel_diameter = "88 mm", gear_ratio = 1.0, current_limit = "95 A" }
note = "First of the day."
[pass.measured]
motor_temp_after = "38 °C"

[[pass]]
number = 2
logs = ["p02_front.nmea", "p02_controller.csv"]
trap = "170.2 mph"
setup = { current_limit = "125 A" }

[[pass]]
number = 3
logs = ["p03_rear.csv"]
"""


@pytest.fixture(scope="session")
def day_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """session.toml and the logs of three passes."""
    folder = tmp_path_factory.mktemp("day")
    for name in NAMES:
        shutil.copy(sample_folder() / name, folder / name)
    (folder / "session.toml").write_text(SESSION, encoding="utf-8", newline="\n")
    return folder


@pytest.fixture(scope="session")
def kept_file(day_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, kept; closed. Not to be written in."""
    path = tmp_path_factory.mktemp("kept") / "logbook.db"
    with Logbook.open(path, create=True) as book:
        add_session(book, load_session(day_folder / "session.toml"))
    return path


@pytest.fixture
def kept_copy(kept_file: Path, tmp_path: Path) -> Path:
    """A copy of that, for a test to write in."""
    return Path(shutil.copy(kept_file, tmp_path / "logbook.db"))


@pytest.fixture
def book(kept_copy: Path) -> Iterator[Logbook]:
    """That copy, open."""
    with Logbook.open(kept_copy) as found:
        yield found


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Logbook]:
    """A new logbook."""
    with Logbook.open(tmp_path / "new.db", create=True) as found:
        yield found
