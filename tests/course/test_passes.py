"""Passes in invented days: the truth is by hand (constant pull from corner to corner)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line, along_across
from speedlog.course.passes import PassSpan, find_passes
from speedlog.course.track import make_track
from speedlog.samples import Clock, Recording, empty_samples
from speedlog.settings import PassSettings
from tests.course.days import COURSE, LINE, START, Day, kept, points, record, recording

SHARED = Path(__file__).parents[2].parent / "shared"


def at(moment: pd.Timestamp | None) -> float:
    assert moment is not None
    return (moment - START).total_seconds()


def usual() -> Day:
    """20 s standing, 8 m/s² to 95 m/s (564 m in 11.9 s), brakes, 30 s, back at 8 m/s, 20 s standing."""
    day = Day().stand(20).go(95).stand(30)
    back = day.place()
    return day.to(-8, 3).to(-8, back / 8 - 3).to(0, 3).stand(20)


# by hand: 520 m at 4 t² = 520, t = 11.4018 s; 550 m at t = 11.7260 s; stands again 9.5 s after the top
ENTRY_S, EXIT_S, STOP_S = 20 + 11.4018, 20 + 11.7260, 20 + 11.875 + 9.5


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 25.0])
@pytest.mark.parametrize("speed", [True, False])
def test_one_pass_and_a_return_drive(rate_hz, speed):
    (found,) = find_passes(record(usual(), rate_hz=rate_hz, speed=speed), COURSE)
    assert found.outbound is True
    assert found.heading_deg == pytest.approx(75.0, abs=0.05)
    assert at(found.trap_entry) == pytest.approx(ENTRY_S, abs=0.02)
    assert at(found.trap_exit) == pytest.approx(EXIT_S, abs=0.02)
    # a second of standing on both sides, found to an epoch or two
    assert at(found.start) == pytest.approx(19.0, abs=0.3 + 1.5 / rate_hz)
    assert at(found.end) == pytest.approx(STOP_S + 1.0, abs=0.3 + 1.5 / rate_hz)
    assert at(found.run_up_start) == pytest.approx(20.0, abs=0.3 + 1.5 / rate_hz)


def test_without_a_course_a_pass_has_its_own_line():
    (found,) = find_passes(record(usual(), rate_hz=25.0))
    assert found.outbound is None and found.trap_entry is None and found.trap_exit is None
    # sd of the fitted heading of about 400 places, 5 cm each, over 1000 m: 0.0005 degrees
    assert found.line.heading_deg == pytest.approx(75.0, abs=0.005)
    along, across = along_across(LINE, found.line.lat_deg, found.line.lon_deg)
    assert (along[0], across[0]) == pytest.approx((0.0, 0.0), abs=0.1)  # the launch point
    assert found.peak_mps == pytest.approx(95.0, abs=4.0)


def two_in_a_minute() -> Day:
    return Day().stand(5).go(70, pull=7, hold=3).stand(8).go(-70, pull=7, hold=3).stand(5)


def test_two_passes_in_a_minute_a_car_turned_by_hand():
    day = two_in_a_minute()
    assert day.now() < 60
    out, back = find_passes(record(day), COURSE)
    assert (out.outbound, back.outbound) == (True, False)
    assert out.end < back.start
    assert back.heading_deg == pytest.approx(255.0, abs=0.1)
    assert back.trap_entry is not None and back.trap_exit is not None and back.trap_entry < back.trap_exit
    # on the way back the trap is entered at exit_m: by hand, 805 m - 3.5 t² = 550 m after t = 8.536 s
    # from standing at 33 s
    assert at(back.trap_entry) == pytest.approx(33.0 + 8.536, abs=0.02)
    assert [item.heading_deg for item in find_passes(record(day))] == pytest.approx([75.0, 255.0], abs=0.1)


def test_a_car_turned_on_the_move_makes_two_passes_that_do_not_overlap():
    day = (
        Day()
        .stand(5)
        .to(80, 10)
        .to(80, 4)
        .to(4, 8)
        .to(-4, 2)
        .to(-80, 10)
        .to(-80, 4)
        .to(-4, 8)
        .to(0, 2)
        .stand(5)
    )
    out, back = find_passes(record(day), COURSE)
    assert (out.outbound, back.outbound) == (True, False) and out.end <= back.start
    assert len(find_passes(record(day))) == 2


def test_a_slow_return_that_begins_at_once_is_no_part_of_the_pass():
    day = Day().stand(5).to(80, 10).to(80, 4).to(3, 8).to(-10, 3).to(-10, 110).to(0, 2).stand(5)
    for course in (COURSE, None):
        (found,) = find_passes(record(day), course)
        assert at(found.end) < 32.0  # slow from 25 s on, turned at 27.7 s, driving back for two minutes


def test_hours_of_standing():
    day = Day().stand(7200).go(95).stand(7200)
    (found,) = find_passes(record(day, rate_hz=1.0, speed=False, noise=0.0), COURSE)
    assert at(found.start) >= 7198 and at(found.end) <= 7200 + 24


@pytest.mark.parametrize(("begin", "end", "entered", "left"), [
    (ENTRY_S + 0.1, None, False, True),
    (0.0, ENTRY_S + 0.2, True, False),
    (25.0, None, True, True),
    (0.0, 33.0, True, True),
    (ENTRY_S + 0.05, ENTRY_S + 0.25, False, False),
])  # fmt: skip
def test_a_log_that_starts_or_ends_while_moving_even_inside_the_trap(begin, end, entered, left):
    log = record(usual(), rate_hz=25.0, begin=begin, end=end)
    (found,) = find_passes(log, COURSE)
    assert (found.trap_entry is not None, found.trap_exit is not None) == (entered, left)
    assert found.start >= log.samples.index[0] and found.end <= log.samples.index[-1]


def test_a_log_that_ends_before_the_trap_has_no_pass():
    assert find_passes(record(usual(), rate_hz=25.0, end=ENTRY_S - 0.1), COURSE) == ()


def over_the_trap(log: Recording, hole_s: float) -> np.ndarray:
    time = (log.samples.index - START).total_seconds().to_numpy()
    return np.abs(time - 0.5 * (ENTRY_S + EXIT_S)) < hole_s / 2


@pytest.mark.parametrize("hole_s", [0.5, 2.0, 4.0])
@pytest.mark.parametrize("what", ["rows", "positions", "speeds", "frozen", "zero", "wild", "no fix"])
def test_whatever_is_wrong_just_over_the_trap(hole_s, what):
    log = record(usual(), rate_hz=10.0)
    bad = over_the_trap(log, hole_s)
    samples = log.samples.copy()
    last = int(np.flatnonzero(bad)[0]) - 1
    if what == "rows":
        samples = samples[~bad]
    elif what == "positions":
        samples.loc[bad, ["lat_deg", "lon_deg"]] = np.nan
    elif what == "speeds":
        samples.loc[bad, "speed_mps"] = np.nan
    elif what == "frozen":
        for name in ("lat_deg", "lon_deg", "speed_mps"):
            samples.loc[bad, name] = samples[name].iloc[last]
    elif what == "zero":
        samples.loc[bad, "speed_mps"] = 0.0
    elif what == "wild":
        rows = np.flatnonzero(bad)[::3]
        samples.iloc[rows, samples.columns.get_loc("lat_deg")] += 0.01
    else:
        samples.loc[bad, "fix"] = "none"
        samples.loc[bad, "speed_mps"] = 0.0
    (found,) = find_passes(recording(samples), COURSE)
    assert at(found.trap_entry) == pytest.approx(ENTRY_S, abs=0.1)
    assert at(found.start) == pytest.approx(19.0, abs=0.5)
    assert at(found.end) == pytest.approx(STOP_S + 1.0, abs=0.5)


def test_wild_positions_while_standing_invent_no_pass():
    log = record(Day().stand(300).go(95).stand(300), rate_hz=5.0)
    rng = np.random.default_rng(3)
    for speed in (True, False):
        samples = log.samples.copy()
        rows = rng.choice(len(samples), 80, replace=False)
        lat, lon = points(LINE, rng.uniform(0, 1000, 80), rng.normal(0, 5, 80))
        samples.iloc[rows, 0], samples.iloc[rows, 1] = lat, lon
        if not speed:
            samples["speed_mps"] = np.nan
        assert len(find_passes(recording(samples), COURSE)) == 1


def crossing_at(mps: float, fast: float) -> int:
    """How many passes a day has, with one at `fast` m/s and a drive back over the trap at `mps`."""
    day = Day().stand(5).go(fast, hold=800 / fast).stand(10)
    back = day.place()
    day.to(-mps, 2).to(-mps, back / mps - 2).to(0, 2).stand(5)
    return len(find_passes(record(day, rate_hz=5.0), COURSE))


def test_at_speed_on_both_sides_of_each_threshold():
    settings = PassSettings()
    assert crossing_at(settings.crossing_surely_mps - 0.5, 90.0) == 1
    assert crossing_at(settings.crossing_surely_mps + 0.5, 90.0) == 2
    slow_day = 18.0  # where the share decides: 9.9 m/s
    assert crossing_at(settings.crossing_share * slow_day - 0.3, slow_day) == 1
    assert crossing_at(settings.crossing_share * slow_day + 0.3, slow_day) == 2


@pytest.mark.parametrize(("mps", "count"), [(4.7, 0), (5.3, 1)])
def test_the_floor_of_a_crossing(mps, count):
    day = Day().stand(5).to(mps, 2).to(mps, 150).to(0, 2).stand(5)
    assert len(find_passes(record(day, rate_hz=5.0), COURSE)) == count


@pytest.mark.parametrize(("peak", "count"), [(11.6, 0), (12.4, 1)])
def test_the_floor_of_a_peak_without_a_course(peak, count):
    day = Day().stand(5).to(peak, 4).to(peak, 20).to(0, 4).stand(5)
    assert len(find_passes(record(day, rate_hz=5.0))) == count


def test_another_road_is_not_the_runway():
    day = Day().stand(5).to(30, 10).to(30, 20).to(0, 5).stand(5)
    assert len(find_passes(record(day, across=90.0), COURSE)) == 1
    assert find_passes(record(day, across=110.0), COURSE) == ()


def test_a_clock_that_stepped_in_the_trap():
    log = record(usual(), rate_hz=10.0)
    cut = int(np.searchsorted(log.samples.index, START + pd.Timedelta(ENTRY_S + 0.1, "s")))
    late = log.samples.iloc[cut:].copy()
    late.index = late.index - pd.Timedelta(7, "s")
    (found,) = find_passes(recording(log.samples.iloc[:cut], late), COURSE)
    # the longer part, after the step, keeps its clock
    assert at(found.trap_exit) == pytest.approx(EXIT_S - 7.0, abs=0.02)
    assert at(found.trap_entry) == pytest.approx(ENTRY_S - 7.0, abs=0.02)


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_next_to_nothing(rows):
    samples = empty_samples(pd.date_range(START, periods=rows, freq="s", unit="ns"))
    assert find_passes(recording(samples), COURSE) == ()
    samples["lat_deg"], samples["lon_deg"] = 53.1, -1.2
    assert find_passes(recording(samples)) == ()


def test_a_hole_too_long_to_bridge_is_two_drives():
    log = record(Day().stand(5).go(80, hold=1).stand(60).go(-80, hold=1).stand(5), rate_hz=5.0)
    time = (log.samples.index - START).total_seconds().to_numpy()
    passes = find_passes(kept(log, (time < 17) | (time > 90)), COURSE)
    assert [item.outbound for item in passes] == [True, False]
    assert passes[0].end <= START + pd.Timedelta(17, "s")


def road(rows: np.ndarray | None = None) -> Recording:
    """The real drive (../shared/real/drive): 8 to 20 m/s, moving from the first row to the last."""
    path = SHARED / "real" / "drive" / "gnss.csv"
    if not path.exists():
        pytest.skip("shared/ is not beside this checkout")
    table = pd.read_csv(path)
    samples = empty_samples(pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0])).as_unit("ns"))
    for name, column in (("lat_deg", 1), ("lon_deg", 2), ("speed_mps", 4)):
        samples[name] = table.iloc[:, column].to_numpy()
    return Recording(
        "gnss.csv", "0" * 64, "delimited", Clock.UTC, (samples if rows is None else samples[rows],)
    )


@pytest.mark.real
def test_real_drive_has_one_pass_over_traps_anywhere_along_the_road():
    rng = np.random.default_rng(7)
    line = Line(37.7209977, -122.4723050, 2.4509)  # as in ../shared/real/check_drive.py
    for _ in range(25):
        length = rng.uniform(12, 30)
        entry = rng.uniform(60, 1009 - 90 - length)
        course = Course("road", line, entry, entry + length)
        whole = find_passes(road(), course)
        assert len(whole) == 1
        middle = _middle(whole[0])
        time = road().samples.index
        gap = pd.Timedelta(rng.uniform(0.5, 2.0), "s")
        cut = find_passes(road(np.abs(time - middle) > gap / 2), course)
        assert len(cut) == 1
        assert abs((_middle(cut[0]) - middle).total_seconds()) < 0.1
    assert len(find_passes(road())) == 1


def _middle(found: PassSpan) -> pd.Timestamp:
    assert found.trap_entry is not None and found.trap_exit is not None
    return found.trap_entry + (found.trap_exit - found.trap_entry) / 2


@pytest.mark.real
def test_real_drive_on_its_own_line_is_straight():
    (found,) = find_passes(road())
    track = make_track(road(), found)
    assert track is not None
    # its README: straight within 0.4 m over 1009 m at a true bearing of 2.45 degrees
    assert found.heading_deg == pytest.approx(2.45, abs=0.05)
    assert np.nanmax(np.abs(track.across_m)) < 0.8
    assert track.along_m[-1] == pytest.approx(1009.0, abs=1.0)
