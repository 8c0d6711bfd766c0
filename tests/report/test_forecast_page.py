"""The page of a forecast: passes as logged, holes and all. (What is on it: tests/cli/test_forecast_json.py.)"""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from speedlog.report.forecast_page import _path, logged
from speedlog.report.plain_chart import Frame
from speedlog.vehicle.observed import Channel


def channel(kind: str, time: np.ndarray, value: np.ndarray, sd: float) -> Channel:
    return Channel(kind, time, value, np.full(len(time), sd), np.full(len(time), 0.06), 8.0)


def a_pass(*channels: Channel) -> Any:
    """Driven from 2 s on at 10 m/s² by the fit."""
    time = np.linspace(2.0, 8.0, 61)
    travel = 5.0 * (time - 2.0) ** 2
    return cast(
        Any, SimpleNamespace(observed=SimpleNamespace(channels=channels), time_s=time, travel_m=travel)
    )


def test_a_pass_is_drawn_as_its_quietest_logger_read_it() -> None:
    time = np.array([2.0, 3.0, 4.0, 5.0])
    good = channel("speed", time, np.array([0.1, 9.8, 20.3, 29.9]), 0.05)
    other = channel("speed", time, np.array([0.0, 8.0, 18.0, 28.0]), 0.2)
    turns = channel("rpm", time, np.array([0.0, 2e3, 4e3, 6e3]), 0.01)
    travel, speed = logged(a_pass(other, turns, good))
    assert speed == pytest.approx(good.value)  # the readings, not what the fit makes of them
    assert travel == pytest.approx([0.0, 5.0, 20.0, 45.0])  # 5 t², by hand


def test_a_hole_in_the_log_is_a_hole_in_the_line() -> None:
    time = np.array([2.0, 3.0, 5.0, 6.0])  # nothing for 2 s
    travel, speed = logged(a_pass(channel("speed", time, 10 * (time - 2), 0.05)))
    assert np.isnan(speed).sum() == 1 and np.isnan(speed[2]) and len(travel) == len(speed) == 5
    drawn = _path(travel, speed, Frame(0.0, 100.0, 0.0, 50.0, 340))
    assert [len(part.split("L")) for part in re.findall(r"M([^M]*)", drawn)] == [2, 2]


def test_a_whole_line_is_one_stroke() -> None:
    drawn = _path(
        np.array([0.0, 50.0, 100.0]), np.array([0.0, 30.0, 50.0]), Frame(0.0, 100.0, 0.0, 50.0, 340)
    )
    assert drawn.count("M") == 1 and drawn.count("L") == 2 and "nan" not in drawn
