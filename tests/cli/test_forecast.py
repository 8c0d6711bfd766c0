"""speedlog forecast and speedlog car init, on the sample meeting; the page as a browser would parse it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from speedlog.cli.car import car_app
from speedlog.cli.forecast import forecast, read_changes, read_sweep
from speedlog.cli.variadic import Variadic, spread
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError

app = typer.Typer()
app.command("forecast", cls=Variadic)(forecast)
app.add_typer(car_app, name="car")
SESSION = (sample_folder() / "session.toml").as_posix()


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict, str, Path]:  # type: ignore[type-arg]
    folder = tmp_path_factory.mktemp("forecast")
    car, page, kept = folder / "car.toml", folder / "out.html", folder / "out.json"
    runner = CliRunner()
    begun = runner.invoke(
        app, ["car", "init", str(car), "--from", f"{SESSION}/9", "--set", "lowest_cell=3.3 V", "--no-ask"]
    )
    assert begun.exit_code == 0, begun.output
    line = ["forecast", str(car), "--from", f"{SESSION}/9", "--set", "current_limit=320 A", "run_up=600 m"]
    line += [
        "--target",
        "205 mph",
        "--sweep",
        "current_limit=260..360",
        "--json",
        str(kept),
        "--out",
        str(page),
    ]
    done = runner.invoke(app, line)
    assert done.exit_code == 0, (done.output, done.exception)
    return done.output, json.loads(kept.read_text(encoding="utf-8")), page.read_text(encoding="utf-8"), car


def test_what_was_not_checked_comes_first(ran: tuple[str, dict, str, Path]) -> None:  # type: ignore[type-arg]
    said = ran[0].replace("\u00a0", " ")
    assert said.startswith("Not checked, as the maker's limit was not entered: motor temperature")
    assert "cell voltage" not in said.splitlines()[0]
    assert "Trap speed" in said and "mph" in said and "Stopping distance" in said
    assert "To reach 205.0 mph" in said and "Current limit: from 320 A" in said
    assert said.count("These cars can kill") == 1


@pytest.mark.parametrize("word", ["safe", "recommend"])
def test_words_that_are_never_said(ran: tuple[str, dict, str, Path], word: str) -> None:  # type: ignore[type-arg]
    said, told, page, car = ran
    assert word not in said.lower() and word not in json.dumps(told).lower()
    assert word not in car.read_text(encoding="utf-8").lower()
    body = page[page.index("<main>") : page.index("</main>")].lower()
    assert word not in body


def test_the_json(ran: tuple[str, dict, str, Path]) -> None:  # type: ignore[type-arg]
    told = ran[1]
    trap = told["forecast"]["trap_mps"]
    assert trap["interval95"][0] < trap["value"] < trap["interval95"][1]
    assert told["plan"]["run_up_m"] == 600.0 and told["plan"]["set"]["pack_limit_a"] == 320.0
    assert len(told["sweep"]["points"]) == 50
    assert told["forecast"]["stopping"]["room_m"] == 900.0  # outbound: end_m 1450 less exit_m 550
    assert "motor_limit" in told["not_checked"] and "lowest_cell" not in told["not_checked"]
    assert told["fitted_to"] == [f"{SESSION}/9"]
    drag = told["numbers"]["drag_area_m2"]
    assert (
        drag["interval95"][0] < 0.0150 < drag["interval95"][1]
    )  # the demo's own car (speedlog/demo/meeting.py)


def test_the_page_holds_nothing_from_outside(ran: tuple[str, dict, str, Path]) -> None:  # type: ignore[type-arg]
    page = ran[2]
    assert page.startswith("<!doctype html>") and page.rstrip().endswith("</html>")
    assert (
        "http://" not in page.replace("http://www.w3.org", "")
        and "<script src" not in page
        and "<link" not in page
    )
    assert 'class="curve c0"' in page and 'class="curve c1"' in page and "What limits the car" in page


def test_car_init_takes_the_passes_setup(ran: tuple[str, dict, str, Path]) -> None:  # type: ignore[type-arg]
    text = ran[3].read_text(encoding="utf-8")
    assert (
        'mass = "7.9 kg"' in text and 'wheel_diameter = "88 mm"' in text and 'lowest_cell = "3.3 V"' in text
    )
    again = CliRunner().invoke(app, ["car", "init", str(ran[3]), "--no-ask"])
    assert again.exit_code != 0 and "already" in str(again.exception)


def test_options_with_several_words() -> None:
    assert spread(["c.toml", "--from", "1", "2", "--set", "a=1", "b=2", "--unit", "mph"]) == [
        "c.toml", "--from", "1", "--from", "2", "--set", "a=1", "--set", "b=2", "--unit", "mph",
    ]  # fmt: skip


def test_changes() -> None:
    found = read_changes(
        ['current_limit="320 A"', "wheel_diameter=88 mm", "cells=12", "wind=3 m/s head", "gear_ratio=1,2"]
    )
    assert found["current_limit"] == 320.0 and found["wheel_diameter"] == pytest.approx(0.088)
    assert found["cells"] == 12.0 and found["wind"].side == "head" and found["gear_ratio"] == 1.2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("curent_limit=3 A", "not a change"), ("current_limit=320", "no unit"), ("current_limit=320 mm", "not a unit"),
        ("cells=12.5", "not a whole number"), ("gear_ratio=x", "not a number"), ("mass=900 kg", "can't be"),
        ("mass", "not a change"), ("wind=3", "wind"),
    ],
)  # fmt: skip
def test_a_wrong_change_is_one_line(text: str, words: str) -> None:
    with pytest.raises(SpeedlogError, match=words):
        read_changes([text])


def test_sweeps() -> None:
    assert read_sweep("current_limit=260..360") == ("current_limit", 260.0, 360.0)
    assert read_sweep("run_up=1000 ft..2000 ft") == pytest.approx(("run_up", 304.8, 609.6))
    assert read_sweep("wheel_diameter=80..92 mm") == pytest.approx(("wheel_diameter", 0.080, 0.092))
    assert read_sweep("gear_ratio=0.8..1.2") == ("gear_ratio", 0.8, 1.2)
    for text in ("current_limit=260", "colour=1..2", "current_limit=360..260"):
        with pytest.raises(SpeedlogError):
            read_sweep(text)


@pytest.mark.parametrize("text", ["0 mph", "-5 mph"])
def test_a_target_that_no_car_can_have(tmp_path: Path, text: str) -> None:
    car = tmp_path / "car.toml"
    car.write_text('run_up = "450 m"\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["forecast", str(car), "--target", text])
    assert "can't be" in str(done.exception) and done.exit_code != 0


def test_a_target_that_the_plan_is_past_and_one_below_all(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text('run_up = "450 m"\n', encoding="utf-8")
    for text, words in (
        ("60 m/s", "To reach 60.00 m/s, which the plan is past already"),
        ("9 m/s", ". The least, at "),
    ):
        done = CliRunner().invoke(app, ["forecast", str(car), "--target", text])
        assert words in done.output, done.output
    done = CliRunner().invoke(app, ["forecast", str(car), "--target", "400 m/s"])
    assert ". The most, at " in done.output and "already" not in done.output


def test_no_passes_and_no_run_up(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text('mass = "8 kg"\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["forecast", str(car)])
    assert "run_up" in str(done.exception)
    car.write_text('mass = "8 kg"\nrun_up = "450 m"\ncells = 12\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["forecast", str(car)])
    assert (
        done.exit_code == 0 and "Fitted to no pass" in done.output and "runway end not given" in done.output
    )
    # what nobody said is told, until somebody does
    taken = ["no trap length was given: 30 m", "no wind was given", "no weather was given"]
    assert all(text in done.output for text in taken)
    car.write_text('run_up = "450 m"\ntrap_length = "20 m"\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["forecast", str(car), "--set", "wind=3 m/s head"])
    assert [text in done.output for text in taken] == [False, False, True]


def test_a_session_without_a_pass_number(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text("", encoding="utf-8")
    for name, words in ((SESSION, "which pass"), (f"{SESSION}/99", "no pass 99")):
        done = CliRunner().invoke(app, ["forecast", str(car), "--from", name])
        assert words in str(done.exception)
