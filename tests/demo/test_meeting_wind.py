"""What the report says the wind gave, against the same passes driven again by the simulator without it."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from speedlog.demo import day, meeting, sample_folder
from speedlog.session import load_session, review_session
from speedlog.session.car import with_car

DRIVES = {item.number: item for group in vars(day).values() if isinstance(group, tuple)
          for item in group if isinstance(item, day.Drive)}  # fmt: skip
WITH_CONTROLLER = (2, 8, 9, 10)


@pytest.fixture(scope="module")
def told():
    session = load_session(sample_folder() / "session.toml")
    entries = tuple(item for item in session.passes if item.number in WITH_CONTROLLER)
    found = with_car(review_session(replace(session, passes=entries)))
    return {item.entry.number: item.drives[0].car.still_air for item in found.reviews}


@pytest.mark.parametrize("number", WITH_CONTROLLER)
def test_head_wind_and_what_it_gave(told, number: int) -> None:
    drive = DRIVES[number]
    toward = meeting.PLACE.heading_deg + (0.0 if drive.outbound else 180.0)
    head = drive.wind[0] * math.cos(math.radians(drive.wind[1] - toward))
    still = meeting.drive_it(replace(drive, wind=(0.0, drive.wind[1]))).truth.trap_mps
    gave = meeting.drive_it(drive).truth.trap_mps - still
    air = told[number]
    assert air.head_wind_mps.low <= head <= air.head_wind_mps.high
    assert air.wind_gave_mps.low <= gave <= air.wind_gave_mps.high, (gave, air.wind_gave_mps)


def test_a_wind_meter_overhead_reads_more() -> None:
    """By hand: ln(0.15 / 0.006) / ln(2 / 0.006) is 0.5541, and 4 over that 7.2, to half a metre a second 7."""
    assert meeting.wind_reading_mps(replace(DRIVES[8], wind=(4.0, 265.0))) == 7.0
    assert meeting.wind_reading_mps(replace(DRIVES[8], wind=(0.0, 265.0))) == 0.0


def test_nearly_every_interval_holds_the_truth(told) -> None:
    """Ten honest intervals of 95 % miss at most two in 98.8 % of all days (binomial), more would be a fault."""
    folder = sample_folder()
    true = {item["number"]: item for item in json.loads((folder / "truth.json").read_text("utf-8"))["passes"]}
    missed = []
    for item in review_session(load_session(folder / "session.toml")).reviews:
        trap = item.drives[0].trap
        assert trap is not None and trap.interval95_mps is not None
        low, high = trap.interval95_mps
        if not low <= true[item.entry.number]["trap_mps"] <= high:
            missed.append(item.entry.number)
    assert len(missed) <= 2, missed
