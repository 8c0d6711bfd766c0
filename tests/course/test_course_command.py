"""`speedlog course`, through the program's own entry."""

from __future__ import annotations

import sys

import pytest

from speedlog.cli import main as program
from speedlog.cli.course import point
from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.errors import SpeedlogError
from tests.course.days import LINE, Day, record

POINTS = [
    "--from",
    "53.1,-1.2",
    "--to",
    "53.10464783541,-1.17115553658",
]  # references.md: 2000 m at 75 degrees
TRAP = ["--trap-entry", "520 m", "--trap-exit", "550 m"]


def run(monkeypatch, capsys, *arguments) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["speedlog", "course", *map(str, arguments)])
    with pytest.raises(SystemExit) as stopped:
        program.main()
    told = capsys.readouterr()
    return int(stopped.value.code or 0), told.out, told.err


def test_two_points(monkeypatch, capsys, tmp_path):
    out = tmp_path / "made.toml"
    code, told, wrong = run(
        monkeypatch,
        capsys,
        *POINTS,
        *TRAP,
        "--name",
        'North "end"',
        "--time-zone",
        "Europe/Lisbon",
        "--out",
        out,
    )
    assert (code, wrong) == (0, "")
    made = Course.load(out)
    assert made.line.heading_deg == pytest.approx(75.0, abs=1e-5)
    assert (made.line.lat_deg, made.line.lon_deg) == (53.1, -1.2)
    assert (made.entry_m, made.exit_m, made.name, made.time_zone) == (
        520.0,
        550.0,
        'North "end"',
        "Europe/Lisbon",
    )
    assert "from two points 2000 m apart" in told and "30 m long" in told and "tape" in told


def test_southern_and_feet(monkeypatch, capsys, tmp_path):
    out = tmp_path / "made.toml"
    code, _, _ = run(
        monkeypatch, capsys, "--from", "-33.5 151.2", "--to", "-33.51;151.2",
        "--trap-entry", "1000 ft", "--trap-length", "100 ft", "--out", out,
    )  # fmt: skip
    assert code == 0
    made = Course.load(out)
    assert made.line.heading_deg == pytest.approx(180.0, abs=1e-5)
    assert (made.entry_m, made.exit_m) == pytest.approx((304.8, 335.28))  # a foot is 0.3048 m, NIST SP 811
    assert made.name == "made"


def log_file(tmp_path, day: Day):
    """The day as a table that any importer reads."""
    samples = record(day, rate_hz=10.0).samples
    path = tmp_path / "gps.csv"
    rows = ["Time (UTC),Latitude (deg),Longitude (deg),Speed (m/s)"]
    for time, lat, lon, speed in zip(
        samples.index, samples["lat_deg"], samples["lon_deg"], samples["speed_mps"], strict=True
    ):
        rows.append(f"{time:%Y-%m-%dT%H:%M:%S.%f}Z,{lat:.7f},{lon:.7f},{speed:.3f}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_from_a_pass(monkeypatch, capsys, tmp_path):
    log = log_file(tmp_path, Day().stand(20).go(90).stand(10))
    out = tmp_path / "made.toml"
    code, told, _ = run(monkeypatch, capsys, "--log", log, *TRAP, "--out", out)
    assert code == 0 and "start = its launch point, heading = the fitted line" in told
    made = Course.load(out)
    # sd of the fitted heading of about 200 places, 5 cm each, over 900 m: 0.001 degrees
    assert made.line.heading_deg == pytest.approx(75.0, abs=0.005)
    assert [abs(value[0]) < 0.1 for value in along_across(LINE, made.line.lat_deg, made.line.lon_deg)] == [
        True,
        True,
    ]


def test_which_pass(monkeypatch, capsys, tmp_path):
    log = log_file(tmp_path, Day().stand(5).go(70, hold=3).stand(8).go(-70, hold=3).stand(5))
    out = tmp_path / "made.toml"
    code, _, wrong = run(monkeypatch, capsys, "--log", log, *TRAP, "--out", out)
    assert code == 2 and "2 passes in it (1: 10:00:0" in wrong and "--pass 1" in wrong
    code, _, _ = run(monkeypatch, capsys, "--log", log, "--pass", "2", *TRAP, "--out", out)
    assert code == 0 and Course.load(out).line.heading_deg == pytest.approx(255.0, abs=0.05)
    code, _, wrong = run(monkeypatch, capsys, "--log", log, "--pass", "3", *TRAP, "--out", out, "--force")
    assert code == 2 and "has no pass 3, only 2" in wrong


def test_nothing_is_written_over(monkeypatch, capsys, tmp_path):
    out = tmp_path / "made.toml"
    out.write_text("mine", encoding="utf-8")
    code, _, wrong = run(monkeypatch, capsys, *POINTS, *TRAP, "--out", out)
    assert code == 2 and "is there already" in wrong and out.read_text(encoding="utf-8") == "mine"
    code, _, _ = run(monkeypatch, capsys, *POINTS, *TRAP, "--out", out, "--force")
    assert code == 0 and Course.load(out).entry_m == 520.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*POINTS], "the trap needs --trap-entry and either --trap-exit or --trap-length"),
        ([*POINTS, *TRAP, "--trap-length", "30 m"], "the trap needs --trap-entry and either"),
        ([*POINTS, "--trap-entry", "550 m", "--trap-exit", "520 m"], "must lie beyond its entry (550 m)"),
        ([*POINTS, "--trap-entry", "520", "--trap-exit", "550 m"], '"520" has no unit'),
        (
            [*POINTS, "--trap-entry", "-20 m", "--trap-exit", "550 m"],
            "[trap] entry_m is -20.0, expected 0 to 20000",
        ),
        ([*TRAP], "a line needs --from and --to, or --log"),
        (["--from", "53.1,-1.2", *TRAP], "a line needs --from and --to, or --log"),
        (["--from", "53,1,-1,2", "--to", "53.2,-1.2", *TRAP], "is not a latitude and a longitude"),
        (["--from", "91,0", "--to", "53.2,-1.2", *TRAP], "latitude 91.0 is not between -90 and 90"),
        (["--from", "53.1,-1.2", "--to", "53.10008,-1.2", *TRAP], "only 8.9 m apart, too near"),
        ([*POINTS, *TRAP, "--log", "x.nmea"], "both give a line"),
        ([*POINTS, *TRAP, "--time-zone", "Lisbon/Europe"], '"Lisbon/Europe" is no time zone'),
        (["--log", "none.nmea", *TRAP], "none.nmea"),
    ],
)
def test_a_mistake_is_one_line_and_writes_nothing(monkeypatch, capsys, tmp_path, arguments, words):
    monkeypatch.chdir(tmp_path)
    code, told, wrong = run(monkeypatch, capsys, *arguments)
    assert (code, told) == (2, "")
    assert words in wrong and wrong.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_points_that_are_near_are_said_to_be(monkeypatch, capsys, tmp_path):
    # 0.0011 degree north at 53.1 N = 122.4 m (references.md topic 4: 111.288 m for 0.001)
    out = tmp_path / "made.toml"
    _, told, _ = run(monkeypatch, capsys, "--from", "53.1,-1.2", "--to", "53.1011,-1.2", *TRAP, "--out", out)
    assert "122 m apart (near: one of them a metre off turns the line by 0.5°)" in told
    out.unlink()
    _, told, _ = run(monkeypatch, capsys, "--from", "53.1,-1.2", "--to", "53.102,-1.2", *TRAP, "--out", out)
    assert "near:" not in told


@pytest.mark.parametrize("text", ["53.1,-1.2", " 53.1 , -1.2 ", "53.1 -1.2", "+53.1;-1.2"])
def test_ways_to_write_a_point(text):
    assert point(text, "--from") == (53.1, -1.2)


@pytest.mark.parametrize("text", ["", "53.1", "north", "53.1,-1.2,3", "nan,0", "1e9999,0", "53.1,-181"])
def test_no_point(text):
    with pytest.raises(SpeedlogError, match="--from"):
        point(text, "--from")
