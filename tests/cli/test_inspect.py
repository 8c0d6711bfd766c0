"""`speedlog inspect --target`: what it says, what it writes, and one line for every mistake."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from speedlog.demo import sample_folder
from tests.cli.test_main import mistake, run

SAMPLES = sample_folder()
FAST, SLOW = str(SAMPLES / "p01_front.nmea"), str(SAMPLES / "p04_rear.nmea")


def test_a_line_for_each_thing_and_a_last_word(tmp_path: Path) -> None:
    done = run(
        "inspect",
        FAST,
        SLOW,
        "--target",
        "205 mph",
        "--trap-length",
        "100 ft",
        "--json",
        str(tmp_path / "i.json"),
    )
    assert done.returncode == 0, done.stderr
    said = done.stdout.decode("utf-8")
    for topic in ("rate", "peak", "ceiling", "lag", "text", "faults"):
        assert said.count(f"\n  {topic}: ") == 2
    assert "Suffices for 205.0 mph over 30 m, as far as this log shows" in said  # the 25 Hz logger
    assert "Does not suffice for 205.0 mph over 30 m: at 1 Hz an epoch in the trap is luck" in said
    fast, slow = json.loads((tmp_path / "i.json").read_text("utf-8"))["recordings"]
    assert (fast["suits"]["suffices"], slow["suits"]["suffices"]) == (True, False)
    # by hand: 205 mph is 91.6432 m/s, 100 ft 30.48 m: 25 / (91.6432 / 30.48) epochs
    assert fast["suits"]["epochs_in_trap"] == pytest.approx(8.3149, abs=1e-3)
    assert fast["suits"]["trap_length_m"] == pytest.approx(30.48) and not fast["suits"]["trap_length_assumed"]


def test_a_length_that_was_not_given_is_told_and_without_target_nothing_is_added() -> None:
    assert "(No trap length was given: 30 m taken.)" in run(
        "inspect", FAST, "--target", "205 mph"
    ).stdout.decode("utf-8")
    plainly = json.loads(run("inspect", FAST, "--json", "-").stdout)
    assert "suits" not in plainly["recordings"][0]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--target", "205"], '--target: "205" has no unit'),
        (["--target", "fast"], '--target: "fast" is not a number with a unit'),
        (["--target", "30 m"], '--target: "m" is not a unit of speed'),
        (["--target", "4.9 m/s"], '--target: "4.9 m/s" is no speed to go through a trap at'),
        (["--target", "401 m/s"], '--target: "401 m/s" is no speed to go through a trap at'),
        (["--target", "205 mph", "--trap-length", "0.9 m"], '--trap-length: "0.9 m" is no length of a trap'),
        (
            ["--target", "205 mph", "--trap-length", "2001 m"],
            '--trap-length: "2001 m" is no length of a trap',
        ),
        (["--trap-length", "30 m"], "--trap-length goes with --target"),
    ],
)
def test_a_mistake_is_one_line(words: list[str], message: str) -> None:
    assert message in mistake("inspect", FAST, *words)


@pytest.mark.parametrize("words", [["--target", "5 m/s"], ["--target", "400 m/s", "--trap-length", "2000 m"]])
def test_the_other_side_of_the_limits(words: list[str]) -> None:
    assert run("inspect", FAST, *words).returncode == 0


def test_a_controllers_log_has_no_speed_to_judge(tmp_path: Path) -> None:
    text = mistake(
        "inspect",
        str(SAMPLES / "p02_controller.csv"),
        "--target",
        "205 mph",
        "--json",
        str(tmp_path / "i.json"),
    )
    assert "p02_controller.csv: holds no GNSS speed" in text
    assert not list(tmp_path.iterdir())  # nothing half-written
