"""Runs of wrong speeds and wrong places: both sides of each threshold, and what must never be blamed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.faults import find_faults
from speedlog.faults.lagging import undelayed
from speedlog.faults.signals import distance
from speedlog.settings import FaultSettings
from tests.faults.invented import EAST_M, NORTH_M, Drive, changed, log, without

RISING = Drive(top=96.0, pull=8.0, brake=12.0)
SETTINGS = FaultSettings()
LONGEST = SETTINGS.outlier_longest
TURN = np.radians(75.0)


def spoilt(
    rate_hz: float, rows: int, off_mps: float, *, positions: bool = True, at_s: float = 9.0, **more: float
):
    """A log with `rows` speeds wrong by `off_mps`, and the first of them."""
    track = log(RISING, rate_hz=rate_hz, **more)
    speed = track.samples["speed_mps"].to_numpy().copy()
    first = int(np.searchsorted(track.time_s, at_s - 1e-6))
    speed[first : first + rows] += off_mps
    columns = {"speed_mps": speed}
    if not positions:
        columns["lat_deg"] = np.full(len(speed), np.nan)
    return changed(track, **columns), first


def moved(track, along_m: np.ndarray):
    """The log with its positions further along the line."""
    lat = track.samples["lat_deg"].to_numpy() + along_m * np.cos(TURN) / NORTH_M
    lon = track.samples["lon_deg"].to_numpy() + along_m * np.sin(TURN) / EAST_M
    return changed(track, lat_deg=lat, lon_deg=lon)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("off_mps", [-12.0, 3.0, 12.0])
@pytest.mark.parametrize("rows", [2, 5, LONGEST])
def test_a_run_is_found_from_edge_to_edge(rate_hz, off_mps, rows):
    track, first = spoilt(rate_hz, rows, off_mps)
    (span,) = find_faults(track)
    assert (span.kind, span.concerns) == ("outlier", "speed")
    assert (span.start_s, span.end_s) == pytest.approx((track.time_s[first], track.time_s[first + rows - 1]))


def test_a_run_longer_than_the_longest_is_left_to_the_estimate():
    assert find_faults(spoilt(25.0, LONGEST + 1, 3.0)[0]) == ()


@pytest.mark.parametrize(("rows", "count"), [(4, 1), (5, 0)])
def test_in_a_slow_log_a_run_is_no_good_part_of_the_pass(rows, count):
    # at 10 Hz four rows are 0.4 s, as if a slow log's limit were that
    short = replace(SETTINGS, outlier_longest_s=0.4)
    assert len(find_faults(spoilt(10.0, rows, 12.0)[0], short)) == count


@pytest.mark.parametrize("rows", [1, 3, 5])
def test_the_least_error(rows):
    # noise 0.05 m/s: 0.6 m/s counts (12 sd); well below it nothing does
    assert find_faults(spoilt(25.0, rows, 0.4)[0]) == ()
    assert [span.kind for span in find_faults(spoilt(25.0, rows, 1.0)[0])] == ["outlier"]


@pytest.mark.parametrize("rows", [1, 3, 5])
def test_the_least_error_in_noise(rows):
    """5 sd of 0.15 m/s noise are 0.75 m/s; the issue asks for 8 sd, 1.2 m/s: here at 5 Hz, beside places."""
    found = [find_faults(spoilt(5.0, rows, 1.3, speed_noise=0.15, seed=seed)[0]) for seed in range(10)]
    assert sum([span.kind for span in spans] == ["outlier"] for spans in found) >= 9
    assert not any(find_faults(spoilt(5.0, rows, 0.4, speed_noise=0.15, seed=seed)[0]) for seed in range(10))


def test_without_positions_a_run_needs_sharper_edges():
    """At the lift (8 m/s² to -12 m/s²) 5 Hz readings of a true peak lie up to 1 m/s off any chord."""
    peak_s = RISING.times()[1]
    track, _ = spoilt(5.0, 2, 1.0, positions=False, at_s=peak_s - 0.2, speed_noise=0.1)
    assert find_faults(track) == ()
    (span,) = find_faults(spoilt(5.0, 2, 12.0, positions=False, at_s=peak_s - 0.2)[0])
    assert span.kind == "outlier"


@pytest.mark.parametrize("rate_hz", [10.0, 25.0])
@pytest.mark.parametrize("size_mps", [-2.0, 2.0])
def test_a_burst_that_positions_show_too_is_true(rate_hz, size_mps):
    """The car gains 2 m/s within 0.12 s and loses it again within 0.12 s (17 m/s² each way): wheelspin, a bump."""
    track = log(RISING, rate_hz=rate_hz)
    at = np.array([0.0, 9.0, 9.12, 9.2, 9.32, 99.0])
    gain = np.interp(track.time_s, at, size_mps * np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0]))
    fine = np.linspace(0.0, track.time_s[-1], 20 * len(track.time_s))
    extra = np.interp(fine, at, size_mps * np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0]))
    way = np.interp(track.time_s, fine, np.concatenate([[0.0], np.cumsum(extra[1:] * np.diff(fine))]))
    speed = track.samples["speed_mps"].to_numpy() + gain
    assert find_faults(moved(changed(track, speed_mps=speed), way)) == ()


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("rows", [1, 3, 5])
@pytest.mark.parametrize("off_m", [-3.0, 20.0])
def test_places_alone(rate_hz, rows, off_m):
    track = log(RISING, rate_hz=rate_hz)
    first = int(np.searchsorted(track.time_s, 9.0 - 1e-6))
    by = np.zeros(len(track.time_s))
    by[first : first + rows] = off_m
    (span,) = find_faults(moved(track, by))
    assert (span.kind, span.concerns) == ("outlier", "position")
    assert (span.start_s, span.end_s) == pytest.approx((track.time_s[first], track.time_s[first + rows - 1]))


def test_the_least_error_of_a_place():
    track = log(RISING)
    by = np.where(np.arange(len(track.time_s)) == 225, 1.0, 0.0)
    assert find_faults(moved(track, 0.7 * by)) == ()
    assert [span.concerns for span in find_faults(moved(track, 2.0 * by))] == ["position"]


def test_speed_and_place_wrong_together():
    track, first = spoilt(25.0, 3, 6.0)
    by = np.zeros(len(track.time_s))
    by[first : first + 3] = 8.0
    (span,) = find_faults(moved(track, by))
    assert span.concerns == "both"
    assert "6." in span.detail and "m off the path" in span.detail


@pytest.mark.parametrize("off_m", [0.5, 3.0, 15.0])
def test_a_place_that_jumps_and_stays_is_no_outlier(off_m):
    track = log(RISING)
    assert find_faults(moved(track, np.where(track.time_s > 9.0, off_m, 0.0))) == ()


@pytest.mark.parametrize("apart", [1, 3, 6])
def test_two_runs_near_each_other_keep_the_sound_rows_between(apart):
    track, first = spoilt(25.0, 3, 9.0)
    speed = track.samples["speed_mps"].to_numpy().copy()
    speed[first + 3 + apart : first + 5 + apart] -= 4.0
    one, two = find_faults(changed(track, speed_mps=speed))
    assert (one.start_s, one.end_s) == pytest.approx((track.time_s[first], track.time_s[first + 2]))
    assert two.start_s == pytest.approx(track.time_s[first + 3 + apart])
    assert two.end_s == pytest.approx(track.time_s[first + 4 + apart])


@pytest.mark.parametrize(("left", "count"), [(1, 0), (2, 1)])
def test_a_run_needs_rows_after_it(left, count):
    track, first = spoilt(10.0, 3, 9.0)
    gone = np.arange(len(track.time_s)) >= first + 3 + left
    assert len(find_faults(without(track, gone))) == count


def test_a_flat_top_that_ends_in_an_outlier_is_no_stuck_receiver():
    track = log(RISING, limit_mps=80.0)
    speed = track.samples["speed_mps"].to_numpy().copy()
    last = int(np.flatnonzero(speed == speed.max())[-1])
    speed[last + 1 : last + 3] += 15.0
    found = find_faults(changed(track, speed_mps=speed))
    assert [span.kind for span in found] == ["ceiling", "outlier"]


def test_a_run_that_begins_with_a_jump_is_wrong_and_not_stuck():
    # three times the very same reading, 6 m/s above the rest: no receiver holds a value it never had
    track, first = spoilt(25.0, 3, 0.0)
    speed = track.samples["speed_mps"].to_numpy().copy()
    speed[first : first + 3] = speed[first] + 6.0
    assert [span.kind for span in find_faults(changed(track, speed_mps=speed))] == ["outlier"]
    speed[first : first + 8] = track.samples["speed_mps"].to_numpy()[first]
    assert [span.kind for span in find_faults(changed(track, speed_mps=speed))] == ["frozen"]


@pytest.mark.parametrize("delay_s", [0.1, 0.5])
def test_a_late_speed_is_no_fault(delay_s):
    """A speed that comes 0.1 to 0.5 s after its own positions differs from them by up to 6 m/s all along."""
    track = log(RISING)
    late = log(RISING, delay_s=delay_s).samples["speed_mps"].to_numpy()
    lagging = changed(track, speed_mps=late)
    assert find_faults(lagging) == ()
    place, rows = undelayed(lagging, lagging.along_m, SETTINGS)
    # 0.1 s at 25 Hz is 2.5 rows; the wander of 1 m in 80 m/s makes 0.0125 s, a third of a row, more or less
    assert 400 - rows[400] == pytest.approx(25 * delay_s, abs=1.1)
    # the places then follow the distance by speed again, but for their wander of 1 m
    before = np.ptp(lagging.along_m - distance(lagging))
    assert np.nanmax(place - distance(lagging)) - np.nanmin(place - distance(lagging)) < 0.7 * before


def test_a_late_speed_and_a_bad_place():
    """The bad place is told where it stands in the log, not where it is compared."""
    track = log(RISING)
    late = changed(track, speed_mps=log(RISING, delay_s=0.4).samples["speed_mps"].to_numpy())
    (span,) = find_faults(moved(late, np.where(np.arange(len(track.time_s)) == 225, 9.0, 0.0)))
    assert (span.kind, span.concerns) == ("outlier", "position")
    assert span.start_s == span.end_s == pytest.approx(9.0)


def test_a_lag_below_the_least_or_told_by_too_few_rows_is_left_alone():
    track = log(RISING)
    place, rows = undelayed(track, track.along_m, SETTINGS)
    assert place is track.along_m and np.array_equal(rows, np.arange(len(rows)))
    late = changed(track, speed_mps=log(RISING, delay_s=0.2).samples["speed_mps"].to_numpy())
    assert undelayed(late, late.along_m, SETTINGS)[0] is not late.along_m
    few = replace(SETTINGS, outlier_lag_rows=len(track.time_s) + 1)
    assert undelayed(late, late.along_m, few)[0] is late.along_m


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    rate_hz=st.sampled_from([1.0, 2.0, 5.0, 10.0, 25.0]),
    pull=st.floats(3.0, 14.0),
    brake=st.floats(4.0, 18.0),
    top=st.floats(40.0, 110.0),
    speed_noise=st.floats(0.03, 0.15),
    place_noise=st.floats(0.02, 0.1),
    step_kn=st.sampled_from([0.001, 0.01, 0.1]),
)
def test_a_clean_pass_is_never_blamed(seed, rate_hz, pull, brake, top, speed_noise, place_noise, step_kn):
    drive = Drive(pull=pull, brake=brake, top=top)
    track = log(
        drive, seed=seed, rate_hz=rate_hz, speed_noise=speed_noise, place_noise=place_noise, step_kn=step_kn
    )
    assert not [span for span in find_faults(track) if span.kind == "outlier"]


@pytest.mark.parametrize(("hole_s", "found"), [(4.0, 1), (6.0, 0)])
def test_rows_beyond_a_long_hole_are_no_neighbours(hole_s, found):
    """Two wrong readings stand alone between two holes: beside shorter ones they are still told by the rest."""
    track, first = spoilt(10.0, 2, 25.0)
    late = np.where(np.arange(len(track.time_s)) >= first, hole_s - 0.1, 0.0)
    late += np.where(np.arange(len(track.time_s)) >= first + 2, hole_s - 0.1, 0.0)
    holed = replace(track, time_s=track.time_s + late)
    # places as far on as the speed takes them over the holes
    along = np.interp(holed.time_s, holed.time_s, holed.along_m) + late * RISING.speed(np.array([9.0]))[0]
    kinds = [span.kind for span in find_faults(replace(holed, along_m=along))]
    assert kinds.count("outlier") == found


@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_values_are_borne(data):
    """Whatever a log holds, the search ends, and says nothing of rows that hold nothing."""
    count = data.draw(st.integers(0, 60))
    rng = np.random.default_rng(data.draw(st.integers(0, 1000)))
    track = log(RISING, rate_hz=10.0)
    keep = np.sort(rng.choice(len(track.time_s), size=min(count + 3, len(track.time_s)), replace=False))
    speed = track.samples["speed_mps"].to_numpy().copy()
    wild = rng.random(len(speed))
    speed = np.where(wild < 0.3, rng.uniform(0, 250, len(speed)), np.where(wild < 0.4, np.nan, speed))
    mixed = changed(track, speed_mps=speed)
    part = replace(
        mixed, time_s=mixed.time_s[keep], samples=mixed.samples.iloc[keep], along_m=mixed.along_m[keep],
        across_m=mixed.across_m[keep],
    )  # fmt: skip
    for span in find_faults(part):
        assert span.start_s in part.time_s and span.end_s in part.time_s and span.detail
