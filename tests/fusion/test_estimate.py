"""The estimate of whole passes: error, interval, the trap's edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.fusion.estimate import estimate_motion, make_nodes
from speedlog.fusion.measure import GnssSource
from speedlog.fusion.passage import _centre_and_interval, mixture_interval, top_speed, trap_passage
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def passage_of(made: MadePass, place_u_m: float = 0.0):
    motion = estimate_motion([made.source], [], (made.entry_m, made.exit_m), SETTINGS)
    assert motion is not None
    found = trap_passage(motion, made.entry_m, made.exit_m, place_u_m)
    assert found is not None
    return motion, found


def test_clean_pass_is_met_within_a_tenth(clean_pass: MadePass) -> None:
    motion, found = passage_of(clean_pass)
    assert found.speed_mps == pytest.approx(clean_pass.trap_mps, abs=0.15)
    assert found.low_mps < clean_pass.trap_mps < found.high_mps
    top = top_speed(motion)
    assert top.speed_mps == pytest.approx(clean_pass.peak_mps, abs=0.2)
    # the true beams' times, by interpolation of the fine truth
    entry, leave = np.interp(
        [clean_pass.entry_m, clean_pass.exit_m], clean_pass.true_travel_m, clean_pass.true_time_s
    )
    assert found.entry_s == pytest.approx(entry, abs=0.01)
    assert found.exit_s == pytest.approx(leave, abs=0.01)
    assert found.exit_accel_mps2 == pytest.approx(8.0, abs=1.0)


def test_noise_free_readings_give_the_truth() -> None:
    made = make_pass(speed_sd=0.0, place_sd=0.0)
    wander_free = GnssSource(
        made.source.time_s, np.interp(made.source.time_s, made.true_time_s, made.true_travel_m),
        np.interp(made.source.time_s, made.true_time_s, made.true_speed_mps), made.source.place_ok,
        made.source.speed_ok, made.source.interval_s,
    )  # fmt: skip
    motion = estimate_motion([wander_free], [], None, SETTINGS)
    assert motion is not None
    found = trap_passage(motion, made.entry_m, made.exit_m, 0.0)
    assert found is not None
    assert found.speed_mps == pytest.approx(made.trap_mps, abs=0.01)


def test_the_interval_widens_over_a_gap(clean_pass: MadePass) -> None:
    _, clean = passage_of(clean_pass)
    _, bridged = passage_of(make_pass(gap_s=1.5))
    assert bridged.high_mps - bridged.low_mps > 1.15 * (clean.high_mps - clean.low_mps)


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    """40 seeded passes: 95 % intervals must hold at least 34 (chance of fewer: 0.4 %, binomial)."""
    held = 0
    for seed in range(40):
        made = make_pass(seed, rate_hz=(10.0, 25.0)[seed % 2], gap_s=(0.0, 0.9)[seed % 4 // 2])
        _, found = passage_of(made)
        held += found.low_mps <= made.trap_mps <= found.high_mps
    assert held >= 34


def test_a_log_that_starts_inside_the_trap_is_carried_back() -> None:
    made = make_pass()
    late = made.source.travel_m > made.entry_m + 8
    names = ("time_s", "travel_m", "speed_mps", "place_ok", "speed_ok")
    cut = GnssSource(*(getattr(made.source, name)[late] for name in names), made.source.interval_s)
    motion = estimate_motion([cut], [], (made.entry_m, made.exit_m), SETTINGS)
    assert motion is not None
    found = trap_passage(motion, made.entry_m, made.exit_m, 0.0)
    assert found is not None
    _, whole = passage_of(made)
    assert found.high_mps - found.low_mps > whole.high_mps - whole.low_mps
    assert found.low_mps < made.trap_mps < found.high_mps


def test_place_uncertainty_counts_by_how_much_the_speed_changes(clean_pass: MadePass) -> None:
    """dv = v²/L · u · (1/v_out - 1/v_in); by hand for 8 m/s² at about 76 m/s: 0.105 m/s for each metre."""
    _, sure = passage_of(clean_pass, 0.0)
    _, unsure = passage_of(clean_pass, 3.0)
    added = np.sqrt((unsure.high_mps - unsure.low_mps) ** 2 - (sure.high_mps - sure.low_mps) ** 2) / 2 / 1.96
    assert added == pytest.approx(3.0 * 8.0 / clean_pass.trap_mps, rel=0.2)


def test_too_little_is_no_estimate() -> None:
    empty, none = np.empty(0), np.zeros(0, dtype=bool)
    assert estimate_motion([GnssSource(empty, empty, empty, none, none, 1.0)], [], None, SETTINGS) is None


@given(st.lists(st.floats(0, 30, allow_nan=False), min_size=1, max_size=40))
def test_nodes_are_sorted_near_their_readings_and_never_far_apart(times: list[float]) -> None:
    obs = np.sort(np.array(times))
    nodes, of = make_nodes(obs, (0.25, 0.0), SETTINGS)
    assert np.all(np.diff(nodes) > 0)
    assert np.all(np.diff(nodes) <= SETTINGS.widest_node_s * (1 + 1e-9))
    assert np.all(np.abs(nodes[of] - obs) <= SETTINGS.finest_node_s + 1e-12)
    assert nodes[0] == pytest.approx(obs[0] - 0.25)


def test_mixture_interval_of_one_normal_and_of_two_far_apart() -> None:
    """One normal: ±1.959964 sd. Two halves far apart: each end cuts 5 % off one half (1.644854 sd)."""
    low, high = mixture_interval(np.array([1.0]), np.array([10.0]), np.array([2.0]))
    assert (low, high) == pytest.approx((10 - 2 * 1.959964, 10 + 2 * 1.959964), abs=1e-5)
    low, high = mixture_interval(np.array([0.5, 0.5]), np.array([0.0, 100.0]), np.array([1.0, 1.0]))
    assert (low, high) == pytest.approx((-1.644854, 101.644854), abs=1e-5)


def test_an_unlikely_hypothesis_far_off_never_drags_the_estimate_out_of_its_interval() -> None:
    """By hand: 0.98 at 70 and 0.02 at 200 have the mean 72.6, but 95 % lie within half a metre of 70."""
    weight, value, sd = np.array([0.98, 0.02]), np.array([70.0, 200.0]), np.array([0.1, 0.1])
    mean, low, high = _centre_and_interval(weight, value, sd, 1.12)
    assert low <= mean <= high < 71.0
    # one normal: the mean stays, the half-width grows by the factor
    mean, low, high = _centre_and_interval(np.array([1.0]), np.array([70.0]), np.array([1.0]), 1.12)
    assert (mean, high - mean) == pytest.approx((70.0, 1.12 * 1.959964), abs=1e-5)
