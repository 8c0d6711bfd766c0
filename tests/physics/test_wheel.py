"""Wheel equation, worked by hand in references.md topic 11."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.physics.wheel import wheel_speed


@pytest.mark.parametrize(
    ("rpm", "diameter_m", "gear", "wanted_mps"),
    [
        (20000.0, 0.088, 1.0, 92.153385),
        (21702.9468, 0.088, 1.0, 100.0),
        (20000.0, 0.088 * 1.05, 1.0, 96.761054),  # grown by 5 %
        (40000.0, 0.088, 2.0, 92.153385),
    ],
)
def test_tread_speed(rpm: float, diameter_m: float, gear: float, wanted_mps: float) -> None:
    assert wheel_speed(np.array([rpm]), diameter_m, gear)[0] == pytest.approx(wanted_mps, abs=1e-6)
