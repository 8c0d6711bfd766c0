"""`speedlog inspect --target` and `--at`: what it says, what it writes, and one line for every mistake."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from speedlog.cli.inspect import describe
from speedlog.cli.inspect_at import asked_time, trace_json, trace_words, zone_of
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, open_logs, read
from tests.cli.inside import mistake, run

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


# --at

CONTROLLER = str(SAMPLES / "p02_controller.csv")


def said(*words: str) -> str:
    done = run("inspect", *words)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode("utf-8")


def test_the_lines_behind_an_epoch_in_utc_and_in_the_courses_zone() -> None:
    """Line 657 of the file, read with an editor; 131.199 kn are 67.4946 m/s, 150.98 mph (by hand)."""
    text = said(FAST, "--at", "09:12:18.4")
    assert "the epoch nearest 09:12:18.4: 2026-08-22 09:12:18.400 UTC\n" in text
    assert "67.4945967 m/s (150.98 mph)" in text and 'line 657, RMC field 7 "131.199", kn × 1852/3600' in text
    assert "\n    658  $GNGGA,091218.40," in text
    local = said(FAST, "--at", "10:12:18.4", "--course", str(SAMPLES / "course.toml"))  # British Summer Time
    assert "2026-08-22 10:12:18.400 Europe/London\n" in local and 'line 657, RMC field 7 "131.199"' in local
    lines = text.splitlines()[1:] + local.splitlines()[1:]  # the first has the file's name, of any length
    assert all(len(line) <= 100 for line in lines)


def test_a_log_that_counts_its_own_seconds() -> None:
    text = said(CONTROLLER, "--at", "76.05 s")
    assert "the epoch nearest 76.05 s: 76.050 s\n" in text
    assert 'line 240, column 2 "Motor rpm": "15370"' in text
    recording = read(CONTROLLER)
    for time in ("76.05", "76.05 s", "76,05s", "1:16.05", "0:01:16.05"):
        assert asked_time(time, recording, zone_of(None)).value == 76_050_000_000


@pytest.mark.parametrize(
    ("text", "zone", "second"),
    [
        ("2026-08-22 09:12:18.41", None, "09:12:18.410"),
        ("2026-08-22T10:12:18,41", "Europe/London", "09:12:18.410"),
        ("09:12:18Z", "Europe/London", "09:12:18"),
        ("10:12", "Europe/London", "09:12:00"),
        ("10:12", "No/Where", "10:12:00"),  # a zone that this computer does not know: UTC, and said so
    ],
)
def test_clock_times(text: str, zone: str | None, second: str) -> None:
    """London is an hour ahead of UTC in August (IANA time zone database)."""
    found = asked_time(text, read(FAST), zone_of(zone))
    assert found == pd.Timestamp(f"2026-08-22T{second}Z")


def test_no_epoch_near_says_the_nearest() -> None:
    """p02_front has no epochs for 1.08 s (README); the ends of that gap stand in the file."""
    whole = json.loads(run("inspect", str(SAMPLES / "p02_front.nmea"), "--json", "-").stdout)["recordings"][0]
    gap = next(fault for fault in whole["faults"] if fault["kind"] == "gap")
    middle = gap["start_utc"][11:19]
    text = said(str(SAMPLES / "p02_front.nmea"), "--at", f"{middle}.999")
    assert f"no epoch near {middle}.999; the nearest: 2026-08-22 {gap['start_utc'][11:22]}" in text
    assert gap["end_utc"][11:22] in text and " s before), " in text and " s after)" in text


def test_at_in_the_json(tmp_path: Path) -> None:
    said(FAST, "--at", "12.4 s", "--json", str(tmp_path / "i.json"))
    found = json.loads((tmp_path / "i.json").read_text("utf-8"))["recordings"][0]
    speed = found["at"]["epoch"]["values"]["speed_mps"]
    assert float(speed["from"][0]["text"]) * 1852 / 3600 == pytest.approx(speed["value"], rel=1e-12)
    assert found["samples"] == 590


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([CONTROLLER, "--at", "2026-08-22 12:00:00"], "which counts seconds from its own start"),
        ([FAST, "--course", str(SAMPLES / "course.toml")], "--course goes with --at"),
        ([FAST, "--at", "09:00", "--course", "none.toml"], "none.toml"),
    ],
)
def test_a_wrong_at_is_one_line(words: list[str], message: str) -> None:
    assert message in mistake("inspect", *words)


@pytest.mark.parametrize(
    "text",
    [
        "noon",
        "25:00:00",
        "1700-01-01 00:00",
        "9999-12-31 23:59:59",
        "4000000001 s",
        "9" * 30,
        "9" * 5000,
        "",
        "12:00:60",
        "2026-02-30 12:00",
        "12",
        "-1 s",
        "9:5",
    ],
)
def test_what_is_no_time(text: str) -> None:
    recording = read(FAST)
    if text == "12":  # seconds from the first epoch
        assert asked_time(text, recording, zone_of(None)) == recording.samples.index[0] + pd.Timedelta("12s")
        return
    with pytest.raises(SpeedlogError, match=r"(is|are) no (time|date)"):
        asked_time(text, recording, zone_of(None))


def test_a_log_of_two_days_wants_the_date(tmp_path: Path) -> None:
    rows = [f"2026-07-{day}T{hour:02d}:00:00Z,53.1,-1.2,{hour}" for day in (11, 12) for hour in range(24)]
    log = tmp_path / "days.csv"
    log.write_text("\n".join(["UTC,Latitude,Longitude,Speed (m/s)", *rows]) + "\n", encoding="utf-8")
    assert "a time alone does not say which day" in mistake("inspect", str(log), "--at", "14:00:00")
    at = asked_time("2026-07-11 14:00:00", read(log), zone_of(None))
    assert at == pd.Timestamp("2026-07-11T14:00:00Z")
    night = tmp_path / "night.csv"  # over midnight, each time once: no date needed
    kept = [row for row in rows if "2026-07-11T08" < row < "2026-07-12T07"]
    night.write_text("\n".join(["UTC,Latitude,Longitude,Speed (m/s)", *kept]) + "\n", encoding="utf-8")
    assert asked_time("02:00", read(night), zone_of(None)) == pd.Timestamp("2026-07-12T02:00:00Z")


@pytest.mark.parametrize("text", ["4000000000 s", "1970-01-01 00:00", "2115-12-31 23:59:59.999999999"])
def test_the_farthest_times_are_only_far(text: str) -> None:
    opened = open_logs(FAST)[0]
    found = trace_json(opened.source, opened.recording, text, zone_of("Pacific/Kiritimati"), ReadOptions())
    assert found["epoch"] is None and "no epoch near" in trace_words(found)[0]


@pytest.mark.parametrize(("time", "near"), [("3.49 s", True), ("3.51 s", False)])
def test_both_sides_of_near(tmp_path: Path, time: str, near: bool) -> None:
    """The last epoch is at 2 s, one a second: near is 1.5 of its intervals."""
    log = tmp_path / "log.csv"
    log.write_text("Time (s),RPM\n0,1000\n1,1100\n2,1200\n", encoding="utf-8")
    opened = open_logs(log)[0]
    found = trace_json(opened.source, opened.recording, time, zone_of(None), ReadOptions())
    assert (found["epoch"] is not None) is near and found["before"] == "2.000 s" and found["after"] is None


def test_every_log_of_an_archive(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "day.zip", "w") as archive:
        archive.write(FAST, "a.nmea")
        archive.write(CONTROLLER, "b.csv")
    text = said(str(tmp_path / "day.zip"))
    assert "day.zip/a.nmea: nmea, 590 samples" in text and "day.zip/b.csv: delimited, 477 samples" in text


def test_hostile_lines_and_long_ones_stay_harmless(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    rows = [f"{at / 10},{at}," + "x" * 200 + "\x1b[31m" for at in range(20)]
    log.write_text("\n".join(["Time (s),Speed (m/s),Note", *rows]) + "\n", encoding="utf-8")
    text = said(str(log), "--at", "1 s")
    assert "\x1b" not in text and "…\n" in text
    assert all(len(line) <= 100 for line in text.splitlines()[1:])


# --suggest


def test_a_mapping_is_written_tried_and_never_over_a_file(tmp_path: Path) -> None:
    out = tmp_path / "map.toml"
    text = said(CONTROLLER, "--suggest", str(out))
    assert (
        "map.toml: 7 of 7 columns are used; nothing in it had to be guessed; read with it, the file" in text
    )
    plainly, mapped = (
        json.loads(run("inspect", CONTROLLER, *words, "--json", "-").stdout)["recordings"][0]
        for words in ([], ["--columns", str(out)])
    )
    assert {column.pop("unit_from") for column in mapped["column_table"]} == {"your mapping"}
    assert {column.pop("unit_from") for column in plainly["column_table"]} == {"the header"}
    assert plainly.pop("time_source")["unit"] == mapped.pop("time_source")["unit"]
    assert plainly == mapped
    before = out.read_bytes()
    assert "is there already" in mistake("inspect", CONTROLLER, "--suggest", str(out))
    assert out.read_bytes() == before and [path.name for path in tmp_path.iterdir()] == ["map.toml"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([FAST], "is nmea: its standard says what stands where, so there is nothing to map"),
        ([FAST, CONTROLLER], "--suggest takes one file"),
        (["none.csv"], "none.csv: no such file"),
    ],
)
def test_a_wrong_suggest_is_one_line(words: list[str], message: str, tmp_path: Path) -> None:
    assert message in mistake("inspect", *words, "--suggest", str(tmp_path / "map.toml"))
    assert not list(tmp_path.iterdir())


def test_a_table_that_cannot_be_read_gets_a_start(tmp_path: Path) -> None:
    log = tmp_path / "odd.csv"
    log.write_text("zeit;a;b\n" + "".join(f"{at};1;2\n" for at in range(9)), encoding="utf-8")
    text = said(str(log), "--suggest", str(tmp_path / "map.toml"))
    assert "map.toml: a start only, since the file can't be read yet" in text


# what it says of a file


def test_a_file_in_words() -> None:
    """The front logger of pass 2 went blind for 1.08 s (sample_data/truth.json): 26 epochs at 25 Hz are missing."""
    text = said(str(SAMPLES / "p02_front.nmea"))
    assert (
        "  epochs: one every 0.04 s, evenly; 1 pause, the longest 1.08 s (26 epochs would fit in)\n" in text
    )
    assert (
        "RMC: kn (the standard)\n" in text
        and "\n  fix: 3333" in text
        and ". = no epochs; each character" in text
    )
    assert "  use: a GNSS log with positions and speeds: it can be reviewed by itself\n" in text
    assert all(len(line) <= 100 for line in text.splitlines()[1:])
    # an old console of Windows (code pages 437, 850 and 1252 have these few beyond ASCII)
    strip = next(line for line in text.splitlines() if line.startswith("  fix: "))
    assert strip.isascii()


def log_of_table(folder: Path, head: str, *rows: str) -> dict[str, Any]:
    path = folder / "log.csv"
    path.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return describe(path, ReadOptions())


def test_what_a_file_can_be_used_for(tmp_path: Path) -> None:
    controller = log_of_table(tmp_path, "Time (s),eRPM,Voltage (V)", "0,1000,12", "1,1100,12")
    assert controller["uses"] == [
        "it has no positions: usable as a controller's log (voltage) beside a GNSS log of the same pass",
        "--wheel-diameter and --gear-ratio turn its rpm into a speed",
        "its rpm counts electrical turns: add --pole-pairs",
    ]
    volts = log_of_table(tmp_path, "Time (s),Voltage (V)", "0,12", "1,12")
    assert "neither positions nor rpm (voltage)" in volts["uses"][0]
    speeds = log_of_table(tmp_path, "Time (s),Speed (km/h)", "0,12", "1,12")
    assert "speeds but no positions" in speeds["uses"][0]
    standing = log_of_table(tmp_path, "Time (s),Latitude,Longitude", *(f"{at},53.1,-1.2" for at in range(9)))
    assert standing["uses"][0].startswith("no pass was found in it") and standing["passes"] == []
    none = log_of_table(
        tmp_path, "Time (s),Latitude,Longitude,Fix", *(f"{at},53.1,-1.2,no fix" for at in range(9))
    )
    assert none["uses"] == [
        "no position in it is vouched for (no fix, or dead reckoned): it can't be reviewed by itself"
    ]


def test_the_json_keeps_the_contract_and_adds_to_it() -> None:
    found = describe(Path(FAST), ReadOptions())
    contract = {
        "file", "sha256", "format", "rate_hz", "samples", "valid_samples", "rejected", "start_utc", "end_utc", "clock",
        "max_speed_mps", "bbox", "columns", "faults", "warnings",
    }  # fmt: skip
    assert contract <= set(found)
    assert [column["name"] for column in found["column_table"]] == found["columns"]
    assert found["passes"][0]["highest_reading_mps"] == found["max_speed_mps"]
    json.dumps(found, allow_nan=False)
