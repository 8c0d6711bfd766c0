"""Coverage of the trap by hand, usable epochs, near_trap, and places along the line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from speedlog.faults import Span, coverage, find_faults, near_trap, speed_usable, to_fault, usable
from speedlog.faults.signals import places
from tests.faults.invented import START, Drive, changed, log, without

STEADY = Drive(top=50.0, pull=10.0, hold_s=10.0)  # from 6 s on 50 m/s, 125 m along: 2 m an epoch at 25 Hz


def clean(rate_hz: float = 25.0, **more):
    return log(STEADY, rate_hz=rate_hz, place_noise=0.0, **more)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 25.0])
def test_a_clean_log_covers_all(rate_hz):
    track = clean(rate_hz)
    assert coverage(track, find_faults(track), 380.0, 410.0) == pytest.approx(1.0, abs=1e-12)


def test_a_gap_by_hand():
    track = clean()
    # rows between 390 and 400 m are missing: the last epoch before and the first after bound the loss
    gone = (track.along_m > 390.0) & (track.along_m < 400.0)
    cut = without(track, gone)
    before, after = cut.along_m[cut.along_m <= 390.0].max(), cut.along_m[cut.along_m >= 400.0].min()
    found = find_faults(cut)
    assert [span.kind for span in found] == ["gap"]
    assert coverage(cut, found, 380.0, 410.0) == pytest.approx(1.0 - (after - before) / 30.0, abs=1e-9)


@pytest.mark.parametrize(("share", "covered"), [(1.45, 1.0), (1.6, None)])
def test_one_and_a_half_intervals(share, covered):
    track = clean()
    time = track.time_s.copy()
    row = int(np.argmax(track.along_m > 395.0))
    time[row:] += (share - 1.0) * 0.04
    late = replace(track, time_s=time)
    value = coverage(late, find_faults(late), 380.0, 410.0)
    expected = 1.0 - (track.along_m[row] - track.along_m[row - 1]) / 30.0 if covered is None else covered
    assert value == pytest.approx(expected, abs=1e-9)


def test_one_bad_epoch_costs_the_intervals_on_both_sides():
    track = clean()
    row = int(np.argmax(track.along_m > 395.0))
    fix = np.full(len(track.time_s), "3d", dtype=object)
    fix[row] = "none"
    bad = changed(track, fix=fix)
    lost = track.along_m[row + 1] - track.along_m[row - 1]
    assert coverage(bad, find_faults(bad), 380.0, 410.0) == pytest.approx(1.0 - lost / 30.0, abs=1e-9)


def test_a_flat_topped_reading_covers_but_its_speed_does_not_count():
    track = log(Drive(top=96.0, pull=8.0, brake=12.0), limit_mps=65.535, trap=(500.0, 530.0))
    found = find_faults(track)
    assert [span.kind for span in found] == ["ceiling"]
    assert coverage(track, found, 500.0, 530.0) == pytest.approx(1.0, abs=1e-12)
    assert usable(track, found).all()
    assert (~speed_usable(track, found)).sum() > 50


def test_poor_fix_and_clock_jump_cover():
    track = clean()
    spans = [Span("poor_fix", 0.0, 20.0, ""), Span("clock_jump", 5.0, 5.04, ""), Span("gap", 5.0, 5.04, "")]
    assert usable(track, spans).all()


@pytest.mark.parametrize("kind", ["no_fix", "frozen", "dead_reckoned", "outlier"])
def test_unusable_kinds_take_their_ends_with_them(kind):
    track = clean()
    bad = ~usable(track, [Span(kind, float(track.time_s[10]), float(track.time_s[12]), "")])
    assert np.flatnonzero(bad).tolist() == [10, 11, 12]


def test_a_missing_position_is_carried_by_the_speed():
    track = clean()
    hole = (track.time_s > 8.0) & (track.time_s < 14.0)
    along = np.where(hole, np.nan, track.along_m)
    filled = places(replace(track, along_m=along))
    # steady 50 m/s; the slow wander of the positions (1 m) is all that is lost
    assert np.abs(filled - track.along_m).max() < 1.5
    assert coverage(replace(track, along_m=along), (), 380.0, 410.0) == pytest.approx(1.0, abs=1e-12)


def test_a_return_pass():
    track = clean()
    back = replace(track, along_m=1000.0 - track.along_m, sign=-1)
    gone = (back.along_m > 590.0) & (back.along_m < 600.0)
    cut = without(back, gone)
    low, high = cut.along_m[cut.along_m <= 590.0].max(), cut.along_m[cut.along_m >= 600.0].min()
    assert coverage(cut, find_faults(cut), 590.0, 620.0) == pytest.approx(
        1.0 - (high - max(low, 590.0)) / 30.0, abs=1e-9
    )
    tail = replace(cut, along_m=np.where(cut.time_s > 10.0, np.nan, cut.along_m))
    assert np.abs(places(tail) - cut.along_m).max() < 2.5


def test_nothing_known_covers_nothing():
    track = clean()
    blind = replace(track, along_m=np.full(len(track.time_s), np.nan))
    assert coverage(blind, (), 380.0, 410.0) == 0.0
    assert coverage(track, (), 5000.0, 5030.0) == 0.0


# trap 380 to 410 m: widened by its own length of 30 m (more than 25) to 350 to 440 m
@pytest.mark.parametrize(
    ("trap", "start", "end", "near"),
    [
        ((380.0, 410.0), 300.0, 349.9, False),
        ((380.0, 410.0), 300.0, 350.1, True),
        ((380.0, 410.0), 440.1, 500.0, False),
        ((380.0, 410.0), 439.9, 500.0, True),
        ((380.0, 410.0), 500.0, 439.9, True),  # a return pass: falling
        ((380.0, 410.0), 100.0, 900.0, True),
        ((380.0, 390.0), 415.1, 500.0, False),  # a short trap: 25 m
        ((380.0, 390.0), 414.9, 500.0, True),
        (None, 380.0, 410.0, False),
    ],
)
def test_near_trap(trap, start, end, near):
    assert near_trap(trap, start, end) is near


def test_fault_for_the_result():
    track = clean()
    gone = (track.along_m > 390.0) & (track.along_m < 400.0)
    cut = without(track, gone)
    (span,) = find_faults(cut)
    fault = to_fault(span, cut, pd.Timedelta(2, "s"))
    assert fault.start_utc == START + pd.Timedelta(span.start_s + 2.0, "s").round("us")
    assert fault.start_along_m == pytest.approx(cut.along_m[cut.along_m <= 390.0].max(), abs=1e-9)
    assert fault.end_along_m == pytest.approx(cut.along_m[cut.along_m >= 400.0].min(), abs=1e-9)
    assert fault.near_trap is True and fault.kind == "gap" and fault.detail == span.detail


def test_a_wild_position_does_not_place_its_own_fault():
    track = clean()
    lat = track.samples["lat_deg"].to_numpy().copy()
    row = int(np.argmax(track.along_m > 395.0))
    true = track.along_m[row]
    lat[row] += 0.01
    bad = changed(track, lat_deg=lat)
    (span,) = find_faults(bad)
    assert to_fault(span, bad).start_along_m == pytest.approx(true, abs=0.3)


def test_a_log_without_places_has_no_near_trap():
    track = clean()
    blind = replace(track, along_m=np.full(len(track.time_s), np.nan))
    fault = to_fault(Span("gap", 8.0, 9.0, "x"), blind)
    assert (fault.start_along_m, fault.end_along_m, fault.near_trap) == (None, None, False)
