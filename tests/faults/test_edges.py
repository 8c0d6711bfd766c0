"""Longer runs of wrong speeds, told by their edges and by positions."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.faults import find_faults
from speedlog.settings import FaultSettings
from tests.faults.invented import EAST_M, NORTH_M, Drive, changed, log

RISING = Drive(top=96.0, pull=8.0, brake=12.0)
LONGEST = FaultSettings().edge_longest


def spoilt(
    rate_hz: float, rows: int, off_mps: float, *, positions: bool = True, at_s: float = 9.0, seed: int = 0
):
    """A log with `rows` speeds wrong by `off_mps`, and the first of them."""
    track = log(RISING, rate_hz=rate_hz, seed=seed)
    speed = track.samples["speed_mps"].to_numpy().copy()
    first = int(np.searchsorted(track.time_s, at_s - 1e-6))
    speed[first : first + rows] += off_mps
    columns = {"speed_mps": speed}
    if not positions:
        columns["lat_deg"] = np.full(len(speed), np.nan)
    return changed(track, **columns), first


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("off_mps", [-12.0, 3.0, 12.0])
@pytest.mark.parametrize("rows", [2, 5, LONGEST])
def test_a_run_is_found_from_edge_to_edge(rate_hz, off_mps, rows):
    track, first = spoilt(rate_hz, rows, off_mps)
    (span,) = find_faults(track)
    assert (span.kind, span.concerns) == ("outlier", "speed")
    assert (span.start_s, span.end_s) == pytest.approx((track.time_s[first], track.time_s[first + rows - 1]))


def test_a_run_longer_than_the_longest_is_left_to_the_estimate():
    track, _ = spoilt(25.0, LONGEST + 1, 3.0)
    assert find_faults(track) == ()


def test_without_positions_only_sharp_edges_count():
    # by hand, at 10 Hz: 8 sd of 0.05 m/s noise is 0.4 m/s; sharp is 10 m/s² times 0.1 s more than that
    assert find_faults(spoilt(10.0, 5, 1.0, positions=False)[0]) == ()
    (span,) = find_faults(spoilt(10.0, 5, 4.0, positions=False)[0])
    assert span.kind == "outlier"


def test_positions_that_show_the_same_burst_make_it_true():
    """2 m/s more for 8 epochs (0.32 s): wrong where positions know nothing of it, true where they do."""
    track, first = spoilt(25.0, 8, 2.0)
    assert [span.kind for span in find_faults(track)] == ["outlier"]
    # by hand: 2 m/s over the run and half an interval on each side of it, 0.36 s, makes 0.72 m
    moved = 2.0 * np.clip(track.time_s - (track.time_s[first] - 0.02), 0.0, 0.36)
    turn = np.radians(75.0)
    lat = track.samples["lat_deg"].to_numpy() + moved * np.cos(turn) / NORTH_M
    lon = track.samples["lon_deg"].to_numpy() + moved * np.sin(turn) / EAST_M
    assert find_faults(changed(track, lat_deg=lat, lon_deg=lon)) == ()


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 25.0])
def test_kinks_of_the_pull_are_no_edges(rate_hz):
    for seed in range(3):
        drive = Drive(top=90.0, pull=14.0, hold_s=0.3, brake=20.0)
        assert find_faults(log(drive, rate_hz=rate_hz, seed=seed)) == ()
