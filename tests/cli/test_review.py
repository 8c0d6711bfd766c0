"""`speedlog review`: how trap figures are given, what is written, what is said."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from speedlog.cli.car_given import car_given
from speedlog.cli.review import trap_figures
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from tests.cli import inside

SAMPLES = sample_folder()


def run(*words: str) -> subprocess.CompletedProcess[str]:
    done = inside.run("review", *words)
    return subprocess.CompletedProcess(words, done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (None, None),
        (["187.5 mph"], "187.5 mph"),
        (["187.5 mph", "0.311 s"], ["187.5 mph", "0.311 s"]),
        (["2=187.5 mph"], {2: "187.5 mph"}),
        (['2="187.5 mph"', " 1 = 0.311 s"], {2: "187.5 mph", 1: "0.311 s"}),
    ],
)
def test_trap_figures_as_given(given, wanted) -> None:
    assert trap_figures(given) == wanted


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (["two=187.5 mph"], '--trap "two=187.5 mph": no pass number before "=". Write --trap 2="187.5 mph".'),
        (["0=187.5 mph"], '--trap "0=187.5 mph": no pass number before "=". Write --trap 2="187.5 mph".'),
        (["2=1 mph", "2=3 mph"], "--trap: pass 2 has two figures. Give one figure a pass."),
        (
            ["2=1 mph", "3 mph"],
            "--trap: some figures name their pass and some don't. Name the pass in all or none.",
        ),
    ],
)
def test_trap_figures_that_are_not_clear(given, message: str) -> None:
    with pytest.raises(SpeedlogError) as caught:
        trap_figures(given)
    assert str(caught.value) == message


def test_words_json_and_report_of_one_pass(tmp_path: Path) -> None:
    files = [str(SAMPLES / "p01_front.nmea"), str(SAMPLES / "p01_rear.csv")]
    done = run(*files, "--course", str(SAMPLES / "course.toml"), "--trap", "160.0 mph", "--json",
               str(tmp_path / "r.json"), "--out", str(tmp_path / "r.html"))  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Logs and trap agree: 160.0 mph from the trap" in done.stdout
    truth = json.loads((SAMPLES / "truth.json").read_text("utf-8"))["passes"][0]["trap_mps"]
    trap = json.loads((tmp_path / "r.json").read_text("utf-8"))["passes"][0]["trap"]
    assert trap["interval95_mps"][0] < truth < trap["interval95_mps"][1]
    assert "<html" in (tmp_path / "r.html").read_text("utf-8")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r.html", "r.json"]


def test_json_alone_on_standard_output() -> None:
    done = run(str(SAMPLES / "p04_rear.nmea"), "--course", str(SAMPLES / "course.toml"), "--json", "-")
    assert json.loads(done.stdout)["schema_version"] == 1 and not done.stderr


def test_the_unit_asked_for_is_used_throughout() -> None:
    done = run(str(SAMPLES / "p04_rear.nmea"), "--course", str(SAMPLES / "course.toml"), "--unit", "mph", "--trap",
               "0.3721 s")  # fmt: skip
    assert "mph" in done.stdout and "km/h" not in done.stdout


def test_the_car_of_a_set_up_s_file(tmp_path: Path) -> None:
    """Its limits are held against the pass: 20 °C is under any motor's heat, 2 V over any cell's sag."""
    setup = tmp_path / "car.toml"
    setup.write_text(
        'wheel_diameter = "88 mm"\ncells = "12S 5.0 Ah"\nmotor_limit = "20 °C"\n', encoding="utf-8"
    )
    files = [str(SAMPLES / "p08_front.nmea"), str(SAMPLES / "p08_controller.csv")]
    done = run(*files, "--course", str(SAMPLES / "course.toml"), "--trap", "170 mph", "--setup", str(setup),
               "--measured", "motor_temp_after=61 °C", "--json", str(tmp_path / "r.json"))  # fmt: skip
    assert done.returncode == 0, done.stderr
    car = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["passes"][0]["car"]
    assert car["pack"]["cells"] == 12 and any("20" in item["text"] for item in car["cautions"])
    for begin in ("  heat: ", "  pack: ", "  tyres: ", "  left in it: ", "  caution: "):
        assert f"\n{begin}" in done.stdout, done.stdout
    assert "the runway ends after 560 m" in done.stdout and "makers' limits come first" in done.stdout


def test_an_option_goes_before_the_file_and_mistakes_say_where(tmp_path: Path) -> None:
    setup = tmp_path / "car.toml"
    setup.write_text('wheel_diameter = "44 mm"\ngear_ratio = 2.0\nmass = "7 kg"\n', encoding="utf-8")
    of_file = car_given(setup, [], "4 m/s from 250", None, None, None)
    assert (of_file.wheel_diameter, of_file.gear_ratio, of_file.pole_pairs) == ("44 mm", 2.0, None)
    assert (of_file.facts.mass_kg, of_file.facts.wind_speed_mps) == (7.0, 4.0)
    given = car_given(setup, ["motor_temp_after=61 °C"], None, "88 mm", 1.5, 2)
    assert (given.wheel_diameter, given.gear_ratio, given.pole_pairs) == ("88 mm", 1.5, 2)
    assert given.facts.wheel_diameter_m == pytest.approx(0.088) and given.facts.motor_temp_after_c == 61.0
    files = [str(SAMPLES / "p08_front.nmea"), str(SAMPLES / "p08_controller.csv")]
    course = ["--course", str(SAMPLES / "course.toml")]
    setup.write_text('wheel_diamter = "44 mm"\n', encoding="utf-8")
    wrong = run(*files, *course, "--setup", str(setup))
    assert (
        wrong.returncode == 2
        and 'Did you mean "wheel_diameter"?' in wrong.stderr
        and "car.toml" in wrong.stderr
    )
    wrong = run(*files, *course, "--measured", "motor_temp_after=61")
    assert wrong.returncode == 2 and wrong.stderr.count("\n") == 1 and "motor_temp_after" in wrong.stderr
