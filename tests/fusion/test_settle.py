"""Noise, wild readings, lags and what else is settled before the fine work."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.settle import WILD, _fastest_crossing, free, settle, student_weight
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def settled(made: MadePass, beams: bool = True, **changes):
    found = settle(
        [replace(made.source, **changes)], [], (made.entry_m, made.exit_m) if beams else None, SETTINGS
    )
    assert found is not None
    return found


def test_student_weights() -> None:
    """Lange, Little, Taylor 1989: (nu + 1)/(nu + r²), here joined to 1 where misfits are trusted. By hand for
    4 degrees of freedom and 2 sd: at 3 sd 8/13, at 7.99 sd 8/67.84; beyond 8 sd nothing."""
    known = replace(SETTINGS, student_freedom=4.0, trusted_sds=2.0, wild_sds=8.0)
    size = np.array([0.0, 1.99, 2.01, 3.0, 7.99, 8.01]) ** 2
    wanted = [1, 1, 8 / (4 + 2.01**2), 8 / 13, 8 / (4 + 7.99**2), WILD]
    assert student_weight(size, known) == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("speed_sd", "place_sd"),
    [
        (0.04, 0.03),
        (0.14, 0.10),
    ],
)  # fmt: skip
def test_noise_is_that_put_in(speed_sd: float, place_sd: float) -> None:
    found = [settled(make_pass(seed, 25, speed_sd, place_sd)).noises[0] for seed in range(4)]
    assert np.mean([item.speed_mps for item in found]) == pytest.approx(speed_sd, rel=0.12)
    assert np.mean([item.place_m for item in found]) == pytest.approx(place_sd, rel=0.2)


def test_wild_readings_lose_their_weight_and_leave_the_others_theirs(clean_pass: MadePass) -> None:
    speed, travel = clean_pass.source.speed_mps.copy(), clean_pass.source.travel_m.copy()
    speed[200:203] += 20.0
    travel[320] += 25.0
    found = settled(clean_pass, speed_mps=speed, travel_m=travel)
    share = found.weight * found.seen.variance
    of_speed, of_place = share[found.seen.channel == 0], share[found.seen.channel == 1]
    assert np.flatnonzero(of_speed < 0.01).tolist() == [200, 201, 202]
    assert np.flatnonzero(of_place < 0.01).tolist() == [320]
    # of sound readings a few have tails: 4.6 % lie beyond 2 sd of a normal distribution
    assert 0.9 < np.mean(of_speed > 0.99) < 0.995
    clean = settled(clean_pass)
    # nor do they make their channel look noisy
    assert found.noises[0].speed_mps == pytest.approx(clean.noises[0].speed_mps, rel=0.1)
    assert found.noises[0].place_m == pytest.approx(clean.noises[0].place_m, rel=0.1)
    at = np.searchsorted(found.knots_s, clean_pass.source.time_s[201])
    there = np.interp(found.knots_s[at], clean.knots_s, clean.speed_mps)
    assert found.speed_mps[at] == pytest.approx(there, abs=0.15)


def test_the_free_motion_follows_the_truth(clean_pass: MadePass) -> None:
    found = settled(clean_pass)
    true = np.interp(found.knots_s, clean_pass.true_time_s, clean_pass.true_speed_mps)
    # a fifth of a second of free motion averages five readings of 0.06 m/s
    assert np.sqrt(np.mean((found.speed_mps - true) ** 2)) < 0.06
    assert free(SETTINGS).excess_mps3 == SETTINGS.free_excess_mps3


def test_close_stretches_hold_the_beams_and_the_peak(clean_pass: MadePass) -> None:
    found = settled(clean_pass)
    marks = np.interp(
        [clean_pass.entry_m, clean_pass.exit_m], clean_pass.true_travel_m, clean_pass.true_time_s
    )
    peak = clean_pass.true_time_s[int(np.argmax(clean_pass.true_speed_mps))]
    for time in (*marks, peak):
        assert any(first + 1.0 < time < last - 1.0 for first, last in found.close)
    step = np.diff(found.knots_s)
    middle = (found.knots_s[1:] + found.knots_s[:-1]) / 2
    near = np.any([(middle > first) & (middle < last) for first, last in found.close], axis=0)
    assert step[near].max() <= 1.5 * SETTINGS.close_knot_s
    assert np.median(step[~near]) > 0.7 * SETTINGS.wide_knot_s


def test_a_close_stretch_holds_the_whole_hole_and_some_time_on_both_sides() -> None:
    made = make_pass(gap_s=1.6)
    found = settled(made)
    heard = made.source.time_s
    at = int(np.argmax(np.diff(heard)))
    first, last = next(item for item in found.close if item[0] < heard[at] < item[1])
    assert first <= heard[at] - SETTINGS.close_before_s + 0.1
    assert last >= heard[at + 1] + SETTINGS.close_after_s - 0.1


def test_knots_reach_the_beams_where_a_log_begins_inside_the_trap(clean_pass: MadePass) -> None:
    inside = clean_pass.source.travel_m > clean_pass.entry_m + 10
    cut = {name: getattr(clean_pass.source, name)[inside] for name in
           ("time_s", "travel_m", "speed_mps", "place_ok", "speed_ok")}  # fmt: skip
    with_beams, without = settled(clean_pass, **cut), settled(clean_pass, beams=False, **cut)
    assert without.knots_s[0] == pytest.approx(cut["time_s"][0])
    # 10 m at 77 m/s: 0.13 s, and 5 m more
    assert with_beams.solved.mean[0, 0] < clean_pass.entry_m
    assert with_beams.knots_s[0] > cut["time_s"][0] - 0.5


def test_roughness_is_high_at_launch_lift_and_stop_and_low_on_the_run_up(clean_pass: MadePass) -> None:
    found = settled(clean_pass)
    rough = np.array([item.excess_mps3 for item in found.roughness(SETTINGS)])
    middle = (found.knots_s[1:] + found.knots_s[:-1]) / 2
    run_up = (middle > 4) & (middle < 10)
    levels = SETTINGS.excess_levels_mps3
    assert np.median(rough[run_up]) <= levels[1]
    assert rough[np.abs(middle - 2.0) < 0.15].max() == levels[-1]
    assert set(np.unique(rough)) <= set(levels)


def test_a_change_makes_the_steps_on_both_sides_as_rough(clean_pass: MadePass) -> None:
    """By hand, at 5.1 s, between two of the times 0.2 s apart at which the jerk is read: a step of 0.4 s times the
    jerk J reads as J at 5.0 and 5.2 s, and holds for 0.2 s more on both sides."""
    found = settled(clean_pass)
    knots = np.arange(0, 10.01, 0.1)
    lowest, level = SETTINGS.excess_levels_mps3[0], SETTINGS.excess_levels_mps3[-2]
    mean = np.zeros((len(knots), found.layout.size))
    mean[:, 2] = np.where(knots > 5.05, 0.4 * 0.99 * level, 0.0)
    made = replace(found, knots_s=knots, solved=replace(found.solved, mean=mean))
    rough = np.array([item.excess_mps3 for item in made.roughness(SETTINGS)])
    middle = (knots[1:] + knots[:-1]) / 2
    assert (rough[np.abs(middle - 5.1) < 0.3] == level).all()
    assert (rough[np.abs(middle - 5.1) > 0.55] == lowest).all()


def test_of_several_crossings_the_fastest_counts() -> None:
    """Rolled over a beam at 10 m with 2 m/s, set back, driven over it with 60 m/s: by hand at 9 + 1/6 s."""
    time = np.array([0.0, 4.0, 6.0, 8.0, 9.0, 10.0])
    along = np.array([0.0, 8.0, 12.0, 0.0, 0.0, 60.0])
    speed = np.array([2.0, 2.0, 2.0, 0.0, 60.0, 60.0])
    assert _fastest_crossing(time, along, speed, 10.0) == pytest.approx(9 + 1 / 6)
    assert _fastest_crossing(time, along, speed, 61.0) is None


def of_epochs(made: MadePass, epochs: list[int]):
    """One epoch holds two readings, its place and its speed."""
    few = np.zeros(len(made.source.time_s), dtype=bool)
    few[epochs] = True
    return settle([replace(made.source, place_ok=few, speed_ok=few)], [], None, SETTINGS)


def test_four_readings_of_no_single_instant_are_the_least(clean_pass: MadePass) -> None:
    """25 Hz: 7 epochs span 0.24 s, 8 of them 0.28 s; the least is 0.25 s."""
    assert of_epochs(clean_pass, [250]) is None
    assert of_epochs(clean_pass, [250, 275]) is not None
    assert of_epochs(clean_pass, list(range(250, 257))) is None
    assert of_epochs(clean_pass, list(range(250, 258))) is not None


def test_without_any_place_there_is_nothing(clean_pass: MadePass) -> None:
    none = np.zeros(len(clean_pass.source.time_s), dtype=bool)
    assert settle([replace(clean_pass.source, place_ok=none)], [], None, SETTINGS) is None


def test_readings_of_a_poor_fix_count_for_less(clean_pass: MadePass) -> None:
    """Places half a metre off for a second: under a sound fix they pull, under a poor one they hardly do."""
    source = clean_pass.source
    weak = (source.time_s > 9.0) & (source.time_s < 10.0)
    off = replace(source, travel_m=source.travel_m + 0.5 * weak)
    found = [settle([item], [], None, SETTINGS) for item in (source, off, replace(off, weak=weak))]
    around = [np.interp([9.5], item.knots_s, item.solved.mean[:, 0])[0] for item in found if item is not None]
    assert abs(around[2] - around[0]) < 0.7 * abs(around[1] - around[0])
    noises = [item.noises[0].place_m for item in found if item is not None]
    assert noises[2] == pytest.approx(noises[0], rel=0.15)
