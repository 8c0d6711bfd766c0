"""What is true of a wheel log and of a lag, by the simulator's own settings; errors by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks.instruments import (
    corrected_error_mps,
    lags_found,
    true_lags,
    true_offset_s,
    wheel_found,
    wheel_truth,
)


@pytest.fixture(scope="module")
def run() -> SimulatedPass:
    return family("gap_wheel", seeded(3, "gap_wheel", 1))


def test_true_offset_by_the_clocks_own_figures(run: SimulatedPass) -> None:
    """UTC less the clock, which read zero at `on_s` and gains `fast_ppm`."""
    assert run.wheel is not None
    made = run.wheel[1].controller
    middle = 0.5 * (run.truth.entry_s + run.truth.exit_s)
    clock = (middle - made.on_s) * (1 + made.fast_ppm * 1e-6)
    # doubles of 1.7e9 s carry a quarter of a microsecond
    assert true_offset_s(run, run.wheel[1]) == pytest.approx(run.launch_ns / 1e9 + middle - clock, abs=1e-6)


def test_a_perfect_program_has_no_error(run: SimulatedPass) -> None:
    truth = wheel_truth(run)
    assert truth is not None and run.wheel is not None
    log = run.wheel[1]
    speed = run.truth.motion_at(log.true_s)[1]
    start = pd.Timestamp(run.launch_ns, unit="ns", tz="UTC")
    time = log.clock_s + truth["offset_s"] - run.launch_ns / 1e9

    def told(late_s: float, fast_mps: float) -> dict[str, float] | None:
        trace = SimpleNamespace(kind="wheel", time_s=time + late_s, speed_mps=speed + fast_mps)
        item = SimpleNamespace(start_utc=start, trace=SimpleNamespace(loggers=[trace]))
        recording = SimpleNamespace(file="controller.csv", clock_offset_s=truth["offset_s"] + late_s)
        return wheel_found(truth, SimpleNamespace(recordings=[recording]), item)

    assert told(0.0, 0.0) == pytest.approx({"offset_ms": 0.0, "speed_mps": 0.0}, abs=1e-3)
    # moved by 12 ms, it still finds each row by its own clock
    assert told(0.012, 0.25) == pytest.approx({"offset_ms": 12.0, "speed_mps": 0.25}, abs=1e-3)


def test_rows_that_spin_or_are_missing_tell_nothing() -> None:
    rows = [[10.0, 70.0, True], [10.1, 71.0, False], [10.2, 72.0, True]]
    clock, speed = np.array([10.0, 10.1]), np.array([70.4, 99.0])
    assert corrected_error_mps(rows, clock, speed) == pytest.approx(0.4)
    assert corrected_error_mps(rows[1:], clock, speed) is None
    assert corrected_error_mps(rows, clock, np.array([np.nan, 99.0])) is None


def test_no_wheel_log_no_record() -> None:
    bare = family("gap", seeded(3, "gap", 0))
    assert wheel_truth(bare) is None and wheel_found(None, None, None) is None


def test_lag_is_delay_and_filter_together() -> None:
    run = family("two_lags", seeded(3, "two_lags", 0))
    lags = true_lags(run)
    assert len(lags) == 2 and all(0.05 <= value <= 0.5 for value in lags.values())
    first, second = lags
    said = SimpleNamespace(loggers=[SimpleNamespace(file=second, lag_s=0.2, lag_u_s=0.01)])
    assert lags_found(lags, said) == [
        {"true": lags[first], "lag": None, "u": None}, {"true": lags[second], "lag": 0.2, "u": 0.01},
    ]  # fmt: skip
