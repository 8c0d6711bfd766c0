"""A course made in the page: the place of the trap against the stands' own invented places, worked out beforehand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from speedlog.course.geometry import GEOD, Line, place
from speedlog.errors import SpeedlogError
from speedlog.importers import read
from speedlog.pit.course_making import course_of_stands, find_stands
from speedlog.settings import Settings
from speedlog.settings.pit import PitSettings
from tests.pit.conftest import SAMPLE, Pit, text_of

LINE = Line(53.1, -1.2, 112.0)
TRUE = {"launch": 0.0, "first": 520.0, "second": 550.0}
FIELDS = {"name": "Field", "length": "30"}


def walk(
    path: Path, stands: list[tuple[float, float]], *, start_s: int = 36_000, noise_m: float = 0.3
) -> Path:
    """A log at 1 Hz of a walk along the line: stands (metres along, seconds), and 1.5 m/s between them."""
    draw = np.random.default_rng(len(stands) + start_s)
    rows, now, at = ["time,latitude,longitude,speed (m/s)"], start_s, stands[0][0]
    for along, seconds in stands:
        while abs(along - at) > 1.5:
            at += float(np.sign(along - at)) * 1.5
            now += 1
            rows.append(_row(now, at, 1.5, draw.normal(0, noise_m, 2)))
        at = along
        for _ in range(int(seconds)):
            now += 1
            rows.append(_row(now, at, abs(float(draw.normal(0, 0.05))), draw.normal(0, noise_m, 2)))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def _row(now: int, along: float, speed: float, off: np.ndarray) -> str:
    lat, lon = place(LINE, along + float(off[0]), float(off[1]))
    return (
        f"2026-08-22T{now // 3600:02d}:{now // 60 % 60:02d}:{now % 60:02d}Z,{lat:.8f},{lon:.8f},{speed:.3f}"
    )


def test_three_stands_in_one_log_make_the_course(tmp_path: Path) -> None:
    log = walk(tmp_path / "walk.csv", [(0, 60), (520, 60), (550, 60)])
    made = course_of_stands([log], FIELDS, Settings())
    # the median of 60 draws of 0.3 m scatters by 0.05 m
    assert made.entry_m == pytest.approx(520.0, abs=0.3) and made.length_m == 30.0
    assert made.line.heading_deg == pytest.approx(112.0, abs=0.05)
    _, _, off = GEOD.inv(made.line.lon_deg, made.line.lat_deg, LINE.lon_deg, LINE.lat_deg)
    assert off < 0.3
    assert made.place_u_m == PitSettings().stand_place_u_m


def test_three_logs_are_put_in_the_order_of_time_not_of_names(tmp_path: Path) -> None:
    logs = [
        walk(tmp_path / "a.csv", [(550, 60)], start_s=37_000),
        walk(tmp_path / "b.csv", [(0, 60)], start_s=36_000),
        walk(tmp_path / "c.csv", [(520, 60)], start_s=36_500),
    ]
    assert course_of_stands(logs, FIELDS, Settings()).entry_m == pytest.approx(520.0, abs=0.3)


def test_two_beams_and_a_pass_make_the_course(tmp_path: Path) -> None:
    beams = walk(tmp_path / "beams.csv", [(520, 60), (550, 60)])
    made = course_of_stands([SAMPLE / "p09_front.nmea", beams], FIELDS, Settings())
    # the pass of sample_data was driven along this line (sample_data/course.toml), from its start
    assert made.line.heading_deg == pytest.approx(112.0, abs=0.3)
    assert made.entry_m == pytest.approx(520.0, abs=4.0)


@pytest.mark.parametrize(
    ("stands", "told"),
    [
        ([(0, 60), (520, 60)], "2 stands found"),
        ([(0, 60), (520, 60), (550, 60), (700, 60)], "4 stands found"),
        ([(0, 10), (520, 10), (550, 10)], "no place where the logger stood still"),
        ([(0, 60), (520, 60), (560, 60)], "40."),  # the tape says 30 m
        ([(530, 60), (520, 60), (550, 60)], "from the beams"),
    ],
)
def test_other_stands_are_refused_in_one_line(
    tmp_path: Path, stands: list[tuple[float, float]], told: str
) -> None:
    log = walk(tmp_path / "walk.csv", stands)
    with pytest.raises(SpeedlogError, match=told.replace(".", r"\.")):
        course_of_stands([log], FIELDS, Settings())


def test_a_stand_is_as_long_and_as_still_as_the_settings_say(tmp_path: Path) -> None:
    settings = PitSettings()
    least = int(settings.stand_least_s)
    short, long = (
        read(walk(tmp_path / f"{seconds}.csv", [(0, seconds), (50, 1)])) for seconds in (least - 1, least + 3)
    )
    assert len(find_stands(short, settings)) == 0 and len(find_stands(long, settings)) == 1
    assert find_stands(long, PitSettings(stand_speed_mps=0.0)) == []


def test_a_log_without_speed_is_judged_by_its_places(tmp_path: Path) -> None:
    log = walk(tmp_path / "walk.csv", [(0, 60), (100, 60)], noise_m=0.02)
    bare = "\n".join(line.rpartition(",")[0] for line in log.read_text().splitlines()) + "\n"
    log.write_text(bare)
    assert len(find_stands(read(log), PitSettings())) == 2


def test_the_tape_and_the_stands_may_differ_by_so_much(tmp_path: Path) -> None:
    log = walk(tmp_path / "walk.csv", [(0, 60), (520, 60), (550, 60)], noise_m=0.05)
    most = PitSettings().stand_mismatch_m
    assert course_of_stands([log], FIELDS | {"length": f"{30 - most + 0.3} m"}, Settings()).length_m < 30
    with pytest.raises(SpeedlogError, match="but the tape says"):
        course_of_stands([log], FIELDS | {"length": f"{30 - most - 0.3} m"}, Settings())


def test_stands_sent_to_the_page_make_a_course_that_knows_its_passes(empty: Pit, tmp_path: Path) -> None:
    log = walk(tmp_path / "walk.csv", [(0, 60), (520, 60), (550, 60)])
    answer = empty.client.post("/course", files={"logs": ("walk.csv", log.read_bytes())}, data=FIELDS)
    assert "Course kept: Field, trap 5" in text_of(empty.client.get(answer.headers["location"]))
    empty.send("p09_front.nmea", trap="196.9", unit="mph")
    row = empty.passes()[0]
    assert row.venue == "Field" and row.result is not None and row.result.verdict == "agree"


def test_what_is_missing_is_told_and_what_was_typed_stays(two: Pit) -> None:
    data = {"name": "Field", "entry": "", "length": "30"}
    answer = two.client.post("/pass/1/course", data=data)
    assert answer.status_code == 422 and "first beam is missing" in text_of(answer)
    answer = two.client.post(
        "/course", files={"logs": ("x.csv", b"no log\n")}, data={"name": "Här", "length": "30"}
    )
    assert answer.status_code == 422 and 'value="Här"' in answer.text
    assert two.client.post("/course", data={"name": "x"}).status_code == 422
