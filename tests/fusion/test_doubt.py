"""Readings that no usual drive explains: one account without them, at a price, and the evidence decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.doubt import _price, _runs, doubted, doubted_runs
from speedlog.fusion.estimate import accounts, estimate_motion
from speedlog.fusion.lifts import branches
from speedlog.fusion.passage import trap_passage
from speedlog.fusion.settle import WILD, Settled
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def spoilt(made: MadePass, rows: list[int], by: float) -> MadePass:
    speed = made.source.speed_mps.copy()
    speed[rows] += by
    return replace(made, source=replace(made.source, speed_mps=speed))


def looked_at(made: MadePass) -> tuple[Settled, tuple[float, float]]:
    (found, *_) = accounts([made.source], [], (made.entry_m, made.exit_m), SETTINGS)
    at = float(np.interp(made.entry_m, made.true_travel_m, made.true_time_s))
    return found, next(item for item in found.close if item[0] < at < item[1])


def near_trap(made: MadePass) -> int:
    """The reading nearest to the trap's middle."""
    return int(np.argmin(np.abs(made.source.travel_m - (made.entry_m + made.exit_m) / 2)))


def test_a_clean_pass_leaves_no_doubt(clean_pass: MadePass) -> None:
    found, stretch = looked_at(clean_pass)
    assert doubted(found, stretch, branches(found, stretch, SETTINGS), SETTINGS) is None
    # a fast logger shows a run by its edges: runs are looked for in slow ones alone
    assert doubted_runs(found, stretch, SETTINGS) is None
    assert _runs(found, stretch, SETTINGS) == []


def test_a_run_that_a_rough_motion_could_follow_is_doubted(clean_pass: MadePass) -> None:
    at = near_trap(clean_pass)
    made = spoilt(clean_pass, [at, at + 1, at + 2], 0.6)  # 8 sd of one reading; much larger is wild before
    found, stretch = looked_at(made)
    again = doubted(found, stretch, branches(found, stretch, SETTINGS), SETTINGS)
    assert again is not None
    share = again.settled.weight * again.settled.seen.variance
    before = found.weight * found.seen.variance
    of_speed = found.seen.channel == 0
    out = np.flatnonzero((share[of_speed] <= WILD * 1.001) & (before[of_speed] > WILD))
    assert at + 1 in out and set(out.tolist()) <= set(range(at - 1, at + 4))
    assert again.price < np.log(SETTINGS.wild_begins) + 1e-9


def test_what_was_wild_before_costs_nothing_again(clean_pass: MadePass) -> None:
    at = near_trap(clean_pass)
    prices = []
    for made in (clean_pass, spoilt(clean_pass, [at - 12], 25.0)):
        found, stretch = looked_at(spoilt(made, [at, at + 1, at + 2], 0.6))
        again = doubted(found, stretch, branches(found, stretch, SETTINGS), SETTINGS)
        assert again is not None
        prices.append(again.price)
    assert prices[0] == pytest.approx(prices[1])


@pytest.mark.parametrize(
    ("wild", "begins", "lasts"), [([5], 1, 0), ([5, 6, 7], 1, 2), ([5, 8, 9], 2, 1), ([0], 1, 0)]
)
def test_the_price_of_runs(clean_pass: MadePass, wild: list[int], begins: int, lasts: int) -> None:
    """By hand: a run begins with 0.005, each further reading lasts with 0.85 (settings)."""
    found, _ = looked_at(clean_pass)
    mask = np.zeros(len(found.weight), dtype=bool)
    mask[np.flatnonzero(found.seen.channel == 0)[wild]] = True
    wanted = begins * np.log(SETTINGS.wild_begins) + lasts * np.log(SETTINGS.wild_lasts)
    assert _price(found, mask, SETTINGS) == pytest.approx(wanted)


def test_two_wrong_speeds_of_a_slow_logger_are_found_by_their_shift() -> None:
    """10 Hz: two readings 1 m/s off in the trap; nothing else. The estimate bends to them, their shift shows it."""
    made = make_pass(rate_hz=10.0)
    at = near_trap(made)
    found, stretch = looked_at(spoilt(made, [at, at + 1], 1.0))
    again = doubted_runs(found, stretch, SETTINGS)
    assert again is not None
    share = (again.settled.weight * again.settled.seen.variance)[found.seen.channel == 0]
    assert {at, at + 1} <= set(np.flatnonzero(share <= WILD * 1.001).tolist())
    clean, stretch = looked_at(made)
    assert doubted_runs(clean, stretch, SETTINGS) is None


def test_runs_are_short_and_trusted_and_in_the_stretch() -> None:
    found, stretch = looked_at(make_pass(rate_hz=10.0))
    runs = _runs(found, stretch, SETTINGS)
    assert {len(run) for run in runs} == set(SETTINGS.doubt_runs)
    inside = np.concatenate(runs)
    assert (found.seen.channel[inside] == 0).all()
    assert found.seen.time_s[inside].min() >= stretch[0] and found.seen.time_s[inside].max() <= stretch[1]
    fast = replace(SETTINGS, doubt_interval_s=0.11)
    assert _runs(found, stretch, fast) == []


@pytest.mark.parametrize("rate", [10.0, 25.0])
def test_the_trap_speed_survives_wrong_speeds_in_the_trap(rate: float) -> None:
    """Two readings 2 m/s up: taken for true they would lift the trap speed by 0.3 m/s and more."""
    clean = make_pass(rate_hz=rate)
    made = spoilt(clean, [near_trap(clean), near_trap(clean) + 1], 2.0)
    motion = estimate_motion([made.source], [], (made.entry_m, made.exit_m), SETTINGS)
    assert motion is not None
    found = trap_passage(motion, made.entry_m, made.exit_m, 0.0)
    assert found is not None
    assert found.low_mps < made.trap_mps < found.high_mps
    assert found.speed_mps == pytest.approx(made.trap_mps, abs=0.25)
