"""Speed over distance and launches, against constant acceleration in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.logbook.run_curve import Run, at_places, common_grid, common_origin, crossed, reached, run_of
from tests.logbook.driven import driven

LAUNCH = 3.0


def run(**more) -> Run:
    found = run_of(driven(**more), LAUNCH)
    assert found is not None
    return found


def test_speed_over_distance_is_v_squared_2ad() -> None:
    """v² = 2 a d from rest; counted from where it passes 3 m/s, 9 / 16 m on. To 0.01 m/s, the sampling."""
    there = run().from_("launch")
    distance = np.array([10.0, 50.0, 200.0, 390.0])
    speed, *_, time = at_places(there, distance)
    np.testing.assert_allclose(speed, np.sqrt(2 * 8.0 * (distance + 9 / 16)), atol=0.01)
    np.testing.assert_allclose(time, speed / 8.0 - 3 / 8.0, atol=0.002)


def test_opposite_directions_give_the_same_curve() -> None:
    distance = np.arange(0.0, 700.0, 10.0)
    out, back = (at_places(run(outbound=way).from_("launch"), distance) for way in (True, False))
    for one, other in zip(out, back, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_the_trap_is_where_it_is_passed_both_ways() -> None:
    """The first beam lies 300 m from rest, 9/16 m less from the launch; the second 30 m on."""
    for way in (True, False):
        trap = run(outbound=way).from_("launch").trap_m
        assert trap == (pytest.approx(300 - 9 / 16, abs=0.01), pytest.approx(330 - 9 / 16, abs=0.01))


def test_time_and_distance_to_a_speed() -> None:
    """From 3 to 40 m/s at 8 m/s²: 37/8 s, (1600 - 9)/16 m. Its band of 0.2 m/s: 0.2/8 s at each end."""
    found = reached(run().from_("launch"), 40.0, LAUNCH)
    assert found is not None
    assert found.time_s == pytest.approx(37 / 8, abs=1e-6) and found.distance_m == pytest.approx(
        1591 / 16, abs=0.01
    )
    assert found.time_half_s == pytest.approx(np.hypot(0.2 / 8, 0.2 / 8), rel=0.02)
    # 0.2/8 s at 40 m/s are 1 m; the distance run, wrong by 0.2 m/s all the time, 0.2 · 37/8 m
    assert found.distance_half_m == pytest.approx(np.hypot(1.0, 0.2 * 37 / 8), rel=0.02)


def test_a_speed_that_was_never_reached() -> None:
    assert reached(run().from_("launch"), 80.1, LAUNCH) is None
    assert reached(run(starts_at_s=2.0).from_("peak"), 40.0, LAUNCH) is None


def test_the_interval_at_a_distance_has_the_distances_own() -> None:
    """By hand at 200 m: v = 56.6 m/s after 7.08 s; dv/dx = 8/56.6 per s, times 0.2 m/s · (7.08 - 0.375) s."""
    speed, low, high, time = (
        part[0] for part in at_places(run().from_("launch"), np.array([200.0 - 9 / 16]))
    )
    assert speed == pytest.approx(56.57, abs=0.01) and time == pytest.approx(56.57 / 8 - 0.375, abs=0.002)
    assert (high - low) / 2 == pytest.approx(np.hypot(0.2, 8 / 56.57 * 0.2 * time), rel=0.01)
    assert high - speed == pytest.approx(speed - low)


def test_counted_from_a_place_by_gnss_its_own_uncertainty_comes_in() -> None:
    """At the place itself it is all there is: 2.2 m · 8 / v beside the speed's own."""
    there = run().from_("trap", 2.2)
    speed, low, high, _ = (part[0] for part in at_places(there, np.array([0.0])))
    assert speed == pytest.approx(np.sqrt(16 * 300.0), abs=0.01)
    assert (high - low) / 2 == pytest.approx(np.hypot(0.2, 8 / speed * 2.2), rel=0.01)


def test_the_launch_is_the_last_one_before_the_peak() -> None:
    """A car that crawls to the line first: launched where it pulls away, not where it was first moved."""
    whole = driven()
    assert whole.trace is not None
    crawl = np.concatenate([np.linspace(0, 4, 200), np.linspace(4, 0, 200)])
    time = np.concatenate([np.arange(400) * 0.01, 4.0 + whole.trace.time_s])
    speed = np.concatenate([crawl, whole.trace.speed_mps])
    along = np.concatenate([np.cumsum(crawl) * 0.01, 8.0 + whole.trace.along_m])
    trace = replace(
        whole.trace, time_s=time, speed_mps=speed, along_m=along, speed_low_mps=speed, speed_high_mps=speed,
        accel_mps2=np.gradient(speed, time),
    )  # fmt: skip
    found = run_of(replace(whole, trace=trace), LAUNCH)
    assert found is not None and found.places["launch"][1] == pytest.approx(4.375, abs=0.01)


def test_where_all_can_be_counted_from() -> None:
    """A log that begins after the launch has none; without a course there is no trap either."""
    late, free = run(starts_at_s=2.0), run(starts_at_s=2.0, trap=False)
    assert common_origin([run(), run()]) == "launch"
    assert common_origin([run(), late]) == "trap"
    assert common_origin([run(), free]) == "peak"
    # of braking alone the fastest moment is the log's first sample, and no moment of the car's
    assert common_origin([run(), run(starts_at_s=11.0)]) is None


def test_the_common_stretch() -> None:
    """From rest to a stop: 8·100/2 + 80²/20 = 720 m; the late log begins 16 m on, 284 m before the trap."""
    grid = common_grid([run().from_("launch"), run(accel_mps2=7.0).from_("launch")], 2.0)
    assert grid[0] == 0.0 and not np.signbit(grid[0])
    assert grid[-1] == 594.0  # the slower: 350 + 70²/20 = 595 m, less 9/14 m
    late = common_grid([run().from_("trap"), run(starts_at_s=2.0).from_("trap")], 2.0)
    assert late[0] == -284.0 and late[-1] == 420.0
    assert (
        len(common_grid([run().from_("peak"), replace(run(), travel_m=np.array([900.0, 901.0]))], 2.0)) == 0
    )


def test_crossings_first_and_last() -> None:
    time, speed = np.arange(5.0), np.array([0.0, 4.0, 1.0, 5.0, 6.0])
    assert crossed(time, speed, 2.0) == 0.5 and crossed(time, speed, 2.0, last=True) == 2.25
    assert crossed(time, speed, 9.0) is None


def test_no_estimate_no_run() -> None:
    assert run_of(replace(driven(), trace=None), LAUNCH) is None
