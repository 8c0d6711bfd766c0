"""Where the knots stand, and what lies between two of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import BPoly

from speedlog.fusion.knots import between, make_knots, quintic


@given(
    st.floats(-5, 5),
    st.floats(0.5, 40),
    st.lists(st.floats(-2, 45), min_size=0, max_size=6),
    st.floats(0.02, 0.1),
)
def test_knots_rise_reach_both_ends_and_are_close_where_asked(start, length, marks, close_s) -> None:
    end = start + length
    marks = sorted(marks)
    close = [(marks[i], marks[i + 1]) for i in range(0, len(marks) - 1, 2)]
    knots = make_knots(start, end, close, close_s, 0.2)
    step = np.diff(knots)
    sliver = close_s / 4  # shorter steps are joined to a neighbour
    assert knots[-1] == end
    assert start <= knots[0] < start + sliver
    assert np.all(step > 0)
    assert np.all(step <= (0.2 + sliver) * (1 + 1e-6))
    middle = (knots[1:] + knots[:-1]) / 2
    for first, last in close:
        inside = (middle > first) & (middle < last)
        # a sliver of the stretch itself may lie in a wide step
        assert last - first < sliver or np.all(step[inside] <= (close_s + 2 * sliver) * (1 + 1e-6))


def test_no_more_knots_than_needed() -> None:
    """By hand: 10 s at 0.2 s and 1 s of it at 0.05 s: 45 + 20 steps."""
    assert len(make_knots(0.0, 10.0, [(4.0, 5.0)], 0.05, 0.2)) == 45 + 20 + 1


def test_a_time_lies_between_its_knots() -> None:
    knots = np.array([0.0, 0.5, 2.0])
    k, share, step = between(np.array([0.0, 0.25, 0.5, 1.25, 2.0]), knots)
    assert k.tolist() == [0, 0, 1, 1, 1]
    assert share == pytest.approx([0, 0.5, 0, 0.5, 1.0])
    assert step == pytest.approx([0.5, 0.5, 1.5, 1.5, 1.5])


@pytest.mark.parametrize("length", [0.05, 0.2, 1.7])
def test_quintic_equals_scipys_hermite_interpolation(length: float) -> None:
    """Oracle: scipy's BPoly.from_derivatives, and its own derivatives."""
    rng = np.random.default_rng(2)
    left, right = rng.normal(0, 1, 3), rng.normal(0, 1, 3)
    share = np.linspace(0, 1, 11)
    rows = quintic(share, np.full(11, length))
    found = rows @ np.concatenate([left, right])
    oracle = BPoly.from_derivatives([0, length], [left, right])
    for order in range(3):
        wanted = oracle.derivative(order)(share * length) if order else oracle(share * length)
        np.testing.assert_allclose(found[:, order], wanted, rtol=1e-9, atol=1e-9 / length**order)
