"""Running medians and maxima against scipy.ndimage, which they stand in for on short arrays."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d, median_filter

from speedlog import running

VALUES = st.lists(st.floats(-1e3, 1e3) | st.sampled_from([0.0, 1.0]), min_size=1, max_size=40)


@given(VALUES, st.integers(1, 26))
def test_medians_are_those_of_scipy(values: list[float], rows: int) -> None:
    wanted = median_filter(np.array(values), size=rows, mode="nearest")
    np.testing.assert_array_equal(running.running_median(np.array(values), rows), wanted)


@given(VALUES)
def test_maxima_are_those_of_scipy(values: list[float]) -> None:
    wanted = maximum_filter1d(np.array(values), 5)
    np.testing.assert_array_equal(running.running_maximum(np.array(values), 5), wanted)


@pytest.mark.parametrize("longest", [5, 6, 7])
def test_long_arrays_are_left_to_scipy_with_the_same_result(longest: int) -> None:
    values = np.array([3.0, 9.0, 1.0, 4.0, 4.5, 7.0])
    with patch.object(running, "_LONG", longest):
        assert running.running_median(values, 3).tolist() == [3.0, 3.0, 4.0, 4.0, 4.5, 7.0]  # by hand


def test_nothing_has_no_median_and_no_maximum() -> None:
    assert len(running.running_median(np.empty(0), 3)) == len(running.running_maximum(np.empty(0), 5)) == 0
