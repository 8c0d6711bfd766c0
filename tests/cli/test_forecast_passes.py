"""The passes a car is fitted to, of a session.toml and of the logbook: the same pass, the same car."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from speedlog.cli.forecast import begin
from speedlog.cli.forecast_passes import Source, cars_of, read_passes
from speedlog.cli.main import app
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.carfile import CarFile
from speedlog.vehicle.observed import observe

SETTINGS = ForecastSettings()
QUICK = replace(SETTINGS, fit_step_s=0.2, settled=1e-2)
DAY = """
name = "Two passes"
date = 2026-08-22
course = "course.toml"
car = "Long Shrike"
[weather]
temperature = "19.6 °C"
humidity = "55 %"
pressure = "1012 hPa"
wind = "2 m/s from 250"
[[pass]]
number = 8
logs = ["p08_front.nmea", "p08_controller.csv"]
measured = { motor_temp_after = "70 °C" }
[pass.setup]
wheel_diameter = "88 mm"
gear_ratio = 1.0
cells = "12S 5.0 Ah"
current_limit = "235 A"
ramp = "1.3 s"
mass = "7.9 kg"
[[pass]]
number = 10
logs = ["p10_front.nmea", "p10_controller.csv"]
wind = "5 m/s from 70"
setup = { current_limit = "280 A" }
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day of two passes beside the logbook that keeps them as passes 1 and 2."""
    folder = tmp_path_factory.mktemp("passes")
    for name in (
        "course.toml",
        "p08_front.nmea",
        "p08_controller.csv",
        "p10_front.nmea",
        "p10_controller.csv",
    ):
        shutil.copy(sample_folder() / name, folder / name)
    (folder / "session.toml").write_text(DAY, encoding="utf-8")
    done = CliRunner().invoke(
        app, ["add", str(folder / "session.toml"), "--logbook", str(folder / "logbook.db")]
    )
    assert done.exception is None, (done.exception, done.output)
    return folder


@pytest.fixture(scope="module")
def both(place: Path) -> tuple[list[Source], list[Source]]:
    """The two passes of the day in plain text, and as the logbook keeps them."""
    of_file = read_passes(["session.toml/8", "session.toml/10"], None, place)
    return of_file, read_passes(["1", "2"], place / "logbook.db", None)


def test_the_logbook_gives_the_same_passes(both: tuple[list[Source], list[Source]]) -> None:
    for mine, kept in zip(*both, strict=True):
        assert mine.facts == kept.facts
        assert mine.course is not None and mine.course == kept.course
        assert mine.found.trace is not None and kept.found.trace is not None
        assert kept.found.trace.speed_mps == pytest.approx(mine.found.trace.speed_mps, abs=1e-9)


def test_what_the_fit_sees_of_them_is_the_same(both: tuple[list[Source], list[Source]]) -> None:
    for mine, kept in zip(*both, strict=True):
        one, other = (observe(item.found, item.facts, SETTINGS) for item in (mine, kept))
        assert one is not None and other is not None
        assert [item.kind for item in one.channels] == [item.kind for item in other.channels]
        for left, right in zip(one.channels, other.channels, strict=True):
            np.testing.assert_allclose(left.value, right.value, rtol=0, atol=1e-9)
        assert one.assumed == other.assumed == ("current_of_pack",)  # nobody said; it goes with power
        assert (one.head_mps, one.density_kgm3) == pytest.approx((other.head_mps, other.density_kgm3))


def test_set_up_and_wind_are_each_passes_own(both: tuple[list[Source], list[Source]]) -> None:
    for found in both:
        assert [item.facts.current_limit_a for item in found] == [235.0, 280.0]
        assert [item.facts.mass_kg for item in found] == [7.9, 7.9]
        assert [item.facts.wind_speed_mps for item in found] == [2.0, 5.0]
        assert [item.facts.motor_temp_after_c for item in found] == [pytest.approx(70.0), None]


def test_sources_may_be_mixed_and_keep_their_order(place: Path) -> None:
    names = ["2", "session.toml/8", "2"]
    found = read_passes(names, place / "logbook.db", place)
    assert [item.name for item in found] == ["2", "session.toml/8"]
    assert [item.facts.current_limit_a for item in found] == [280.0, 235.0]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("7", "no pass 7"),
        ("fast one", "fast one"),
        ("session.toml", 'which pass of it is not said. Write "session.toml/2"'),
        ("session.toml/9", "no pass 9 in it. Its passes: 8, 10"),
        ("other.toml/1", "other.toml"),
    ],
)
def test_a_pass_that_is_not_there_is_one_line(place: Path, name: str, words: str) -> None:
    with pytest.raises(SpeedlogError) as caught:
        read_passes([name], place / "logbook.db", place)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_passes_of_two_cars_are_noticed(both: tuple[list[Source], list[Source]]) -> None:
    of_file, kept = both
    assert cars_of(of_file) == cars_of(kept) == ["Long Shrike"]
    other = [
        replace(of_file[0], car="long shrike "),
        replace(of_file[1], car="Grebe"),
        replace(of_file[1], car=""),
    ]
    assert cars_of(other) == ["Grebe", "long shrike"]
    empty = CarFile()
    assert "one_car" not in begin(empty, of_file, QUICK)[0].assumed
    assert begin(empty, other[:2], QUICK)[0].assumed[0] == "one_car"


def test_a_logbook_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match=r"none\.db"):
        read_passes(["1"], tmp_path / "none.db", None)


def test_a_forecast_from_the_logbook(place: Path) -> None:
    """By the command: fitted to a pass of the logbook, with the runway's end of its course."""
    car = place / "car.toml"
    car.write_text("", encoding="utf-8")
    line = ["forecast", str(car), "--from", "2", "--logbook", str(place / "logbook.db"), "--unit", "mph"]
    done = CliRunner().invoke(app, line)
    assert done.exception is None, done.exception
    assert "Fitted to 2;" in done.output and "Trap speed" in done.output
    assert "runway's end is" in done.output or "runway end not given" in done.output
    assert "wind" not in done.output.partition("Taken:")[2]
