"""The whole job from files: contract of the JSON, several passes, wheel logs, clocks, wrong use."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from pyproj import Geod

import speedlog as sl
from speedlog.errors import SpeedlogError

SCHEMA = json.loads((Path(sl.__file__).parent / "review.schema.json").read_text("utf-8"))
COURSE = sl.Course.from_mapping(
    {
        "name": "strip",
        "line": {"start": [53.1, -1.2], "heading_deg": 75.0},
        "trap": {"entry_m": 320.0, "exit_m": 350.0},
    }
)
WGS84 = Geod(ellps="WGS84")
DT = 0.001


def drive(top_mps: float = 70.0, lift_m: float = 380.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(time, along, speed) of an invented pass: speed nears `top_mps`, then 8 m/s² down. Closed loop, 1 ms."""
    t, s, v, rows = 0.0, 0.0, 0.0, []
    while t < 60:
        if t < 2:
            a = 0.0
        elif s < lift_m:
            a = 11.0 * (1 - (v / (1.1 * top_mps)) ** 2)
        else:
            a = -8.0 if v > 0 else 0.0
        v = max(v + a * DT, 0.0)
        s += v * DT
        t += DT
        rows.append((t, s, v))
        if s > lift_m and v == 0 and t > rows[0][0] + 4 and rows[-1][1] == rows[-min(len(rows), 2000)][1]:
            break
    return tuple(np.array(rows).T)  # type: ignore[return-value]


def trap_speed(motion) -> float:
    t, s, _ = motion
    times = np.interp([COURSE.entry_m, COURSE.exit_m], s[s > 0], t[s > 0])
    return 30.0 / float(times[1] - times[0])


def gnss_csv(
    path: Path, motions, *, start="2026-07-12T10:00:00Z", apart_s=300.0, rate=10.0, seed=1, cut=None,
) -> Path:  # fmt: skip
    """A 10 Hz table of one pass or of several, standing between them."""
    rng, rows = np.random.default_rng(seed), ["UTC Time,Latitude (deg),Longitude (deg),Speed (m/s)"]
    for n, (t, s, v) in enumerate(motions):
        at = np.arange(0.05, t[-1], 1 / rate)
        along, speed = np.interp(at, t, s), np.interp(at, t, v)
        keep = np.ones(len(at), dtype=bool) if cut is None else ~((along > cut[0]) & (along < cut[1]))
        along = along + rng.normal(0, 0.03, len(at))
        lon, lat, _ = WGS84.fwd(np.full(len(at), -1.2), np.full(len(at), 53.1), np.full(len(at), 75.0), along)
        speed = np.abs(speed + rng.normal(0, 0.06, len(at)))
        moments = pd.Timestamp(start) + pd.to_timedelta(n * apart_s + at, unit="s")
        rows += [
            f"{moment:%Y-%m-%dT%H:%M:%S.%f}Z,{a:.8f},{o:.8f},{x:.3f}"
            for moment, a, o, x, ok in zip(moments, lat, lon, speed, keep, strict=True)
            if ok
        ]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


def controller_csv(path: Path, motions, *, apart_s=300.0, offset_s=77.7, diameter=0.0896, poles=1) -> Path:
    rows = ["Time (s),RPM,Current (A)"]
    for n, (t, _, v) in enumerate(motions):
        at = np.arange(0.0, t[-1], 0.04)
        rpm = np.interp(at, t, v) * 60 / (np.pi * diameter) * poles
        rows += [f"{offset_s + n * apart_s + x:.3f},{r:.0f},80" for x, r in zip(at, rpm, strict=True)]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


@pytest.fixture(scope="module")
def one() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return drive()


def test_the_json_keeps_the_contract_and_the_figures_are_right(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "a.csv", [one])
    true = trap_speed(one)
    review = sl.review([log], course=COURSE, trap=f"{true / 0.44704:.1f} mph", wind="4 m/s from 255")
    result = json.loads(json.dumps(review.as_json(), allow_nan=False))
    jsonschema.Draft202012Validator(SCHEMA).validate(result)
    (item,) = result["passes"]
    assert item["trap"]["estimate_mps"] == pytest.approx(true, abs=0.25)
    low, high = item["trap"]["interval95_mps"]
    assert low < true < high
    assert item["verdict"]["code"] == "agree" and item["outbound"] is True
    assert item["heading_deg"] == pytest.approx(75.0, abs=0.1)
    assert item["loggers"][0]["compared"] == "trap reading against official"
    # wind from the tail: head component by hand, 4 cos(255 - 75) = -4
    assert item["wind"]["head_mps"] == pytest.approx(-4.0, abs=0.01)
    assert result["recordings"][0]["file"] == "a.csv"
    error = item["verdict"]["normalised_error"]
    official = item["trap"]["official_interval95_mps"]
    by_hand = (item["trap"]["estimate_mps"] - item["trap"]["official_mps"]) / np.hypot(
        (high - low) / 2, (official[1] - official[0]) / 2
    )
    assert error == pytest.approx(by_hand)


def test_without_a_figure_or_a_course(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "a.csv", [one])
    plain = sl.review(log, course=COURSE).as_json()["passes"][0]
    assert plain["verdict"] is None and plain["trap"]["official_mps"] is None
    assert plain["loggers"][0]["compared"] == "trap reading against estimate"
    free = sl.review(log).as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(free)
    assert free["passes"][0]["trap"] is None and free["passes"][0]["outbound"] is None
    assert free["passes"][0]["peak"]["estimate_mps"] == pytest.approx(one[2].max(), abs=0.4)
    with pytest.raises(SpeedlogError, match="needs the course"):
        sl.review(log, trap="150 mph")


def test_several_passes_in_one_log_and_whose_figure_is_whose(one, tmp_path: Path) -> None:
    other = drive(top_mps=62.0)
    log = gnss_csv(tmp_path / "day.csv", [one, other, one])
    review = sl.review(log, course=COURSE, trap={2: f"{trap_speed(other):.2f} m/s"})
    assert [item.number for item in review.passes] == [1, 2, 3]
    assert [item.verdict.code if item.verdict else None for item in review.passes] == [None, "agree", None]
    in_order = [f"{trap_speed(item):.2f} m/s" for item in (one, other, one)]
    assert {item.verdict.code for item in sl.review(log, course=COURSE, trap=in_order).passes} == {"agree"}
    with pytest.raises(SpeedlogError, match="1 trap figure for 3 passes"):
        sl.review(log, course=COURSE, trap="150 mph")
    with pytest.raises(SpeedlogError, match="given for pass 4, but 3 were found"):
        sl.review(log, course=COURSE, trap={4: "150 mph"})


def test_one_pass_of_several_and_the_unit_of_the_sentences(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "day.csv", [one, drive(top_mps=62.0)])
    seconds = f"{30 / trap_speed(one):.4f} s"
    review = sl.review(log, course=COURSE, trap={1: seconds}, unit="mph", only=1)
    assert [item.number for item in review.passes] == [1] and review.drives_found == 2
    assert review.passes[0].verdict is not None and "mph from the trap" in review.passes[0].verdict.text
    assert "km/h" in sl.review(log, course=COURSE, trap={1: seconds}).passes[0].verdict.text
    with pytest.raises(SpeedlogError, match="is not a unit of speed"):
        sl.review(log, course=COURSE, unit="knots per hour")


def test_a_figure_without_a_gnss_log_says_what_is_missing(one, tmp_path: Path) -> None:
    wheel = controller_csv(tmp_path / "esc.csv", [one])
    review = sl.review(wheel, course=COURSE, trap="150 mph")
    assert review.passes == () and "a GNSS log is needed" in review.warnings[0]


def test_a_gap_over_the_trap_is_bridged_by_a_controller_log_of_the_whole_day(one, tmp_path: Path) -> None:
    other = drive(top_mps=62.0)
    log = gnss_csv(tmp_path / "second.csv", [other], start="2026-07-12T10:05:00Z", cut=(290.0, 372.0))
    wheel = controller_csv(tmp_path / "esc.csv", [one, other, one])
    review = sl.review([log, wheel], course=COURSE, wheel_diameter="88 mm", gear_ratio=1.0,
                       trap=f"{trap_speed(other):.2f} m/s")  # fmt: skip
    (item,) = review.passes
    assert item.verdict is not None and item.verdict.code == "logger_missed_trap"
    assert item.trap is not None and item.trap.coverage < 0.5
    assert item.trap.estimate_mps == pytest.approx(trap_speed(other), abs=0.3)
    wheel_part = next(logger for logger in item.loggers if logger.kind == "wheel")
    assert wheel_part.coverage == pytest.approx(1.0) and wheel_part.file == "esc.csv"
    summary = review.recordings[1]
    # own clock: row 377.7 s is 10:05:00 UTC
    assert summary.clock == "elapsed" and summary.clock_offset_s is not None
    utc_of_start = pd.Timestamp("2026-07-12T10:05:00Z").timestamp() - 377.7
    assert summary.clock_offset_s == pytest.approx(utc_of_start, abs=0.05)
    assert summary.start_utc is not None and summary.start_utc.year == 2026


def test_electrical_rpm_are_recognised_and_pole_pairs_mend_them(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "a.csv", [one])
    wheel = controller_csv(tmp_path / "esc.csv", [one], poles=4)
    told = (
        sl.review([log, wheel], course=COURSE, wheel_diameter="88 mm", gear_ratio=1.0).recordings[1].warnings
    )
    assert any("looks like electrical rpm" in text and "--pole-pairs 4" in text for text in told)
    mended = sl.review([log, wheel], course=COURSE, wheel_diameter="88 mm", gear_ratio=1.0, pole_pairs=4)
    assert not any("electrical" in text for text in mended.recordings[1].warnings)


def test_a_log_of_something_else_is_left_out_and_said_to_be(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "a.csv", [one])
    other = tmp_path / "other.csv"
    rpm = 9000 + 3000 * np.sin(np.arange(900) * 0.31)
    other.write_text(
        "Time (s),RPM\n" + "\n".join(f"{i * 0.05:.2f},{r:.0f}" for i, r in enumerate(rpm)), "utf-8"
    )
    review = sl.review([log, other], course=COURSE)
    assert [logger.file for logger in review.passes[0].loggers] == ["a.csv"]
    assert any("looks like no pass" in text for text in review.recordings[1].warnings)


@pytest.mark.parametrize(
    ("start", "offset_s", "word"),
    [
        ("2026-07-12T11:00:00Z", -3600.0, "local time logged as UTC"),
        ("2026-07-12T15:45:00Z", -20700.0, "local time logged as UTC"),  # + 5:45
        ("2026-07-12T10:00:18Z", -18.0, "GPS time logged as UTC"),
    ],
)
def test_clocks_off_by_quarter_hours_or_leap_seconds(one, tmp_path: Path, start, offset_s, word) -> None:
    first = gnss_csv(tmp_path / "a.csv", [one])
    second = gnss_csv(tmp_path / "b.csv", [one], start=start, seed=2)
    review = sl.review([first, second], course=COURSE)
    assert len(review.passes) == 1 and len(review.passes[0].loggers) == 2
    assert review.recordings[1].clock_offset_s == pytest.approx(offset_s)
    assert any(word in text for text in review.recordings[1].warnings)
    assert review.recordings[0].warnings == ()


def test_other_offsets_are_other_passes(one, tmp_path: Path) -> None:
    first = gnss_csv(tmp_path / "a.csv", [one])
    second = gnss_csv(tmp_path / "b.csv", [one], start="2026-07-12T10:07:00Z", seed=2)
    assert len(sl.review([first, second], course=COURSE).passes) == 2


def test_two_loggers_against_a_mis_keyed_figure(one, tmp_path: Path) -> None:
    files = [gnss_csv(tmp_path / f"{name}.csv", [one], seed=k) for k, name in enumerate("ab")]
    true_kmh = trap_speed(one) * 3.6
    text = f"{true_kmh:.1f}"
    keyed = text[1] + text[0] + text[2:]
    verdict = sl.review(files, course=COURSE, trap=f"{keyed} km/h").passes[0].verdict
    assert verdict is not None and verdict.code == "trap_figure_doubtful"
    assert f"Could it have been {text} km/h?" in verdict.text


def test_the_same_bytes_twice_are_one_witness(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "a.csv", [one])
    copy = tmp_path / "copy.csv"
    copy.write_bytes(log.read_bytes())
    review = sl.review([log, copy, log], course=COURSE)
    assert [logger.file for logger in review.passes[0].loggers] == ["a.csv"]
    assert any("all of it stands in a.csv too" in text for text in review.recordings[1].warnings)


def test_a_file_that_contains_an_earlier_one_is_no_second_witness(one, tmp_path: Path) -> None:
    day = gnss_csv(tmp_path / "evening.csv", [one, one])
    noon = tmp_path / "noon.csv"
    noon.write_text("\n".join(day.read_text("utf-8").splitlines()[:230]) + "\n", "utf-8")
    review = sl.review([noon, day], course=COURSE)
    assert [[logger.file for logger in item.loggers] for item in review.passes] == [["evening.csv"]] * 2
    assert any("evening.csv too" in text for text in review.recordings[0].warnings)


def test_a_return_pass_enters_at_the_far_beam(one, tmp_path: Path) -> None:
    t, s, v = one
    log = gnss_csv(tmp_path / "back.csv", [(t, 700.0 - s, v)])
    (item,) = sl.review(log, course=COURSE).passes
    assert item.outbound is False and item.heading_deg == pytest.approx(255.0, abs=0.1)
    along = 700.0 - s
    times = np.interp([-350.0, -320.0], -along[s > 0], t[s > 0])
    assert item.trap is not None
    assert item.trap.estimate_mps == pytest.approx(30.0 / (times[1] - times[0]), abs=0.25)
    assert item.trace is not None and item.trace.along_m[0] > item.trace.along_m[-1]


def test_no_pass_at_all_is_said(tmp_path: Path) -> None:
    rows = [f"2026-07-12T10:00:{i:02d}.0Z,53.1,-1.2,0.1" for i in range(60)]
    log = tmp_path / "still.csv"
    log.write_text("UTC Time,Latitude (deg),Longitude (deg),Speed (m/s)\n" + "\n".join(rows), "utf-8")
    review = sl.review(log, course=COURSE)
    assert review.passes == () and "no pass at speed" in review.warnings[0]
    assert sl.review(log).passes == ()


def test_a_log_that_ends_before_the_far_beam_gives_no_verdict_but_says_so(one, tmp_path: Path) -> None:
    t, s, v = one
    keep = s < 334.0
    log = gnss_csv(tmp_path / "short.csv", [(t[keep], s[keep], v[keep])])
    review = sl.review(log, course=COURSE, trap={1: "150 mph"})
    (item,) = review.passes
    assert item.verdict is not None and item.verdict.code in ("not_enough_data", "logger_missed_trap")
    assert item.trap is not None and item.trap.coverage < 0.5


def test_no_files() -> None:
    with pytest.raises(SpeedlogError, match="no log file was given"):
        sl.review([])


def test_a_day_in_one_archive_reviews_like_its_files(one, tmp_path: Path) -> None:
    """A folder a pass, as loggers and people make them; the note beside the logs is named, not read."""
    for n in (1, 2):
        gnss_csv(tmp_path / f"p{n}.csv", [one], start=f"2026-07-12T10:0{n}:00Z", seed=n)
    plain = sl.review([tmp_path / "p1.csv", tmp_path / "p2.csv"], course=COURSE)
    with zipfile.ZipFile(tmp_path / "day.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for n in (1, 2):
            archive.write(tmp_path / f"p{n}.csv", f"p{n}/gps.csv")
        archive.writestr("note.txt", "cold, wind from the left")
    packed = sl.review(tmp_path / "day.zip", course=COURSE)
    assert [item.trap for item in packed.passes] == [item.trap for item in plain.passes]
    assert [item.file for item in packed.recordings] == ["p1_gps.csv", "p2_gps.csv"]
    assert [item.sha256 for item in packed.recordings] == [item.sha256 for item in plain.recordings]
    assert "1 file in day.zip passed over, being no log: note.txt" in " ".join(packed.recordings[0].warnings)
    again = sl.review([tmp_path / "day.zip", tmp_path / "p1.csv"], course=COURSE)
    assert "all of it stands in p1_gps.csv too: counted once" in " ".join(again.recordings[2].warnings)


def test_packed_logs_of_one_name_are_told_apart_by_their_archives(one, tmp_path: Path) -> None:
    log = gnss_csv(tmp_path / "gps.csv", [one]).read_bytes()
    for n in (1, 2):
        with zipfile.ZipFile(tmp_path / f"{n}.zip", "w") as archive:
            archive.writestr("gps.csv", log)
            archive.writestr("other.csv", log[:2000])
    found = sl.review([tmp_path / "1.zip", tmp_path / "2.zip"], course=COURSE).recordings
    assert [item.file for item in found] == [
        "1.zip/gps.csv",
        "1.zip/other.csv",
        "2.zip/gps.csv",
        "2.zip/other.csv",
    ]
