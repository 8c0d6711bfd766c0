"""Reception against current: a planted loss is found, and where there is none it is not, however the noise goes."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.fix_loss import fix_loss_of, held_at_speed, permuted
from speedlog.vehicle.study import study
from tests.vehicle.simulated import FACTS, Simulated, simulated, without

S = VehicleSettings()
QUICK = VehicleSettings(fix_permutations=499)


def wandering(rng: np.random.Generator, count: int, sd: float, seconds: float = 1.0) -> np.ndarray:
    """(N,) an autoregression at 25 Hz that forgets in `seconds`."""
    keep = np.exp(-0.04 / seconds)
    out = np.empty(count)
    held = rng.normal(0, sd)
    for k in range(count):
        held = keep * held + sd * np.sqrt(1 - keep**2) * rng.normal()
        out[k] = held
    return out


def received(seed: int, per_100_a: float, hdop: float = 0.0) -> Simulated:
    """A pass whose signal strength falls with motor current."""
    rng = np.random.default_rng(seed)
    plain = simulated(seed)
    trace = plain.pass_.trace
    assert trace is not None
    time, wheel = trace.loggers[0].time_s, trace.loggers[1]
    current = np.interp(time, wheel.time_s, wheel.channels["current_a"])
    reception = {
        "cn0_dbhz": 44 + wandering(rng, len(time), 0.6) + per_100_a * current / 100,
        "satellites": np.round(16 + wandering(rng, len(time), 1.0)),
        "hdop": 0.8 + np.abs(wandering(rng, len(time), 0.05)) + hdop * current / 100,
    }
    return simulated(seed, reception=reception)


@pytest.mark.parametrize("hdop", [0.0, 0.3])
def test_a_planted_loss_is_found_over_three_passes(hdop: float) -> None:
    found = fix_loss_of([received(seed, -2.0, hdop).pass_ for seed in range(3)], S)
    assert found.evidence == "strong" and found.try_next == wording.TRY_NEXT
    worst = {item.signal: item for item in found.signals}
    assert worst["cn0_dbhz"].per_100_a.low < -2.0 < worst["cn0_dbhz"].per_100_a.high
    assert worst["satellites"].p_value > 0.05
    assert worst["cn0_dbhz"].passes == 3
    assert (
        "Reception got worse when the motor drew current" in found.text
        and "by chance alone once in" in found.text
    )
    assert (worst["hdop"].p_value < 0.01) == (hdop > 0)


def test_no_loss_is_called_none_in_nearly_all() -> None:
    """25 pairs of passes without any effect, called odd in 5 of 100: more than 5 would come once in 800."""
    odd = sum(
        fix_loss_of([received(2 * k, 0.0).pass_, received(2 * k + 1, 0.0).pass_], QUICK).evidence != "none"
        for k in range(25)
    )
    assert odd <= 5


def test_the_test_itself_is_level_under_strong_correlation() -> None:
    """400 series that wander over a second, against one run-up and shutdown: p under 0.05 near 5 of 100."""
    rng = np.random.default_rng(8)
    time = np.arange(0, 22, 0.04)
    speed = np.where(time < 12, 85 * (1 - np.exp(-time / 5)) + 1.1, np.maximum(78 - 9 * (time - 12), 1.1))
    current = np.where(time < 12, 20 + 15 * time, 0.0)
    low = 0
    for _ in range(400):
        held = held_at_speed(time, wandering(rng, len(time), 1.0), current, speed, QUICK)
        low += permuted([held], 1.0, QUICK)[1] <= 0.05
    assert 0.02 < low / 400 < 0.09  # 20 at 5 % is 0.028 to 0.072 (99 %, binomial)


def test_a_gain_is_no_loss() -> None:
    found = fix_loss_of([received(seed, 2.0).pass_ for seed in range(3)], S)
    assert {item.signal: item.p_value for item in found.signals}["cn0_dbhz"] > 0.9
    assert found.evidence == "none"


def test_earlier_passes_are_looked_at_too() -> None:
    items = [received(seed, -2.0) for seed in range(3)]
    before = [Earlier(item.pass_, FACTS, study(item.pass_, FACTS)) for item in items[:2]]
    assert study(items[2].pass_, FACTS, before).fix_loss.signals[0].passes == 3


def test_why_not() -> None:
    assert fix_loss_of([simulated(1).pass_], S).why_not[""] == wording.NO_SIGNAL
    item = received(1, -2.0)
    assert fix_loss_of([item.pass_, without(item, "current_a")], S).why_not[""] == wording.NO_CURRENT
    assert fix_loss_of([item.pass_], VehicleSettings(fix_least_blocks=99)).why_not[""] == wording.FEW_BLOCKS
    assert study(without(item, "current_a"), CarFacts()).fix_loss.evidence is None
