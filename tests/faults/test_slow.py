"""Wrong speeds and places of logs of one or two epochs a second: places between the epochs tell them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.faults import find_faults
from speedlog.settings import FaultSettings
from tests.faults.invented import NORTH_M, Drive, changed, log

CAR = Drive(stand_s=3.0, pull=6.0, top=72.0, brake=8.0)  # lifts at 15 s, stands at 24 s


def spoilt(rate_hz: float, at_s: float, errors: list[float], **made: float):
    track = log(CAR, rate_hz=rate_hz, **made)
    speed = track.samples["speed_mps"].to_numpy().copy()
    first = int(np.searchsorted(track.time_s, at_s - 1e-9))
    speed[first : first + len(errors)] += errors
    return changed(track, speed_mps=speed), track.time_s[first], track.time_s[first + len(errors) - 1]


_STOP_S = 23.0
_WRONG = [[2.0], [-4.0], [3.0, 3.0], [-12.0, -10.5, -13.0], [5.0] * 5]


@pytest.mark.parametrize(
    ("rate_hz", "at_s", "errors"),
    [
        (rate, at, errors)
        for rate in (1.0, 2.0)
        for at in (8.0, 12.0, 19.0)
        for errors in _WRONG
        if at + (len(errors) - 1) / rate <= _STOP_S
    ],
)
def test_wrong_speeds_from_edge_to_edge(rate_hz: float, at_s: float, errors: list[float]) -> None:
    """Also between the lift at 15 s and the stop, where no smooth curve runs through the speeds."""
    track, start, end = spoilt(rate_hz, at_s, errors, seed=1)
    (span,) = find_faults(track)
    assert (span.kind, span.concerns) == ("outlier", "speed")
    assert (span.start_s, span.end_s) == (pytest.approx(start), pytest.approx(end))


def test_the_reading_at_the_lift_is_judged_by_the_places() -> None:
    """72 m/s at 15 s, the highest reading: 4 m/s too much is what a driver would like to believe."""
    track, start, _ = spoilt(1.0, 15.0, [4.0], seed=2)
    (span,) = find_faults(track)
    assert (span.kind, span.start_s, span.end_s) == ("outlier", start, start)


@pytest.mark.parametrize(("off_mps", "count"), [(0.4, 0), (1.5, 1)])
def test_both_sides_of_the_least_error(off_mps: float, count: int) -> None:
    """0.6 m/s is the least worth a word; receivers of little noise, positions good to 3 cm."""
    track, _, _ = spoilt(2.0, 10.0, [off_mps], seed=3, speed_noise=0.02, place_noise=0.02)
    assert len(find_faults(track)) == count


def test_places_alone() -> None:
    track = log(CAR, rate_hz=1.0, seed=4)
    lat = track.samples["lat_deg"].to_numpy().copy()
    lat[11:13] += 8.0 / NORTH_M  # 2.1 m along and 7.7 m across
    (span,) = find_faults(changed(track, lat_deg=lat))
    assert (span.kind, span.concerns, span.start_s, span.end_s) == ("outlier", "position", 11.0, 12.0)


@pytest.mark.parametrize("delay_s", [0.2, 0.4])
def test_a_late_speed_is_no_fault(delay_s: float) -> None:
    """At 1 Hz a lag of 0.4 s is 2.4 m/s of pull and 3.2 m/s of braking."""
    for seed in range(4):
        assert find_faults(log(CAR, rate_hz=1.0, seed=seed, delay_s=delay_s)) == ()


def test_longer_logs_and_faster_ones_are_judged_window_by_window() -> None:
    track, start, end = spoilt(2.0, 10.0, [6.0], seed=5)
    few = len(track.time_s) - 1
    for settings in (FaultSettings(), FaultSettings(slow_most_rows=few), FaultSettings(slow_interval_s=0.51)):
        (span,) = find_faults(replace(track), settings)
        assert (span.start_s, span.end_s) == (start, end)
    # windows of four rows on each side reach from the launch over the lift, and call all of that rough
    track, _, _ = spoilt(1.0, 12.0, [2.0], seed=1)
    assert find_faults(replace(track), FaultSettings(slow_interval_s=1.01)) == ()
    assert len(find_faults(replace(track), FaultSettings(slow_interval_s=0.99))) == 1
