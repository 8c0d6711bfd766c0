"""Random signals have the statistics they state. Limits are five standard errors of each estimate."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.demo.noise import drift, rounded


def test_drift_has_its_sd_and_correlation() -> None:
    # 4000 independent signals; sd of a sample sd is sd / sqrt(2 n), of a correlation (1 - r²) / sqrt(n)
    rng = np.random.default_rng(7)
    time = np.array([0.0, 1.0, 3.0, 10.0])
    found = np.array([drift(rng, time, 0.04, 5.0) for _ in range(4000)])
    assert found.std(axis=0) == pytest.approx(0.04, abs=5 * 0.04 / np.sqrt(8000))
    for k, apart in ((1, 1.0), (2, 3.0), (3, 10.0)):
        expected = np.exp(-apart / 5.0)
        allowed = 5 * (1 - expected**2) / np.sqrt(4000)
        assert np.corrcoef(found[:, 0], found[:, k])[0, 1] == pytest.approx(expected, abs=allowed)


def test_drift_of_nothing_is_nothing() -> None:
    assert len(drift(np.random.default_rng(1), np.empty(0), 1.0, 1.0)) == 0


def test_rounding() -> None:
    assert rounded(np.array([14.0, 16.0, -3.0]), 10.0) == pytest.approx([10.0, 20.0, 0.0])
    assert rounded(np.array([1.23]), 0.0) == pytest.approx([1.23])
