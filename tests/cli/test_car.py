"""`speedlog car init`: the questions, wrong answers, what nobody said; and a car fitted to passes of the logbook."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from speedlog.cli import car as module
from speedlog.cli.main import app
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from speedlog.vehicle.carfile import KEYS, load_car

RUN = CliRunner()
Answers = Callable[..., list[str]]


@pytest.fixture
def answering(monkeypatch: pytest.MonkeyPatch) -> Answers:
    """Someone at a terminal, who types these lines; what was asked."""

    def begin(*lines: str) -> list[str]:
        asked: list[str] = []
        said: Iterator[str] = iter(lines)

        def answer(question: str) -> str:
            asked.append(question)
            try:
                return next(said)
            except StopIteration:
                raise EOFError from None

        monkeypatch.setattr("builtins.input", answer)
        monkeypatch.setattr(module.sys.stdin, "isatty", lambda: True, raising=False)  # type: ignore[attr-defined]
        return asked

    return begin


def init(path: Path, *more: str) -> str:
    """Called as the command calls it, with the standard input as it is."""
    asks = "--no-ask" not in more
    module.init(path, None, "", [word for word in more if "=" in word] or None, asks, None)
    return path.read_text(encoding="utf-8")


def test_every_question_has_an_example_that_is_an_answer(tmp_path: Path, answering: Answers) -> None:
    asked = answering(*[""] * 20)
    init(tmp_path / "one.toml")
    assert len(asked) == len(module._ASKED) and all("; Enter: not known): " in text for text in asked)
    # "(usual 60 to 120 mm; Enter: ...": the upper end, in the unit to write it in
    examples = [text.rpartition(" to ")[2].partition(";")[0] for text in asked]
    again = answering(*examples)
    found = load_car(tmp_path / "two.toml") if init(tmp_path / "two.toml") else None
    assert found is not None and len(found.numbers) == len(again) == len(asked)


def test_an_empty_answer_leaves_a_key_open(
    tmp_path: Path, answering: Answers, capsys: pytest.CaptureFixture[str]
) -> None:
    answering(*[""] * 20)
    text = init(tmp_path / "car.toml")
    assert load_car(tmp_path / "car.toml").numbers == {}
    assert '# mass = "8 kg"  # ready to run' in text  # the usual value stands there to be seen
    said = capsys.readouterr().out
    assert "0 numbers stated; all else begins at a usual value" in said
    assert "Not stated, and worth stating: mass, wheel diameter," in said


def test_a_wrong_answer_is_asked_again_and_says_why(
    tmp_path: Path, answering: Answers, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answering(
        "heavy", "8", "8 mm", "800 kg", "17.4 lb", "", "one", "1,25", "", "12.5", "12", "", "", "", "", ""
    )
    init(tmp_path / "car.toml")
    said = capsys.readouterr().out
    for words in ("no unit", "not a unit of mass", "can't be; it lies between 0.2 and 100 kg", "one is not a number",
                  "12.5 is not a whole number"):  # fmt: skip
        assert words in said, words
    assert sum("Mass, ready to run" in text for text in asked) == 5
    found = load_car(tmp_path / "car.toml")
    assert found.car.mass_kg == pytest.approx(17.4 * 0.45359237, abs=5e-5)  # the pound, exact: NIST SP 811
    assert found.numbers["gear_ratio"] == 1.25 and found.cells == 12 and len(found.numbers) == 3


def test_what_is_known_is_not_asked(tmp_path: Path, answering: Answers) -> None:
    asked = answering(*[""] * 20)
    init(tmp_path / "car.toml", "mass=7.9 kg", "ramp=1.5 s")
    assert len(asked) == len(module._ASKED) - 2 and not any(
        "Mass" in text or "Ramp" in text for text in asked
    )


def test_of_a_pass_neither_set_up_nor_place_is_asked(tmp_path: Path, answering: Answers) -> None:
    asked = answering(*[""] * 20)
    module.init(
        tmp_path / "car.toml",
        [f"{(sample_folder() / 'session.toml').as_posix()}/9"],
        "Nine",
        None,
        True,
        None,
    )
    found = load_car(tmp_path / "car.toml")
    # as sample_data/session.toml says of pass 9; its course lies from 520 to 550 m
    assert found.name == "Nine" and found.car.mass_kg == 7.9 and found.number("trap_length") == 30.0
    place = ("run_up", "trap_length", "runway_after_trap")
    left = [text for key, text in module._ASKED.items() if key not in (*found.numbers, *place)]
    assert [text.partition(" (usual ")[0] for text in asked] == left


def test_no_more_answers_keep_what_was_said(tmp_path: Path, answering: Answers) -> None:
    answering("7.9 kg")
    init(tmp_path / "car.toml")
    assert load_car(tmp_path / "car.toml").numbers == {"mass": pytest.approx(7.9)}


def test_nothing_is_asked_where_nobody_sits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("builtins.input", lambda question: pytest.fail("asked"))
    done = RUN.invoke(app, ["car", "init", str(tmp_path / "car.toml"), "--set", "mass=7.9 kg"])
    assert done.exit_code == 0 and "1 number stated" in done.output


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mass=7.9", "no unit"), ("mass=7.9 A", "not a unit of mass"), ("mass=0 kg", "can't be"),
        ("cells=12.5", "not a whole number"), ("cells=twelve", "not a number"), ("colour=red", "not a key of a car"),
        ("mass", "not a key of a car"), ("motor_limit=100 kg", "not a unit of temperature"),
        ("lowest_cell=33 V", "can't be"), ("efficiency=95", "can't be"), ("ramp=-1 s", "can't be"),
        ("wheel_diameter=88", "no unit"), ("tyre_limit=20000", "no unit"), ("run_up=inf m", ""),
    ],
)  # fmt: skip
def test_a_wrong_value_writes_nothing(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "car.toml"
    done = RUN.invoke(app, ["car", "init", str(path), "--set", text, "--no-ask"])
    assert isinstance(done.exception, SpeedlogError) and words in str(done.exception)
    assert "\n" not in str(done.exception) and not path.exists()


@pytest.mark.parametrize("key", [key.key for key in KEYS])
def test_a_value_beyond_the_possible_is_refused_on_both_sides(key: str) -> None:
    part = next(item for item in KEYS if item.key == key)
    symbol = {"g": "gn"}.get(part.unit, part.unit) if part.quoted else ""
    inside = (
        part.possible[0] if part.whole else part.possible[0] + 1e-3 * (part.possible[1] - part.possible[0])
    )
    assert module.read_answers([f"{key}={inside!r} {symbol}".strip()])
    for value in (part.possible[0] - abs(part.possible[0]) - 1, 2 * part.possible[1] + 1):
        with pytest.raises(SpeedlogError, match=f"{key}: "):
            module.read_answers([f"{key}={value:.0f} {symbol}".strip()])


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook that keeps pass 9 of the sample meeting, with its set-up."""
    folder = tmp_path_factory.mktemp("car")
    for name in ("course.toml", "p09_front.nmea", "p09_controller.csv"):
        shutil.copy(sample_folder() / name, folder / name)
    (folder / "session.toml").write_text(
        'name = "a day"\ndate = 2026-08-22\ncourse = "course.toml"\ncar = "a car"\n[weather]\nwind = "7 m/s from 270"\n'
        'temperature = "21 °C"\nqnh = "1016 hPa"\nelevation = "31 m"\n[[pass]]\nnumber = 1\n'
        'logs = ["p09_front.nmea", "p09_controller.csv"]\ntrap = "196.9 mph"\n'
        'setup = { wheel_diameter = "88 mm", gear_ratio = 1.0, cells = "12S 5.0 Ah", current_limit = "250 A", '
        'ramp = "1.5 s", mass = "7.9 kg" }\n[pass.measured]\ncharge_put_back = "390 mAh"\n',
        encoding="utf-8",
    )
    done = RUN.invoke(app, ["add", str(folder / "session.toml"), "--logbook", str(folder / "logbook.db")])
    assert done.exit_code == 0, (done.output, done.exception)
    return folder


def test_a_pass_of_the_logbook_forecasts_as_that_of_its_files(book: Path, tmp_path: Path) -> None:
    """The logbook keeps the logs' bytes and what was said: the same car comes of both."""
    told = {}
    for kind, name in (
        ("file", f"{(book / 'session.toml').as_posix()}/1"),
        ("book", "1"),
        ("date", "2026-08-22/1"),
    ):
        car, out = tmp_path / f"{kind}.toml", tmp_path / f"{kind}.json"
        kept = ["--logbook", str(book / "logbook.db")]
        done = RUN.invoke(app, ["car", "init", str(car), "--from", name, "--no-ask", *kept])
        assert done.exit_code == 0, done.exception
        assert load_car(car).passes == (name,) and 'mass = "7.9 kg"' in car.read_text(encoding="utf-8")
        if kind == "date":
            continue  # by another name: the car's file is enough
        done = RUN.invoke(app, ["forecast", str(car), *kept, "--set", "run_up=560 m", "--json", str(out)])
        assert done.exit_code == 0, done.exception
        told[kind] = json.loads(out.read_text("utf-8"))
    assert told["book"]["fitted_to"] == ["1"] and told["file"]["fitted_to"][0].endswith("session.toml/1")
    file, kept_ = (told[kind]["forecast"] for kind in ("file", "book"))
    assert kept_["trap_mps"]["value"] == pytest.approx(file["trap_mps"]["value"], rel=1e-9)
    assert kept_["stopping"] == file["stopping"] and kept_["stopping"]["room_m"] == 900.0


def test_passes_that_are_not_there(book: Path, tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text("", encoding="utf-8")
    for name, words in (
        ("99", "99"),
        ("nonsense", "names no pass"),
        ("2026-01-01/1", "no pass 2026-01-01/1"),
    ):
        done = RUN.invoke(app, ["forecast", str(car), "--from", name, "--logbook", str(book / "logbook.db")])
        assert isinstance(done.exception, SpeedlogError) and words in str(done.exception)
    done = RUN.invoke(app, ["forecast", str(car), "--from", "1", "--logbook", str(tmp_path / "none.db")])
    assert isinstance(done.exception, SpeedlogError) and "\n" not in str(done.exception)
