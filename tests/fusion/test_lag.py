"""A logger whose speed comes late: how late, by what, and no lag where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from speedlog.fusion.estimate import accounts, decided, estimate_motion
from speedlog.fusion.lag import NO_LAG, Lag, candidates, delays, mixed, relative_delay, speed_lag
from speedlog.fusion.measure import GnssSource
from speedlog.fusion.passage import trap_passage
from speedlog.fusion.settle import settle
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def late(made: MadePass, *, delay_s: float = 0.0, filter_s: float = 0.0, seed: int = 5) -> MadePass:
    """The same pass with the true speed delayed, or put through scipy's first-order filter at 1 kHz."""
    speed = np.interp(made.true_time_s - delay_s, made.true_time_s, made.true_speed_mps)
    if filter_s:
        keep = np.exp(-0.001 / filter_s)
        speed = lfilter([1 - keep], [1, -keep], speed)
    at = made.source.time_s
    noise = np.random.default_rng(seed).normal(0, 0.06, len(at))
    source = replace(made.source, speed_mps=np.abs(np.interp(at, made.true_time_s, speed) + noise))
    return replace(made, source=source)


@pytest.mark.parametrize(
    "made", [{"delay_s": 0.25}, {"filter_s": 0.25}, {"delay_s": 0.08}, {"filter_s": 0.40}]
)
def test_the_lag_is_found_within_its_uncertainty(made: dict[str, float]) -> None:
    found = speed_lag(late(make_pass(), **made).source)
    assert found is not None
    assert found.lag_s == pytest.approx(sum(made.values()), abs=max(3 * found.u_s, 0.01))
    assert found.u_s < 0.02


def test_the_regressions_uncertainty_is_about_as_large_as_its_error() -> None:
    """20 passes: were the overlapping windows taken for independent, u would be a fifth (25 epochs a window)."""
    off, size = [], []
    for seed in range(20):
        found = speed_lag(late(make_pass(seed), delay_s=0.25, seed=seed + 90).source)
        assert found is not None
        off.append(found.lag_s - 0.25)
        size.append(found.u_s)
    assert 0.5 < np.std(off) / np.mean(size) < 1.6


def test_a_late_speed_is_tried_as_a_delay_and_as_a_filter(clean_pass: MadePass) -> None:
    source = late(clean_pass, delay_s=0.3).source
    delay, filtered = (only for (only,) in candidates([source], SETTINGS))
    assert delay.speed_delay_s == filtered.speed_filter_s == pytest.approx(0.3, abs=0.02)
    assert delay.speed_filter_s == filtered.speed_delay_s == 0.0
    assert candidates([clean_pass.source], SETTINGS) == [[clean_pass.source]]
    both = candidates([source, clean_pass.source, source], SETTINGS)
    assert len(both) == 4 and all(item[1] is clean_pass.source for item in both)


def test_both_sides_of_the_least_and_the_most_lag(clean_pass: MadePass) -> None:
    source = late(clean_pass, delay_s=0.1).source
    assert len(candidates([source], SETTINGS)) == 2
    assert len(candidates([source], replace(SETTINGS, lag_least_s=0.15))) == 1
    assert len(candidates([source], replace(SETTINGS, lag_most_s=0.05))) == 1
    found = speed_lag(source)
    assert found is not None
    assert len(candidates([source], replace(SETTINGS, lag_seen_sds=0.9 * found.lag_s / found.u_s))) == 2
    assert len(candidates([source], replace(SETTINGS, lag_seen_sds=1.1 * found.lag_s / found.u_s))) == 1


@pytest.mark.parametrize("made", [{"delay_s": 0.3}, {"filter_s": 0.3}])
def test_delay_and_filter_are_told_apart_and_the_trap_speed_survives(
    clean_pass: MadePass, made: dict[str, float]
) -> None:
    """Uncorrected, 0.3 s at 8 m/s² would read 2.4 m/s low."""
    late_pass = late(clean_pass, **made)
    beams = (clean_pass.entry_m, clean_pass.exit_m)
    best = accounts([late_pass.source], [], beams, SETTINGS)[0]
    lag, u = best.lag(0)
    assert lag == pytest.approx(0.3, abs=0.02) and 0 < u < 0.01
    motion = estimate_motion([late_pass.source], [], beams, SETTINGS)
    assert motion is not None
    assert (motion.gnss[0].speed_filter_s > 0) == ("filter_s" in made)
    assert motion.lags[0].lag_s == pytest.approx(0.3, abs=0.02)
    found = trap_passage(motion, *beams, 0.0)
    assert found is not None
    assert found.speed_mps == pytest.approx(clean_pass.trap_mps, abs=0.25)


@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
def test_no_lag_is_seen_where_there_is_none(rate: float) -> None:
    for seed in range(3):
        (found,) = accounts([make_pass(seed, rate_hz=rate).source], [], None, SETTINGS)
        assert found.lag(0) == (0.0, 0.0)


def test_too_little_or_too_steady_a_log_tells_no_lag(clean_pass: MadePass) -> None:
    few = clean_pass.source.time_s < 0.5
    assert speed_lag(replace(clean_pass.source, speed_ok=few)) is None
    standing = clean_pass.source.time_s < 1.9
    assert speed_lag(replace(clean_pass.source, speed_ok=standing)) is None


@pytest.mark.parametrize(
    ("kind", "field"),
    [
        ("delay_s", "speed_delay_s"),
        ("filter_s", "speed_filter_s"),
    ],
)  # fmt: skip
def test_the_settled_lag_is_not_off_by_more_than_its_uncertainty_tells(kind: str, field: str) -> None:
    """Begun 10 % short, of the right kind: the mean of six passes lies within 2.5 standard errors of what was made."""
    off, size = [], []
    for seed in range(6):
        source = late(make_pass(seed), seed=seed + 50, **{kind: 0.3}).source
        found = settle([replace(source, **{field: 0.27})], [], None, SETTINGS)
        assert found is not None
        lag, u = found.lag(0)
        off.append(lag - 0.3)
        size.append(u)
    assert abs(np.mean(off)) < 2.5 * np.mean(size) / np.sqrt(6)


def test_a_lag_over_accounts_has_what_they_differ_by() -> None:
    """By hand: 0.75 of N(0.20, 0.01), 0.25 of N(0.24, 0.02): mean 0.21, variance
    0.75 (1e-4 + 1e-4) + 0.25 (4e-4 + 9e-4) = 4.75e-4.
    """
    found = mixed([Lag(0.20, 0.01), Lag(0.24, 0.02)], np.array([0.75, 0.25]))
    assert found.lag_s == pytest.approx(0.21) and found.u_s == pytest.approx(np.sqrt(4.75e-4))
    assert mixed([Lag(0.3, 0.02)], np.array([1.0])) == Lag(0.3, pytest.approx(0.02))
    # of a model that is off by 0.01 besides: 1e-4 more, but nothing where there is no lag
    found = mixed([Lag(0.20, 0.01), Lag(0.24, 0.02)], np.array([0.75, 0.25]), 0.01)
    assert found.u_s == pytest.approx(np.sqrt(5.75e-4))
    assert mixed([Lag(0.0, 0.0)], np.array([1.0]), 0.01) == Lag(0.0, 0.0)
    # none and some: 0.5 each of nothing for sure and 0.1 for sure is 0.05 with 0.05
    assert mixed([Lag(0.0, 0.0), Lag(0.1, 0.0)], np.array([0.5, 0.5])).u_s == pytest.approx(0.05)


def test_the_passs_lag_is_that_of_all_its_accounts(
    clean_pass: MadePass, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two accounts of the same evidence, one's lag 0.04 s more: the mean lies between, u is half of that more."""
    source = late(clean_pass, delay_s=0.3).source
    beams = (clean_pass.entry_m, clean_pass.exit_m)
    account = accounts([source], [], beams, SETTINGS)[0]
    lag, u = account.lag(0)
    other = replace(account)
    told = type(account).lag
    monkeypatch.setattr(
        type(account), "lag", lambda self, i: (told(self, i)[0] + 0.04 * (self is other), told(self, i)[1])
    )
    motion = decided([account, other], SETTINGS)
    assert motion is not None
    assert motion.lags[0].lag_s == pytest.approx(lag + 0.02, abs=1e-9)
    assert motion.lags[0].u_s == pytest.approx(np.hypot(np.hypot(u, SETTINGS.lag_model_u_s), 0.02), abs=1e-9)


def behind(made: MadePass, delay_s: float) -> GnssSource:
    """The same readings, each stamped later than it was true."""
    return replace(made.source, time_s=made.source.time_s + delay_s)


@pytest.mark.parametrize("delay_s", [-0.4, -0.1, 0.0, 0.05, 0.5])
@pytest.mark.parametrize("rate_hz", [5.0, 10.0])
def test_a_delay_of_speed_and_place_alike_is_found_against_another_logger(
    delay_s: float, rate_hz: float
) -> None:
    first, other = make_pass(1), make_pass(2, rate_hz=rate_hz)
    found = relative_delay(first.source, behind(other, delay_s), SETTINGS)
    assert found is not None
    assert found.u_s < 0.012
    assert abs(found.lag_s - delay_s) < 3 * found.u_s


def test_its_uncertainty_is_about_as_large_as_its_error() -> None:
    off, size = [], []
    for seed in range(20):
        found = relative_delay(make_pass(seed).source, behind(make_pass(seed + 40), 0.2), SETTINGS)
        assert found is not None
        off.append(found.lag_s - 0.2)
        size.append(found.u_s)
    assert 0.3 < np.sqrt(np.mean(np.square(off))) / np.mean(size) < 1.5


def test_a_late_speed_is_no_delay_of_the_whole_logger() -> None:
    """0.3 s of lag of the speed alone: its places stand where the other's do."""
    found = relative_delay(make_pass(1).source, late(make_pass(2), delay_s=0.3).source, SETTINGS)
    assert found is not None
    assert abs(found.lag_s) < max(SETTINGS.delay_least_s, SETTINGS.delay_sds * found.u_s)


def test_too_slow_or_too_short_a_logger_tells_no_delay() -> None:
    first, other = make_pass(1).source, make_pass(2, rate_hz=5.0).source
    assert relative_delay(first, other, SETTINGS) is not None
    assert relative_delay(first, other, replace(SETTINGS, delay_slowest_s=0.19)) is None
    few = replace(other, place_ok=other.time_s < 2.0, speed_ok=other.time_s < 2.0)
    assert relative_delay(first, few, SETTINGS) is None
    apart = replace(other, time_s=other.time_s + 100.0)
    assert relative_delay(first, apart, SETTINGS) is None


def test_the_earliest_is_right_and_a_small_delay_is_none() -> None:
    late_one, prompt, third = behind(make_pass(1), 0.3), make_pass(2).source, behind(make_pass(3), 0.1)
    found = delays([late_one, prompt, third], [False] * 3, SETTINGS)
    assert found[1] == NO_LAG
    assert [item.lag_s for item in found] == pytest.approx([0.3, 0.0, 0.1], abs=0.03)
    assert found[0].u_s > 0.0
    assert delays([prompt, behind(make_pass(3), 0.012)], [False] * 2, SETTINGS) == [NO_LAG] * 2
    small = behind(make_pass(3), 0.1)
    assert delays([prompt, small], [False] * 2, replace(SETTINGS, delay_least_s=0.15)) == [NO_LAG] * 2
    assert delays([prompt, small], [False] * 2, replace(SETTINGS, delay_sds=40.0)) == [NO_LAG] * 2


def test_a_logger_without_a_clock_is_moved_onto_the_others_either_way() -> None:
    early, right = behind(make_pass(1), -0.3), make_pass(2).source
    found = delays([early, right], [True, False], SETTINGS)
    assert found[1] == NO_LAG and found[0].lag_s == pytest.approx(-0.3, abs=0.03)


def test_a_delay_that_was_taken_off_is_tried_a_little_later_and_a_little_earlier(
    clean_pass: MadePass,
) -> None:
    """Two points at one sd have that mean and that variance."""
    tried = candidates([clean_pass.source, clean_pass.source], SETTINGS, [0.0, 0.01])
    moved = [item[1].time_s - clean_pass.source.time_s for item in tried]
    assert len(tried) == 2 and all(item[0] is clean_pass.source for item in tried)
    assert sorted(float(item[0]) for item in moved) == pytest.approx([-0.01, 0.01])
