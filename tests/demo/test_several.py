"""Several passes in one log: one motion without a break, each pass where and when it says."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.several import SeveralScenes, several_scenes


@pytest.fixture(scope="module")
def several() -> SeveralScenes:
    return several_scenes(np.random.default_rng(8), 3)


def test_whole_motion_has_no_break(several: SeveralScenes) -> None:
    """Along is the integral of the speed along, in and between the passes: by the trapezium rule."""
    whole = several.whole
    moved = np.diff(whole.travel_m)
    by_speed = 0.5e-3 * (whole.speed_mps[1:] + whole.speed_mps[:-1])
    # 1e-3 m/s is left of a pass that has all but stopped, over the millisecond where the parts meet
    assert np.max(np.abs(moved - by_speed)) < 1e-5
    assert np.ptp(np.diff(whole.time_s)) < 1e-9


def test_each_pass_meets_the_beams_when_it_says(several: SeveralScenes) -> None:
    first = several.scenes[0].launch_ns
    for scene in several.scenes:
        since = (scene.launch_ns - first) / 1e9
        times = since + np.array([scene.truth.entry_s, scene.truth.exit_s])
        along = several.whole.motion_at(times)[0]
        beams = [scene.trap.entry_m, scene.trap.exit_m]
        # a grid of 1 ms at 100 m/s, cubic between: better than a millimetre
        assert along == pytest.approx(beams if scene.place.outbound else beams[::-1], abs=1e-3)


def test_passes_go_back_and_forth(several: SeveralScenes) -> None:
    ways = [scene.place.outbound for scene in several.scenes]
    assert ways[0] != ways[1] and ways[1] != ways[2]
    assert len({scene.truth.car.mass_kg for scene in several.scenes}) == 1
    # a head wind out is a tail wind back
    winds = [scene.truth.air.head_wind_mps for scene in several.scenes]
    assert winds == pytest.approx([winds[0], -winds[0], winds[0]])


def test_log_of_all_holds_the_rows_of_each() -> None:
    run = family("several_passes", seeded(1, "several_passes", 4))
    [(_, _, whole)] = run.gnss
    assert 2 <= len(run.parts) <= 4 and run.passes == run.parts
    for part in run.parts:
        [(_, _, log)] = part.gnss
        rows = np.searchsorted(whole.time_ns, log.time_ns)
        assert np.array_equal(whole.time_ns[rows], log.time_ns)
        assert np.array_equal(whole.speed_mps[rows], log.speed_mps)
        # noise of at most 0.15 white and 0.10 drift: 6 sd of both
        true = part.truth.motion_at(log.true_s)[1]
        moving = true > 5
        assert np.max(np.abs(log.speed_mps - true)[moving]) < 6 * np.hypot(0.15, 0.10)


def test_a_single_pass_is_its_own_part() -> None:
    run = family("clean_10hz", seeded(1, "clean_10hz", 0))
    assert run.passes == (run,)
