"""`speedlog course locate` on the invented meeting, whose trap stands 520 m along the line."""

from __future__ import annotations

import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import typer

import speedlog as sl
from speedlog.cli import main as program
from speedlog.cli.course import course_app
from speedlog.course.coursefile import Course
from speedlog.demo import sample_folder
from speedlog.reconcile.independent import NOT_INDEPENDENT
from tests.test_pipeline import COURSE, drive, gnss_csv, trap_speed

SAMPLES = sample_folder()
TRUTH = json.loads((SAMPLES / "truth.json").read_text("utf-8"))
ENTRY_M = Course.load(SAMPLES / "course.toml").entry_m
DAY = tomllib.loads((SAMPLES / "session.toml").read_text("utf-8"))["pass"]
WRONG = next(item["number"] for item in TRUTH["passes"] if "two digits exchanged" in item["wrong_on_purpose"])
# four passes with a sound GNSS log: out, out, back (lifts before the trap), out
CHOSEN = (1, 6, 8, 9)


@pytest.fixture(autouse=True)
def registered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program with `course` as the group that it is, whatever else is registered."""
    app = typer.Typer(rich_markup_mode=None)
    app.add_typer(course_app, name="course")
    monkeypatch.setattr(program, "app", app)


def run(monkeypatch, capsys, *arguments) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["speedlog", "course", "locate", *map(str, arguments)])
    with pytest.raises(SystemExit) as stopped:
        program.main()
    told = capsys.readouterr()
    return int(stopped.value.code or 0), told.out, told.err


def base_toml(folder: Path) -> Path:
    """The course with its trap put elsewhere, so that nothing of its place can be known."""
    made = replace(Course.load(SAMPLES / "course.toml"), entry_m=0.0, exit_m=30.0)
    path = folder / "line.toml"
    path.write_text(made.to_toml(), "utf-8")
    return path


def session_toml(folder: Path, numbers) -> Path:
    rows = [f'name = "some of it"\ncourse = {json.dumps(str(base_toml(folder)))}']
    for item in DAY:
        if item["number"] in numbers:
            logs = [str(SAMPLES / name) for name in item["logs"] if "controller" not in name]
            rows.append(
                f'[[pass]]\nnumber = {item["number"]}\nlogs = {json.dumps(logs)}\ntrap = "{item["trap"]}"'
            )
    path = folder / "session.toml"
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


@pytest.fixture(scope="module")
def located(tmp_path_factory) -> tuple[Path, str, dict]:
    """The course found from four passes, what was printed, and the JSON."""
    folder = tmp_path_factory.mktemp("located")
    with pytest.MonkeyPatch.context() as patch:
        app = typer.Typer(rich_markup_mode=None)
        app.add_typer(course_app, name="course")
        patch.setattr(program, "app", app)
        words = [session_toml(folder, CHOSEN), "--out", folder / "new.toml", "--json", folder / "new.json"]
        patch.setattr(sys, "argv", ["speedlog", "course", "locate", *map(str, words)])
        printed: list[str] = []
        patch.setattr("builtins.print", lambda *parts, **_: printed.append(" ".join(map(str, parts))))
        with pytest.raises(SystemExit) as stopped:
            program.main()
    assert not stopped.value.code, printed
    return folder / "new.toml", "\n".join(printed), json.loads((folder / "new.json").read_text("utf-8"))


def test_the_true_place_lies_in_the_interval(located) -> None:
    path, printed, result = located
    made = Course.load(path)
    low, high = result["interval95_m"]
    assert low < ENTRY_M < high and high - low < 10.0
    assert made.entry_m == pytest.approx(result["entry_m"], abs=0.006)
    assert made.length_m == pytest.approx(30.0) and made.place_u_m == pytest.approx(
        result["place_u_m"], abs=0.006
    )
    assert "place_u_m" not in made.defaulted
    assert made.line == Course.load(SAMPLES / "course.toml").line and made.name == "Oldfen runway"
    assert f"by 4 passes ({', '.join(map(str, CHOSEN))})" in printed
    assert "no independent check" in printed and "only a tape can tell it" in printed
    assert [item["number"] for item in result["passes"]] == list(CHOSEN) and result["warnings"] == []


def test_the_course_names_each_log_of_each_pass(located) -> None:
    import hashlib

    made = Course.load(located[0])
    logs = [
        name for item in DAY if item["number"] in CHOSEN for name in item["logs"] if "controller" not in name
    ]
    wanted = {hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest() for name in logs}
    assert {text.split()[0] for text in made.located_from} == wanted
    # the car entered the trap when the simulator says, to 0.1 s
    entered = {item["entry_utc"][:21] for item in TRUTH["passes"] if item["number"] in CHOSEN}
    told = np.array(sorted(text.split()[1][:-1] for text in made.located_from), dtype="datetime64[ms]")
    true = np.array(sorted(entered), dtype="datetime64[ms]")
    apart = np.abs(told[:, None] - true[None, :]).min(axis=1)
    assert (apart < np.timedelta64(200, "ms")).all()


def reviewed(course: Path | Course, number: int, names=None):
    item = next(item for item in DAY if item["number"] == number)
    logs = [SAMPLES / name for name in names or item["logs"] if "controller" not in name]
    there = course if isinstance(course, Course) else Course.load(course)
    return sl.review(logs, course=there, trap=item["trap"])


def test_a_pass_that_helped_is_no_independent_agreement(located) -> None:
    found = reviewed(located[0], 1)
    (item,) = found.passes
    assert item.verdict is not None and item.verdict.code == "agree"
    assert item.verdict.independent is False and item.verdict.text.endswith(NOT_INDEPENDENT)
    assert item.trap is not None and item.trap.official is not None
    assert any(
        "place was found from logs and trap figures" in text for text in item.trap.official.assumptions
    )
    result = json.loads(json.dumps(found.as_json()))
    schema = json.loads((Path(sl.__file__).parent / "review.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(result)
    assert result["passes"][0]["verdict"]["independent"] is False
    assert result["course"]["located_from"] and result["course"]["place_u_m"] > 0


def test_it_is_known_again_by_one_of_its_logs_and_after_a_change_of_the_file(located, tmp_path: Path) -> None:
    alone = reviewed(located[0], 1, ["p01_rear.csv"]).passes[0].verdict
    assert alone is not None and alone.independent is False
    changed = tmp_path / "again.csv"
    changed.write_bytes((SAMPLES / "p01_rear.csv").read_bytes() + b"\n")
    verdict = sl.review(changed, course=Course.load(located[0]), trap="160.0 mph").passes[0].verdict
    assert verdict is not None and verdict.independent is False


def test_a_pass_that_did_not_help_is_a_check(located) -> None:
    verdict = reviewed(located[0], 10).passes[0].verdict
    assert verdict is not None and verdict.independent and NOT_INDEPENDENT not in verdict.text
    untouched = reviewed(SAMPLES / "course.toml", 1)
    assert untouched.passes[0].verdict is not None and untouched.passes[0].verdict.independent
    assert untouched.as_json()["course"]["located_from"] == []


def test_the_place_error_widens_the_interval_and_lowers_en(located) -> None:
    """By hand: v = L / dt, and a shift ds of both beams changes dt by ds (1/v_out - 1/v_in) (GUM, 5.1.2).

    The half-widths add in squares: 1.96 v² / L times that, times the interval's own widening, 1 to 1.3.
    """
    made = Course.load(located[0])
    sure, unsure = (reviewed(replace(made, place_u_m=u), 1).passes[0] for u in (0.0, 6.0))
    assert sure.trap and unsure.trap and sure.trace is not None
    half = [np.diff(item.trap.interval95_mps)[0] / 2 for item in (sure, unsure)]
    order = np.argsort(sure.trace.along_m)
    at = np.interp([made.entry_m, made.exit_m], sure.trace.along_m[order], sure.trace.speed_mps[order])
    mean = sure.trap.estimate_mps
    by_hand = 1.96 * mean**2 / made.length_m * 6.0 * abs(1 / at[1] - 1 / at[0])
    added = np.sqrt(half[1] ** 2 - half[0] ** 2)
    assert 0.9 * by_hand < added < 1.3 * by_hand
    errors = [abs(item.verdict.normalised_error) for item in (sure, unsure)]
    assert errors[1] < errors[0]


def test_the_mis_keyed_figure_is_named_and_nothing_is_written(monkeypatch, capsys, tmp_path: Path) -> None:
    out = tmp_path / "new.toml"
    session = session_toml(tmp_path, (*CHOSEN, WRONG))
    code, told, wrong = run(monkeypatch, capsys, session, "--out", out)
    assert (code, told) == (2, "") and not out.exists() and wrong.count("\n") == 1
    assert wrong.startswith(f"speedlog: not located: pass {WRONG} contradicts the others")
    code, told, wrong = run(monkeypatch, capsys, session, "--out", out, "--without", WRONG)
    assert (code, wrong) == (0, "") and f"not used: pass {WRONG}: left out as asked" in told
    assert abs(Course.load(out).entry_m - ENTRY_M) < 4 * Course.load(out).place_u_m


def test_logs_with_figures_and_a_length(monkeypatch, capsys, tmp_path: Path) -> None:
    """The same by bare logs, in feet; two passes are enough to write, with a warning."""
    logs = [SAMPLES / "p01_rear.csv", SAMPLES / "p08_front.nmea"]
    figures = {item["number"]: item["trap"] for item in DAY}
    out = tmp_path / "new.toml"
    code, told, wrong = run(
        monkeypatch, capsys, *logs, "--course", base_toml(tmp_path), "--trap", f"1={figures[1]}", "--trap",
        f"2={figures[8]}", "--trap-length", "98.425 ft", "--between", "400 m", "700 m", "--name", "mine", "--out", out,
    )  # fmt: skip
    assert (code, wrong) == (0, ""), wrong
    made = Course.load(out)
    assert made.name == "mine" and made.length_m == pytest.approx(98.425 * 0.3048, abs=1e-6)  # NIST SP 811
    assert abs(made.entry_m - ENTRY_M) < 4 * made.place_u_m
    assert "warning: with 2 passes a wrong figure can't be told from a right one" in told


def test_passes_of_one_log_are_told_apart(monkeypatch, capsys, tmp_path: Path) -> None:
    """One log of the whole day, trap at 320 m: pass 3 is left out and stays an independent check."""
    drives = [drive(70.0), drive(62.0, lift_m=300.0), drive(66.0), drive(58.0, lift_m=335.0)]
    log = gnss_csv(tmp_path / "day.csv", drives)
    line = tmp_path / "line.toml"
    line.write_text(replace(COURSE, entry_m=0.0, exit_m=30.0).to_toml(), "utf-8")
    figures = {n: f"{trap_speed(item):.2f} m/s" for n, item in enumerate(drives, 1)}
    given = [word for n, text in figures.items() for word in ("--trap", f"{n}={text}")]
    out = tmp_path / "new.toml"
    code, _, wrong = run(monkeypatch, capsys, log, "--course", line, *given, "--without", 3, "--out", out)
    assert (code, wrong) == (0, "")
    made = Course.load(out)
    assert abs(made.entry_m - 320.0) < 3 * made.place_u_m and len(made.located_from) == 3
    passes = sl.review(log, course=made, trap=figures).passes
    assert [item.verdict and item.verdict.independent for item in passes] == [False, False, True, False]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["SESSION", "--trap", "160 mph"], "--trap does not go with a session"),
        (["SESSION", "LOG"], "give one session.toml, or logs, not both"),
        (["SESSION", "--without", "77"], "--without 77: there is no pass 77"),
        (["SESSION", "--between", "500", "600 m"], '"500" has no unit'),
        (["SESSION", "--between", "600 m", "500 m"], "--between: 600 m to 500 m is no stretch"),
        (["SESSION", "--between", "500 m", "520 m"], "share no stretch as long as the trap"),
        (["SESSION", "--trap-length", "5 cm"], '--trap-length: "5 cm" is no trap'),
        (["LOG", "--trap", "160 mph"], "the running line is not known"),
        (["LOG", "--course", "COURSE"], "no trap figures were given"),
        (["LOG", "--course", "COURSE", "--trap", "160 mph"], "one pass alone can't tell where the trap is"),
        (["none.nmea", "--course", "COURSE", "--trap", "160 mph"], "none.nmea"),
        (["SESSION", "--out", "COURSE"], "is there already"),
        (["SESSION", "--out", "COURSE", "--force"], "would be written over a file it was made from"),
    ],
)
def test_a_mistake_is_one_line_and_writes_nothing(monkeypatch, capsys, tmp_path, arguments, words) -> None:
    known = {"SESSION": session_toml(tmp_path, (1, 8)), "LOG": SAMPLES / "p01_rear.csv",
             "COURSE": tmp_path / "line.toml"}  # fmt: skip
    monkeypatch.chdir(tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    code, told, wrong = run(monkeypatch, capsys, *[known.get(word, word) for word in arguments])
    assert (code, told) == (2, "") and words in wrong and wrong.count("\n") == 1
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_an_option_before_the_sub_command_is_not_passed_over(monkeypatch, capsys) -> None:
    monkeypatch.setattr(sys, "argv", ["speedlog", "course", "--name", "x", "locate", "a.nmea"])
    with pytest.raises(SystemExit):
        program.main()
    assert "an option stands before locate" in capsys.readouterr().err
