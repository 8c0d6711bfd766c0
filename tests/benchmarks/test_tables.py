"""The further tables, by hand."""

from __future__ import annotations

from typing import Any

import pytest
from statsmodels.stats.proportion import proportion_confint

from tests.benchmarks.tables import coverage_table, further, lag_table, verdict_table, wheel_table
from tests.benchmarks.wilson import wilson_percent


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [(81, 263, 25.53, 36.62), (15, 148, 6.24, 16.05), (0, 20, 0.0, 16.11), (1, 29, 0.61, 17.18)],
)
def test_wilson_as_published(hits: int, count: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3; and statsmodels."""
    assert wilson_percent(hits, count) == pytest.approx((low, high), abs=0.006)
    assert wilson_percent(hits, count) == pytest.approx(
        [100 * part for part in proportion_confint(hits, count, method="wilson")]
    )


def _item(**more: Any) -> dict[str, Any]:
    return {
        "family": "x", "true": 50.0, "interval": [49.0, 51.0], "peak_true": 52.0, "peak_interval": [51.0, 52.5],
        "expected": ["agree"], "verdict": "agree", "doubt_due": True, "wheel": None, "lags": [],
    } | more  # fmt: skip


def test_coverage() -> None:
    passes = [_item(), _item(interval=[50.5, 53.5], peak_interval=None), {"family": "x", "failed": "so"}]
    [row] = coverage_table(passes, ["x"])
    # one of two held, widths 2 and 3; the peak once of once
    assert (row["passes"], row["95 %"], row["width"], row["peak 95 %"], row["peak width"]) == (
        2,
        50,
        2.5,
        100,
        1.5,
    )
    assert (row["from"], row["to"]) == wilson_percent(1, 2)


def test_verdicts_right_wrong_and_failed() -> None:
    passes = [
        _item(miskeyed="trap_figure_doubtful"), _item(verdict="logger_low", miskeyed="logger_low"),
        _item(doubt_due=False, miskeyed="agree", expected=["agree", "logger_low"], verdict="logger_low"),
        {"family": "x", "failed": "so", "expected": ["agree"], "doubt_due": True},
    ]  # fmt: skip
    [row] = verdict_table(passes, ["x"])
    # right: the first and the third, of four; a figure was wrong over a logger's sight twice, told once
    assert (row["right"], row["mis-keyed"], row["told"], row["told %"]) == (50.0, 2, 1, 50.0)
    assert row["wrong: right code > said"] == "1 agree > logger_low; 1 agree > None"


def test_wheel_logs() -> None:
    passes = [
        _item(wheel={"offset_ms": 3.0, "speed_mps": 0.1}), _item(wheel={"offset_ms": -4.0}), _item(wheel={}),
        _item(),
    ]  # fmt: skip
    [row] = wheel_table(passes, ["x", "none of these"])
    # rms of 3 and -4 is 3.5355, their mean -0.5
    assert (row["wheel logs"], row["aligned"], row["in the trap"]) == (3, 2, 1)
    assert row["offset ms"] == pytest.approx(3.5355, abs=1e-4) and row["offset bias ms"] == -0.5
    assert row["worst ms"] == 4.0 and row["wheel m/s"] == pytest.approx(0.1)


def test_lags() -> None:
    lags = [
        {"true": 0.20, "lag": 0.23, "u": 0.01}, {"true": 0.30, "lag": 0.30, "u": 0.01},
        {"true": 0.10, "lag": None, "u": None}, {"true": 0.0, "lag": 0.02, "u": 0.01},
    ]  # fmt: skip
    [row] = lag_table([_item(lags=lags)], ["x"])
    # errors 0.03 and 0 of the two that are told: rms 0.0212; 0.03 is beyond 1.96 times 0.01
    assert (row["lagging"], row["told"], row["lag 95 %"]) == (3, 2, 50.0)
    assert row["lag s"] == pytest.approx(0.02121, abs=1e-5) and row["prompt s"] == pytest.approx(0.02)
    assert lag_table([_item(lags=lags[3:])], ["x"]) == []


def test_tables_without_rows_are_left_out() -> None:
    assert [name for name, *_ in further([_item()], ["x"])] == ["coverage", "verdicts"]
