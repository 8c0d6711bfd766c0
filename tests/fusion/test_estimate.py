"""The estimate of whole passes: error, interval, gaps, accounts, and how the paths share the weight."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from speedlog.fusion.estimate import Motion, _account_total, accounts, decided, either, estimate_motion
from speedlog.fusion.lifts import Branch, unchanged_evidence
from speedlog.fusion.measure import GnssSource, WheelSource
from speedlog.fusion.motion import SPEED
from speedlog.fusion.passage import Passage, top_speed, trap_passage
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def passage_of(made: MadePass, wheels: list[WheelSource] | None = None):
    motion = estimate_motion([made.source], wheels or [], (made.entry_m, made.exit_m), SETTINGS)
    assert motion is not None
    found = trap_passage(motion, made.entry_m, made.exit_m, 0.0)
    assert found is not None
    return motion, found


@pytest.fixture(scope="module")
def clean(clean_pass: MadePass) -> tuple[Motion, Passage]:
    return passage_of(clean_pass)


def test_a_clean_pass_is_met(clean_pass: MadePass, clean: tuple[Motion, Passage]) -> None:
    motion, found = clean
    assert found.speed_mps == pytest.approx(clean_pass.trap_mps, abs=0.2)
    assert found.low_mps < clean_pass.trap_mps < found.high_mps
    top = top_speed(motion)
    assert top.low_mps < clean_pass.peak_mps < top.high_mps
    assert top.time_s == pytest.approx(12.0, abs=0.06)
    # the true beams' times, by interpolation of the fine truth
    beams = np.interp(
        [clean_pass.entry_m, clean_pass.exit_m], clean_pass.true_travel_m, clean_pass.true_time_s
    )
    assert [found.entry_s, found.exit_s] == pytest.approx(beams, abs=0.015)
    assert found.exit_accel_mps2 == pytest.approx(8.0, abs=1.0)


def test_noise_free_readings_give_the_truth() -> None:
    made = make_pass(speed_sd=0.0, place_sd=0.0)
    time = made.source.time_s
    exact = replace(
        made.source, travel_m=np.interp(time, made.true_time_s, made.true_travel_m),
        speed_mps=np.interp(time, made.true_time_s, made.true_speed_mps),
    )  # fmt: skip
    _, found = passage_of(replace(made, source=exact))
    assert found.speed_mps == pytest.approx(made.trap_mps, abs=0.01)


def test_the_interval_widens_over_a_gap(clean: tuple[Motion, Passage]) -> None:
    whole = clean[1]
    _, bridged = passage_of(make_pass(gap_s=1.5))
    assert bridged.high_mps - bridged.low_mps > 1.15 * (whole.high_mps - whole.low_mps)


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    """8 seeded passes, a hole over the trap: 95 % intervals must hold at least 6 (chance of fewer: 0.6 %, binomial).

    How exact the mixture is, test_lifts.py tells on 200 drives; how it does on others, tests/benchmarks.
    """
    held = 0
    for seed in range(8):
        made = make_pass(seed, rate_hz=10.0, gap_s=0.9)
        _, found = passage_of(made)
        held += found.low_mps <= made.trap_mps <= found.high_mps
    assert held >= 6


def test_a_good_wheel_log_narrows_the_interval_over_a_gap() -> None:
    made = make_pass(gap_s=1.5)
    time = np.arange(0.5, 21.5, 0.04)
    speed = np.interp(time, made.true_time_s, made.true_speed_mps)
    tread = speed / 1.01 + np.random.default_rng(1).normal(0, 0.03, len(time))
    wheel = WheelSource(time, tread, 1.01, 0.0, 0.0, 0.005)
    _, alone = passage_of(made)
    motion, both = passage_of(made, [wheel])
    assert both.high_mps - both.low_mps < 0.85 * (alone.high_mps - alone.low_mps)
    assert both.low_mps < made.trap_mps < both.high_mps
    assert motion.wheels[0].scale == pytest.approx(1.01, rel=0.003)


def test_two_loggers_are_better_than_one(clean_pass: MadePass, clean: tuple[Motion, Passage]) -> None:
    other = make_pass(seed=7).source
    one = clean[0]
    two = estimate_motion([clean_pass.source, other], [], (clean_pass.entry_m, clean_pass.exit_m), SETTINGS)
    assert two is not None
    assert len(two.noises) == len(two.lags) == len(two.gnss) == 2
    at = int(np.argmin(np.abs(one.time_s - 10.0)))
    there = float(np.interp(one.time_s[at], two.time_s, two.speed_sd_mps))
    # slow errors of both are averaged: by 1/sqrt(2) at best
    assert 0.65 < there / one.speed_sd_mps[at] < 0.85


def test_a_log_that_starts_inside_the_trap_is_carried_back(
    clean_pass: MadePass, clean: tuple[Motion, Passage]
) -> None:
    source = clean_pass.source
    late = source.travel_m > clean_pass.entry_m + 8
    names = ("time_s", "travel_m", "speed_mps", "place_ok", "speed_ok")
    cut = GnssSource(*(getattr(source, name)[late] for name in names), source.interval_s)
    _, found = passage_of(replace(clean_pass, source=cut))
    whole = clean[1]
    assert found.high_mps - found.low_mps > whole.high_mps - whole.low_mps
    assert found.low_mps < clean_pass.trap_mps < found.high_mps


def test_paths_of_each_stretch_share_one_weight(clean: tuple[Motion, Passage]) -> None:
    for stretch in clean[0].stretches:
        assert sum(item.weight.sum() for item in stretch) == pytest.approx(1.0, abs=1e-3)
        for paths in stretch:
            assert len(paths.weight) <= SETTINGS.most_paths
            assert np.all(np.diff(paths.weight) <= 0)
            assert paths.state.shape == (len(paths.weight), len(paths.time_s), 3)
            none = np.isnan(paths.event_s)
            # no change stands for the last response, which is nothing
            assert np.all(paths.event[none] == paths.response.shape[2] - 1)
            assert not paths.response[:, :, -1].any()


def test_paths_left_out_leave_their_weight_to_the_others(clean_pass: MadePass) -> None:
    few = replace(SETTINGS, most_paths=2)
    motion = estimate_motion([clean_pass.source], [], (clean_pass.entry_m, clean_pass.exit_m), few)
    assert motion is not None
    for stretch in motion.stretches:
        assert max(len(paths.weight) for paths in stretch) == 2
        assert sum(item.weight.sum() for item in stretch) == pytest.approx(1.0, abs=1e-3)


def test_the_evidence_of_a_pass_counts_once_however_many_stretches(clean_pass: MadePass) -> None:
    """By hand: a stretch whose answers gain nothing leaves it as it is; gains of 3 and 1/2 make 3/2."""
    (account,) = accounts([clean_pass.source], [], None, SETTINGS)
    whole = unchanged_evidence(account, SETTINGS)

    def stretch(gain: float) -> list[Branch]:
        half = np.full(2, whole + np.log(gain / 4))  # two branches of two answers each
        one = SimpleNamespace(answers=SimpleNamespace(log_weight=half))
        return cast("list[Branch]", [one, one])

    for gains, wanted in (((1.0,), 1.0), ((1.0, 1.0), 1.0), ((3.0,), 3.0), ((3.0, 0.5), 1.5)):
        total = _account_total(account, [stretch(gain) for gain in gains], SETTINGS)
        assert total - whole == pytest.approx(np.log(wanted), abs=1e-8)


def test_the_motion_is_the_paths_mean_and_their_whole_spread(clean: tuple[Motion, Passage]) -> None:
    """By hand from the law of total variance; the smoother's own part comes on top, so it is the least."""
    (stretch, *_) = clean[0].stretches
    first, count = stretch[0].first, len(stretch[0].time_s)
    weight = np.concatenate([item.weight for item in stretch])
    speed = np.concatenate([item.state[:, :, SPEED] for item in stretch])
    mean = np.average(speed, axis=0, weights=weight)
    np.testing.assert_allclose(clean[0].speed_mps[first : first + count], mean, atol=1e-9)
    between = np.average((speed - mean) ** 2, axis=0, weights=weight)
    assert np.all(clean[0].speed_sd_mps[first : first + count] ** 2 >= between)
    assert np.all(clean[0].speed_sd_mps > 0)


def test_accounts_are_sorted_and_the_unlikely_left_out(clean_pass: MadePass) -> None:
    time = clean_pass.source.time_s
    late = np.interp(time - 0.3, time, clean_pass.source.speed_mps)
    source = replace(clean_pass.source, speed_mps=late)
    found = accounts([source], [], None, SETTINGS)
    evidence = [item.solved.log_evidence for item in found]
    assert len(found) == 2 and evidence == sorted(evidence, reverse=True)
    narrow = replace(SETTINGS, account_margin=0.5 * (evidence[0] - evidence[1]))
    assert len(accounts([source], [], None, narrow)) == 1


def test_too_little_is_no_estimate() -> None:
    empty, none = np.empty(0), np.zeros(0, dtype=bool)
    assert estimate_motion([GnssSource(empty, empty, empty, none, none, 1.0)], [], None, SETTINGS) is None
    assert decided((), SETTINGS) is None


def test_two_hypotheses_of_a_pass_as_one(clean_pass: MadePass) -> None:
    """The same readings, and the same 3 % quicker: of a mixture the means are weighed, and the interval holds both.

    Variance by hand: that of each, and what they differ by: w (1 - w) d².
    """
    source, beams = clean_pass.source, (clean_pass.entry_m, clean_pass.exit_m)
    middle = 11.7  # in the trap
    quick = replace(
        source, time_s=middle + (source.time_s - middle) * 0.97, speed_mps=source.speed_mps / 0.97,
        interval_s=source.interval_s * 0.97,
    )  # fmt: skip
    one, other = (estimate_motion([item], [], beams, SETTINGS) for item in (source, quick))
    assert one is not None and other is not None
    both = either([one, other], [0.6, 0.4])
    np.testing.assert_array_equal(both.time_s, one.time_s)
    speed = np.interp(one.time_s, other.time_s, other.speed_mps)
    sd = np.interp(one.time_s, other.time_s, other.speed_sd_mps)
    np.testing.assert_allclose(both.speed_mps, 0.6 * one.speed_mps + 0.4 * speed)
    variance = 0.6 * one.speed_sd_mps**2 + 0.4 * sd**2 + 0.24 * (one.speed_mps - speed) ** 2
    np.testing.assert_allclose(both.speed_sd_mps**2, variance)
    slow, fast, mixed = (trap_passage(item, *beams, 0.0) for item in (one, other, both))
    assert slow is not None and fast is not None and mixed is not None
    assert mixed.speed_mps == pytest.approx(0.6 * slow.speed_mps + 0.4 * fast.speed_mps, abs=1e-6)
    assert mixed.low_mps < slow.speed_mps < fast.speed_mps < mixed.high_mps
    assert top_speed(both).low_mps < one.speed_mps.max() < other.speed_mps.max() < top_speed(both).high_mps
    alone = trap_passage(either([one, other], [1.0, 0.0]), *beams, 0.0)
    assert alone is not None and alone.speed_mps == pytest.approx(slow.speed_mps)
