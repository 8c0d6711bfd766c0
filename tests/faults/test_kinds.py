"""Each kind of fault, and both sides of each threshold, on invented passes."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from speedlog.course.clock import ClockStep
from speedlog.faults import (
    KINDS,
    ceiling,
    clock_jump,
    dead_reckoned,
    find_faults,
    gap,
    no_fix,
    outlier,
    poor_fix,
)
from speedlog.faults.spans import Span
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings
from tests.faults.invented import KNOT, NORTH_M, Drive, changed, log, track_of, without

SETTINGS = FaultSettings()
RISING = Drive(top=96.0, pull=8.0, brake=12.0)  # 12 s up from 1 s on


def at(track, time_s: float) -> int:
    return int(np.searchsorted(track.time_s, time_s - 1e-6))


def rows(track, begin: float, end: float) -> np.ndarray:
    return (track.time_s > begin - 1e-6) & (track.time_s < end - 1e-6)


def values(track, name: str) -> np.ndarray:
    return track.samples[name].to_numpy(dtype=float).copy()


def kinds(track) -> set[str]:
    return {span.kind for span in find_faults(track)}


def test_the_one_list_holds_every_kind_once():
    assert sorted(module.KIND for module in KINDS) == sorted(FaultKind.__args__)


def test_every_kind_is_told_in_words():
    track = log(RISING)
    for span in find_faults(without(track, rows(track, 6.0, 6.5))):
        assert span.detail and "\n" not in span.detail


# gap -------------------------------------------------------------------------------------------


def test_gap_says_how_long_and_how_far():
    track = log(RISING)
    (span,) = gap.find(without(track, rows(track, 9.02, 9.46)), SETTINGS)
    # epochs at 9.00 and 9.48 s; by hand 4 (8.48² - 8²) = 31.6 m at 8 m/s²
    assert (span.start_s, span.end_s) == pytest.approx((9.0, 9.48))
    assert span.detail == "no epochs for 0.48 s while the car covered about 32 m"


@pytest.mark.parametrize(("share", "count"), [(1.45, 0), (1.6, 1)])
def test_gap_on_both_sides_of_its_threshold(share, count):
    track = log(RISING)
    time = track.time_s.copy()
    time[at(track, 9.0) :] += (share - 1.0) * 0.04
    assert len(gap.find(replace(track, time_s=time), SETTINGS)) == count


def test_no_gap_while_standing():
    track = log(replace(RISING, stand_s=5.0))
    assert gap.find(without(track, rows(track, 1.0, 4.0)), SETTINGS) == []


def test_a_log_that_slows_down_is_one_gap():
    track = log(RISING)
    third = np.arange(len(track.time_s)) % 3 != 0
    (span,) = gap.find(without(track, rows(track, 8.0, 11.0) & third), SETTINGS)
    assert "epochs only every 0.12 s instead of 0.04 s" in span.detail


def test_declared_break():
    track = log(RISING)
    (span,) = gap.find(replace(track, breaks_s=(float(track.time_s[at(track, 9.0)]),)), SETTINGS)
    assert span.detail.endswith("the log itself says that reception was lost")


# no_fix, dead_reckoned, poor_fix -----------------------------------------------------------------


def fixes(track, bad: np.ndarray, word: str) -> np.ndarray:
    return np.where(bad, word, "3d").astype(object)


def test_no_fix_marked_invalid():
    track = log(RISING)
    bad = rows(track, 9.0, 9.4)
    (span,) = no_fix.find(changed(track, fix=fixes(track, bad, "none")), SETTINGS)
    assert (span.start_s, span.end_s) == pytest.approx((9.0, 9.36))
    # from 8.96 to 9.40 s: by hand 4 (8.40² - 7.96²) = 28.8 m
    assert span.detail == (
        "no fix for 0.44 s (10 epochs marked invalid by the receiver) while the car covered about 29 m"
    )


def test_no_fix_where_positions_are_missing():
    track = log(RISING)
    lat = values(track, "lat_deg")
    lat[rows(track, 9.0, 9.04)] = np.nan
    (span,) = no_fix.find(changed(track, lat_deg=lat), SETTINGS)
    assert "(1 epoch without a position)" in span.detail


def test_a_log_of_speeds_alone_has_a_fix():
    track = log(RISING)
    track = changed(track, lat_deg=np.full(len(track.time_s), np.nan))
    assert no_fix.find(track, SETTINGS) == []


def test_dead_reckoned():
    track = log(RISING)
    track = changed(track, fix=fixes(track, rows(track, 9.0, 9.2), "dead_reckoned"))
    (span,) = dead_reckoned.find(track, SETTINGS)
    assert (span.start_s, span.end_s) == pytest.approx((9.0, 9.16))
    assert kinds(track) == {"dead_reckoned"}


@pytest.mark.parametrize(
    ("name", "usual", "value", "count"),
    [
        ("hdop", 1.5, SETTINGS.hdop_poor - 0.1, 0),
        ("hdop", 1.5, SETTINGS.hdop_poor + 0.1, 1),
        ("hdop", 0.6, SETTINGS.hdop_rise_from - 0.1, 0),
        ("hdop", 0.6, SETTINGS.hdop_rise_from + 0.1, 1),
        ("hdop", 1.0, SETTINGS.hdop_rise * 1.0 - 0.1, 0),
        ("hdop", 1.0, SETTINGS.hdop_rise * 1.0 + 0.1, 1),
        ("satellites", 8, 5, 0),
        ("satellites", 8, 4, 1),
        ("satellites", 14, 8, 0),
        ("satellites", 14, 7, 1),
        ("satellites", 20, 8, 0),  # eight are plenty
        ("cn0_dbhz", 45, 45 - SETTINGS.cn0_drop_db + 0.5, 0),
        ("cn0_dbhz", 45, 45 - SETTINGS.cn0_drop_db - 0.5, 1),
        ("cn0_dbhz", 32, SETTINGS.cn0_poor_dbhz + 0.5, 0),
        ("cn0_dbhz", 32, SETTINGS.cn0_poor_dbhz - 0.5, 1),
    ],
)
def test_poor_fix_on_both_sides_of_each_threshold(name, usual, value, count):
    track = log(RISING)
    series = np.where(rows(track, 9.0, 9.4), value, usual).astype(float)
    assert len(poor_fix.find(changed(track, **{name: series}), SETTINGS)) == count


def test_poor_fix_tells_what_is_poor():
    track = log(RISING)
    bad = rows(track, 9.0, 9.4)
    track = changed(track, hdop=np.where(bad, 6.2, 0.8), satellites=np.where(bad, 4.0, 14.0))
    (span,) = poor_fix.find(track, SETTINGS)
    assert span.detail == "poor fix for 0.40 s: HDOP up to 6.2 (usually 0.8), only 4 satellites (usually 14)"


def test_a_2d_fix_is_poor():
    track = log(RISING)
    (span,) = poor_fix.find(changed(track, fix=fixes(track, rows(track, 9.0, 9.4), "2d")), SETTINGS)
    assert "2D" in span.detail


# frozen ----------------------------------------------------------------------------------------


def stuck(track, begin: float, end: float, *names: str):
    bad = rows(track, begin, end)
    before = int(np.flatnonzero(bad)[0]) - 1
    return changed(
        track, **{name: np.where(bad, values(track, name)[before], values(track, name)) for name in names}
    )


def test_a_repeated_epoch():
    track = stuck(log(RISING), 9.0, 9.4, "lat_deg", "lon_deg", "speed_mps")
    (span,) = find_faults(track)
    assert (span.kind, span.concerns) == ("frozen", "both")
    assert (span.start_s, span.end_s) == pytest.approx((9.0, 9.36))
    # repeats from 8.96 to 9.36 s; the car drove on until 9.40 s: about 64 to 66 m/s for 0.44 s
    assert span.detail.startswith("position and speed repeat for 0.40 s while the car covered about 2")


def test_a_repeated_position_alone():
    (span,) = find_faults(stuck(log(RISING), 9.0, 9.04, "lat_deg", "lon_deg"))
    assert (span.kind, span.concerns) == ("frozen", "position")


def test_a_repeated_speed_alone():
    (span,) = find_faults(stuck(log(RISING), 9.0, 9.4, "speed_mps"))
    assert (span.kind, span.concerns) == ("frozen", "speed")


@pytest.mark.parametrize("step_kn", [0.01, 0.1])
def test_a_steady_drive_is_not_frozen(step_kn):
    # 4 s at a steady 60 m/s with so little noise that the text repeats again and again
    track = log(Drive(top=60.0, hold_s=4.0), speed_noise=0.004, step_kn=step_kn)
    assert (np.diff(values(track, "speed_mps")) == 0).sum() > 20
    assert find_faults(track) == ()


def test_creeping_within_the_text_is_not_frozen():
    # 4 m/s at 25 Hz is 16 cm an epoch; positions written to four decimals of a minute step 18.6 x 11.2 cm
    track = log(Drive(top=4.0, pull=2.0, hold_s=5.0, brake=2.0), place_noise=0.0)
    minute = 1e-4 / 60
    coarse = {name: np.round(values(track, name) / minute) * minute for name in ("lat_deg", "lon_deg")}
    track = changed(track, **coarse)
    same = (np.diff(values(track, "lat_deg")) == 0) & (np.diff(values(track, "lon_deg")) == 0)
    assert same.sum() > 5
    assert find_faults(track) == ()


# ceiling ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("limit", [65.535, 70.0, 255 / 3.6, 99.9 * KNOT])
@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
def test_flat_top(limit, rate_hz):
    track = log(RISING, limit_mps=limit, rate_hz=rate_hz)
    (span,) = find_faults(track)
    assert (span.kind, span.concerns) == ("ceiling", "speed")
    # by hand: reached at 8 m/s² after limit / 8 s, left (96 - limit) / 12 s after the top at 13 s
    assert span.start_s == pytest.approx(1.0 + limit / 8.0, abs=1.5 / rate_hz)
    assert span.end_s == pytest.approx(13.0 + (96.0 - limit) / 12.0, abs=1.5 / rate_hz)


def test_flat_top_names_a_known_limit():
    (span,) = find_faults(log(RISING, limit_mps=65.535))
    assert "146.6 mph (65.535 m/s, the most that a 16-bit number" in span.detail
    (span,) = find_faults(log(RISING, limit_mps=71.3))
    assert "bit" not in span.detail and "(256.7 km/h)" in span.detail


def test_flat_top_without_positions():
    track = log(RISING, limit_mps=80.0)
    track = replace(track, along_m=track.along_m * np.nan, across_m=track.across_m * np.nan)
    (span,) = ceiling.find(track, SETTINGS)
    assert "gaining 8 m/s²" in span.detail or "gaining 7 m/s²" in span.detail  # 8 ± 0.6 from a quarter second


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 25.0])
@pytest.mark.parametrize(("noise", "step_kn"), [(0.03, 0.1), (0.03, 0.01), (0.15, 0.1), (0.15, 0.01)])
def test_a_real_top_speed_is_no_ceiling(rate_hz, noise, step_kn):
    for seed in range(5):
        track = log(
            Drive(top=84.0, hold_s=3.0), rate_hz=rate_hz, speed_noise=noise, step_kn=step_kn, seed=seed
        )
        assert find_faults(track) == ()


def test_a_real_top_speed_in_coarse_text_is_no_ceiling():
    # whole km/h, a steady top speed: flat in the text, but positions say the same speed
    track = log(Drive(top=84.2, hold_s=3.0), step_kn=1 / 3.6 / KNOT)
    top = values(track, "speed_mps").max()
    assert (values(track, "speed_mps") == top).sum() > 50
    assert find_faults(track) == ()


@pytest.mark.parametrize(("above", "found"), [(0.2, False), (3.0, True)])
def test_flat_top_on_both_sides_of_what_is_hidden(above, found):
    track = log(RISING, limit_mps=96.0 - above)
    assert ("ceiling" in kinds(track)) is found


# outlier ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
@pytest.mark.parametrize(
    ("off", "count"), [(-20.0, 1), (-4.0, 1), (4.0, 1), (40.0, 1), (-20.0, 2), (40.0, 3)]
)
def test_wrong_speeds(rate_hz, off, count):
    track = log(RISING, rate_hz=rate_hz, speed_noise=0.05)
    speed = values(track, "speed_mps")
    first = at(track, 9.0)
    speed[first : first + count] += off
    (span,) = find_faults(changed(track, speed_mps=speed))
    assert (span.kind, span.concerns) == ("outlier", "speed")
    assert (span.start_s, span.end_s) == pytest.approx((track.time_s[first], track.time_s[first + count - 1]))
    assert ("above" if off > 0 else "below") in span.detail


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("north_m", [-30.0, 3.0])
def test_wrong_position(rate_hz, north_m):
    track = log(RISING, rate_hz=rate_hz, heading_deg=75.0)
    lat = values(track, "lat_deg")
    lat[at(track, 9.0)] += north_m / NORTH_M
    (span,) = find_faults(changed(track, lat_deg=lat))
    assert (span.kind, span.concerns) == ("outlier", "position")
    assert "off the path" in span.detail


@pytest.mark.parametrize(("off_mps", "count"), [(0.3, 0), (2.5, 1)])
def test_outlier_on_both_sides_of_its_size(off_mps, count):
    track = log(RISING, speed_noise=0.03)
    speed = values(track, "speed_mps")
    speed[at(track, 9.0)] += off_mps
    assert len(outlier.find(changed(track, speed_mps=speed), SETTINGS)) == count


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 25.0, 50.0])
@pytest.mark.parametrize(("pull", "brake"), [(8.0, 12.0), (14.0, 18.0), (5.0, 30.0)])
def test_a_true_sharp_peak_stays(rate_hz, pull, brake):
    for seed in range(4):
        assert find_faults(log(Drive(pull=pull, brake=brake, top=95.0), rate_hz=rate_hz, seed=seed)) == ()


def test_a_jump_of_the_position_that_stays_is_no_outlier():
    track = log(RISING)
    lat = values(track, "lat_deg")
    lat[at(track, 9.0) :] += 2.0 / NORTH_M
    assert find_faults(changed(track, lat_deg=lat)) == ()


# clock_jump ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("step_s", "words"),
    [(-3.25, "back by 3.25 s"), (3600.0, "forward by 60.0 min"), (-86400.0, "back by 24.0 h")],
)
def test_clock_jump(step_s, words):
    track = log(RISING)
    here = float(track.time_s[at(track, 9.0)])
    (span,) = clock_jump.find(replace(track, steps=(ClockStep(here, step_s),)), SETTINGS)
    assert (span.start_s, span.end_s) == pytest.approx((9.0, 9.04))
    assert words in span.detail


# all -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_next_to_nothing(count):
    time = np.arange(count) * 0.04
    # 2.0095 m east an epoch; along 75 degrees 1.941 m, 48.5 m/s
    track = track_of(time, np.full(count, 48.5), np.full(count, 53.1), -1.2 + 3e-5 * np.arange(count))
    assert find_faults(track) == ()


def test_nothing_but_missing_values():
    track = log(RISING)
    empty = np.full(len(track.time_s), np.nan)
    assert find_faults(changed(track, speed_mps=empty, lat_deg=empty, lon_deg=empty)) == ()


def test_spans_are_in_order_of_time():
    track = log(RISING)
    track = without(stuck(track, 9.0, 9.4, "lat_deg", "lon_deg", "speed_mps"), rows(track, 4.0, 4.5))
    found = find_faults(track)
    assert [span.kind for span in found] == ["gap", "frozen"]
    assert all(isinstance(span, Span) for span in found)


def test_every_setting_has_a_unit_and_a_reason():
    for item in fields(FaultSettings):
        assert item.metadata["unit"] and item.metadata["reason"]
