"""Stopping distance from logged braking: a shutdown worked by hand, and the simulator's."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from speedlog.results import Pass, Trace, Trap
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.stopping import Braking, braking, stopping

SETTINGS = ForecastSettings()
ZERO = pd.Timestamp("2026-07-12T10:00:00Z")


def a_pass(outbound: bool = True) -> Pass:
    """80 m/s for 2 s, the trap left after 1 s, then 10 m/s² to a stand."""
    time = np.arange(0.0, 11.0, 0.1)
    speed = np.where(time < 2, 80.0, np.maximum(80.0 - 10 * (time - 2), 0.0))
    accel = np.where((time >= 2) & (speed > 0), -10.0, 0.0)
    gone = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * 0.1)])
    along = 500.0 + gone if outbound else 580.0 + 520.0 - gone
    trace = Trace(time, along, speed, speed - 0.1, speed + 0.1, accel, ())
    trap = Trap(550.0, 580.0, None, 80.0, (79.9, 80.1), ZERO, ZERO, 1.0) if outbound else Trap(
        1020.0, 1050.0, None, 80.0, (79.9, 80.1), ZERO, ZERO, 1.0
    )  # fmt: skip
    return Pass(1, ZERO, ZERO, 75.0, outbound, trap, None, (), None, None, None, (), trace=trace)


@pytest.mark.parametrize("outbound", [True, False])
def test_braking_by_hand(outbound: bool) -> None:
    found = braking(a_pass(outbound), SETTINGS)
    assert found is not None
    assert found.decel_mps2 == pytest.approx(10.0, rel=0.02)
    assert found.roll_s == pytest.approx(1.0, abs=0.15)


def test_a_coast_to_a_stand_is_no_braking() -> None:
    slow = a_pass()
    assert slow.trace is not None
    trace = slow.trace
    calm = Trace(trace.time_s, trace.along_m, np.linspace(80, 70, len(trace.time_s)), trace.speed_low_mps,
                 trace.speed_high_mps, np.full(len(trace.time_s), -0.5), ())  # fmt: skip
    assert (
        braking(
            Pass(1, ZERO, ZERO, 75.0, True, slow.trap, None, (), None, None, None, (), trace=calm), SETTINGS
        )
        is None
    )


def test_distance_by_hand() -> None:
    """v t + v²/2a = 80 * 1 + 6400 / 20 = 400 m."""
    brakes = [Braking(1.0, 10.0, 0.1, 80.0)] * 2
    found = stopping(brakes, Quantity95.spread(80.0, 0.0), 900.0, SETTINGS)
    assert found.distance_m is not None and found.distance_m.value == pytest.approx(400.0)
    assert found.fits is True
    # the interval's far end decides, on both sides of it
    assert stopping(brakes, Quantity95.spread(80.0, 0.0), found.distance_m.high - 0.1, SETTINGS).fits is False
    assert stopping(brakes, Quantity95.spread(80.0, 0.0), found.distance_m.high + 0.1, SETTINGS).fits is True
    assert stopping(brakes, Quantity95.spread(80.0, 0.0), None, SETTINGS).fits is None


def test_one_pass_is_less_sure_than_two() -> None:
    one = stopping([Braking(1.0, 10.0, 0.1, 80.0)], Quantity95.spread(80.0, 0.5), None, SETTINGS).distance_m
    two = stopping(
        [Braking(1.0, 10.0, 0.1, 80.0)] * 2, Quantity95.spread(80.0, 0.5), None, SETTINGS
    ).distance_m
    assert one and two and one.high - one.low > two.high - two.low


def test_without_braking_it_says_why() -> None:
    found = stopping([], Quantity95.spread(80.0, 0.5), 500.0, SETTINGS)
    assert found.distance_m is None and found.fits is None and "braking" in found.why_not[""]


def test_no_distance_is_below_zero() -> None:
    """A walking pace known to its half: the interval would reach past the trap."""
    found = stopping([Braking(1.0, 10.0, 0.1, 80.0)], Quantity95.spread(3.0, 1.5), 900.0, SETTINGS).distance_m
    assert found is not None and found.low == 0.0 < found.value < found.high
