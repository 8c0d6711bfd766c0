"""session.toml: what is read, and the one line for each mistake. Form: design, section 5."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import pytest

from speedlog.errors import SpeedlogError
from speedlog.session import load_session, parse_trap, review_session

COURSE = """
name = "Long runway"
time_zone = "Europe/Lisbon"
[line]
start = [53.1, -1.2]
heading_deg = 75.0
[trap]
entry_m = 520.0
exit_m = 550.0
"""
WHOLE = """
name = "Summer meeting"
date = 2026-07-12
course = "course.toml"
car = "Blue wedge"
[weather]
wind = "3 m/s from 250"
temperature = "21 °C"
qnh = "1013 hPa"
elevation = "120 m"
[[pass]]
number = 3
logs = ["a.nmea", "b.csv"]
trap = "181.3 mph"
wind = "8 mph tail"
setup = { tyre = "foam", wheel_diameter = "88 mm", gear_ratio = 1.0, current_limit = "280 A" }
note = "straight"
[pass.measured]
charge_put_back = "4150 mAh"
[[pass]]
number = 5
logs = ["c.nmea"]
trap = "0.370 s"
setup = { wheel_diameter = "8.8 cm", current_limit = "300 A" }
[pass.weather]
pressure = "998 hPa"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "course.toml").write_text(COURSE, encoding="utf-8")
    for name in ("a.nmea", "b.csv", "c.nmea"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    return tmp_path


def load(folder: Path, text: str):
    path = folder / "session.toml"
    path.write_text(text, encoding="utf-8")
    return load_session(path)


def test_the_contract_s_example_is_read_whole(folder: Path) -> None:
    session = load(folder, WHOLE)
    assert (session.name, session.date, session.car) == ("Summer meeting", dt.date(2026, 7, 12), "Blue wedge")
    assert session.course is not None and session.course.length_m == pytest.approx(30.0)
    first, second = session.passes
    assert (first.number, second.number) == (3, 5)
    assert first.logs == (folder / "a.nmea", folder / "b.csv")
    assert (first.trap, second.trap) == ("181.3 mph", "0.370 s")
    assert first.note == "straight"
    assert first.measured["charge_put_back"].value == pytest.approx(4.15)  # Ah, by hand


def test_the_weather_of_the_session_holds_until_a_pass_says_otherwise(folder: Path) -> None:
    first, second = load(folder, WHOLE).passes
    assert first.weather.wind is not None and first.weather.wind.side == "tail"
    assert second.weather.wind is not None and second.weather.wind.from_deg == 250.0
    assert first.weather.qnh is not None and first.weather.qnh.value == pytest.approx(101300.0)
    # pressure at the place replaces the session's QNH: the two never stand together
    assert second.weather.qnh is None and second.weather.pressure is not None


def test_set_up_is_carried_over_and_only_real_changes_are_named(folder: Path) -> None:
    first, second = load(folder, WHOLE).passes
    assert not first.changes
    assert second.setup["tyre"] == "foam" and "tyre" not in second.stated
    # 8.8 cm is 88 mm: the same wheel in another unit is no change
    assert [item.key for item in second.changes] == ["current_limit"]
    assert second.changes[0].before is first.setup["current_limit"]


def test_every_file_of_the_session_is_an_input_that_must_not_be_written_over(folder: Path) -> None:
    session = load(folder, WHOLE)
    assert {path.name for path in session.inputs} == {
        "session.toml",
        "course.toml",
        "a.nmea",
        "b.csv",
        "c.nmea",
    }


def test_a_session_may_lie_elsewhere_and_have_neither_course_nor_date(folder: Path) -> None:
    (folder / "sub").mkdir()
    path = folder / "sub" / "day.toml"
    path.write_bytes("\ufeff[[pass]]\r\nlogs = ['../a.nmea']\r\n".encode())  # BOM, CRLF: Windows Notepad
    session = load_session(path)
    assert (session.name, session.date, session.course) == ("day", None, None)
    assert session.passes[0].number == 1 and session.passes[0].logs[0].is_file()


PASS = '[[pass]]\nlogs = ["a.nmea"]\n'
LOGS = 'logs: must be a list of files. Write it like logs = ["a.nmea", "b.csv"]; [] if there is none.'
MISTAKES = {
    'nmae = "x"\n' + PASS: 'nmae: not a key of a session. Did you mean "name"?',
    PASS + 'tarp = "187.5 mph"': 'pass 1, tarp: not a key of a session. Did you mean "trap"?',
    PASS + 'setup = { wheel = "88 mm" }':
        'pass 1, setup.wheel: not a key of a session. Did you mean "wheel_diameter"? '
        'Your own words go under "other".',
    PASS + "trap = 187.5":
        'pass 1, trap: 187.5 has no unit. Put it in quotes with its unit. '
        'Write a speed like "187.5 mph" or a time like "0.370 s".',
    PASS + 'trap = "187.5"':
        'pass 1, trap: "187.5" has no unit. Write a speed like "187.5 mph" or a time like "0.370 s".',
    PASS + 'trap = "-3 mph"':
        'pass 1, trap: "-3 mph" must be above zero. Write a speed like "187.5 mph" or a time like "0.370 s".',
    PASS + 'setup = { gear_ratio = "1:1" }':
        "pass 1, setup.gear_ratio: 1:1 is not a number above zero. Write it without quotes.",
    PASS + "setup = { gear_ratio = 0 }":
        "pass 1, setup.gear_ratio: 0 is not a number above zero. Write it without quotes.",
    PASS + "setup = { wheel_diameter = 88 }":
        "pass 1, setup.wheel_diameter: 88 has no unit. Write it in quotes, with its unit.",
    PASS + 'setup = { wheel_diameter = "0 mm" }': 'pass 1, setup.wheel_diameter: "0 mm" must be above zero',
    PASS + "setup = 3": "pass 1, setup: must be a table. Write it like setup = { … }.",
    PASS + "note = 3": "pass 1, note: 3 is not text. Put it in quotes.",
    '[[pass]]\nnumber = 4\nlogs = ["gone.nmea"]':
        'pass 4, logs: no file "gone.nmea". Check the name and the folder.',
    '[[pass]]\nlogs = ["a.nmea", "a.nmea"]': 'pass 1, logs: "a.nmea" is named twice. Name it once.',
    '[[pass]]\nlogs = ["*.nmea"]': 'pass 1, logs: no file "*.nmea". Check the name and the folder.',
    '[[pass]]\nlogs = "a.nmea"':
        f"pass 1, {LOGS}",
    "[[pass]]\nnumber = 2":
        f"pass 2, {LOGS}",
    '[[pass]]\nnumber = "2"\nlogs = []':
        "pass 1, number: 2 is not a whole number from 1. Write it without quotes.",
    PASS + "number = 2\n" + PASS + "number = 2":
        "pass 2, number: two passes have the number 2. Give each pass its own.",
    'name = "x"': "pass: the session names no pass. Begin each pass with a line [[pass]].",
    'date = "12.7.2026"\n' + PASS: 'date: "12.7.2026" is not a date. Write it like 2026-07-12.',
    'course = "curse.toml"\n' + PASS:
        'course: no file "curse.toml" beside the session. Check the name and the folder.',
    '[weather]\nhumidity = "140 %"\n' + PASS: 'weather.humidity: "140 %" must lie between 0 % and 100 %',
    "[weather]\nhumidity = 40\n" + PASS:
        'weather.humidity: 40 has no unit. Write it in quotes, with its unit. Write it like "55 %".',
    '[weather]\nqnh = "1013 hPa"\n' + PASS:
        'weather.qnh: needs the elevation of the place. Add elevation = "120 m", or give "pressure".',
    '[weather]\npressure = "1 bar"\nqnh = "1 bar"\n' + PASS:
        "weather.qnh: pressure and qnh are both given. Keep the one that was read at the place.",
    PASS + 'wind = "3 m/s from 250"\nweather = { wind = "1 m/s tail" }':
        "pass 1, weather.wind: the wind is given twice for this pass. Give it once.",
    PASS + "trap = = 1": "session.toml, line 3: ",
    PASS + 'note = "C:\\logs"': 'Write folders with "/" and not with "\\".',
}  # fmt: skip


@pytest.mark.parametrize("text", MISTAKES, ids=lambda text: text.splitlines()[-1][:40])
def test_a_mistake_is_one_line_with_file_and_key(folder: Path, text: str) -> None:
    with pytest.raises(SpeedlogError) as caught:
        load(folder, text)
    said, wanted = str(caught.value), MISTAKES[text]
    assert "\n" not in said and said.startswith(str(folder / "session.toml"))
    if wanted.startswith("session.toml,"):
        assert wanted in said and "not a sound TOML file" in said
    elif wanted.startswith("Write folders"):
        assert said.endswith(wanted)
    else:
        assert said == f"{folder / 'session.toml'}: {wanted}"


def test_wind_keeps_the_place_of_its_mistake(folder: Path) -> None:
    with pytest.raises(SpeedlogError, match=r'pass 1, wind: "breezy" is not a speed and a direction'):
        load(folder, PASS + 'wind = "breezy"')


def test_a_missing_or_foreign_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match="can't be read"):
        load_session(tmp_path / "none.toml")
    (tmp_path / "u16.toml").write_text("a", encoding="utf-16")
    with pytest.raises(SpeedlogError, match='Save it again with the encoding "UTF-8"'):
        load_session(tmp_path / "u16.toml")


@pytest.mark.parametrize(
    ("text", "kind"), [("187,5 mph", "speed"), ("0.370 s", "time"), ("302 km/h", "speed")]
)
def test_a_trap_figure_is_a_speed_or_a_time(text: str, kind: str) -> None:
    assert parse_trap(text).unit.kind == kind


# ---- the pipeline over a session ----------------------------------------------------------------


def found(count: int):
    return SimpleNamespace(passes=tuple(f"drive {place}" for place in range(count)), drives_found=count)


def test_each_pass_goes_to_the_pipeline_with_its_own_facts(folder: Path) -> None:
    calls = []

    def run(files, **options):
        calls.append((files, options))
        return found(1)

    done = review_session(load(folder, WHOLE), run=run)
    assert [item.drives for item in done.reviews] == [("drive 0",), ("drive 0",)]
    assert calls[0][0] == [folder / "a.nmea", folder / "b.csv"]
    assert calls[0][1]["trap"] == "181.3 mph" and calls[0][1]["wind"] == "8 mph tail"
    assert (calls[1][1]["wheel_diameter"], calls[1][1]["gear_ratio"]) == ("8.8 cm", 1.0)


def test_a_pass_that_fails_keeps_its_line_and_stops_nothing(folder: Path) -> None:
    def run(files, **options):
        if files[0].name == "a.nmea":
            raise SpeedlogError("holds no readable line", file="a.nmea")
        return found(1)

    broken, sound = review_session(load(folder, WHOLE), run=run).reviews
    assert broken.error == "a.nmea: holds no readable line" and broken.review is None
    assert sound.error is None and sound.drives == ("drive 0",)


def test_a_mistake_of_the_program_s_own_is_not_swallowed(folder: Path) -> None:
    def run(files, **options):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        review_session(load(folder, WHOLE), run=run)


DAY = """
[[pass]]
number = 1
logs = ["a.nmea"]
trap = "180 mph"
[[pass]]
number = 2
logs = ["a.nmea"]
[[pass]]
number = 3
logs = ["a.nmea"]
trap = "0.37 s"
"""


def test_passes_of_one_log_take_its_drives_in_turn(folder: Path) -> None:
    calls = []

    def run(files, **options):
        calls.append((options["only"], options["trap"], options["unit"]))
        return SimpleNamespace(passes=(f"drive {options['only']}",), drives_found=3)

    done = review_session(load(folder, DAY), run=run)
    # a pass without a speed figure borrows the unit of the others
    assert calls == [(1, {1: "180 mph"}, None), (2, None, "mph"), (3, {3: "0.37 s"}, "mph")]
    assert [item.drives for item in done.reviews] == [("drive 1",), ("drive 2",), ("drive 3",)]


def test_a_log_shared_beside_logs_of_their_own_is_shared_too(folder: Path) -> None:
    """One GNSS logger left on all day, a controller's log for each pass."""
    (folder / "p1.csv").write_text("x", "utf-8")
    (folder / "p2.csv").write_text("x", "utf-8")
    text = DAY.replace('["a.nmea"]', '["a.nmea", "p1.csv"]', 1).replace(
        '["a.nmea"]', '["a.nmea", "p2.csv"]', 1
    )
    asked = []

    def run(files, **options):
        asked.append(([path.name for path in files], options["only"]))
        return SimpleNamespace(passes=("its own",), drives_found=3)

    review_session(load(folder, text), run=run)
    assert asked == [(["a.nmea", "p1.csv"], 1), (["a.nmea", "p2.csv"], 2), (["a.nmea"], 3)]


def test_more_drives_than_passes_in_a_shared_log_is_said(folder: Path) -> None:
    done = review_session(load(folder, DAY), run=lambda files, **options: found(4))
    assert done.reviews[0].error == (
        "pass 1: a.nmea holds 4 drives at speed, but 3 passes name it. Name each drive as a pass of its own."
    )


def test_all_drives_of_a_pass_s_own_log_are_kept(folder: Path) -> None:
    done = review_session(load(folder, PASS), run=lambda files, **options: found(2))
    assert done.reviews[0].drives == ("drive 0", "drive 1")


def test_no_drive_and_no_log_are_said(folder: Path) -> None:
    text = PASS + "[[pass]]\nlogs = []\n"
    first, second = review_session(load(folder, text), run=lambda files, **options: found(0)).reviews
    assert first.error == "pass 1: no drive at speed was found in a.nmea"
    assert second.error == "No log was kept of this pass."
