"""Crossings of a beam, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.course.beams import crossing_times


def test_straight_between_samples():
    # 50 m/s: 520 m lies a fifth of the way from 510 to 560
    assert crossing_times(np.array([0.0, 1.0, 2.0]), np.array([510.0, 560.0, 610.0]), 520.0) == pytest.approx(
        [0.2]
    )


def test_return_pass_falls_through_the_beam():
    assert crossing_times(np.array([0.0, 1.0]), np.array([560.0, 510.0]), 550.0) == pytest.approx([0.2])


def test_out_and_back_are_two_crossings():
    times = crossing_times(np.array([0.0, 1.0, 2.0]), np.array([0.0, 100.0, 0.0]), 25.0)
    assert times == pytest.approx([0.25, 1.75])


@pytest.mark.parametrize(
    ("along", "expected"),
    [
        ([0.0, 50.0, 100.0], [1.0]),  # a sample on the beam counts once
        ([0.0, 50.0, 50.0, 100.0], [1.0]),  # standing on it too
        ([0.0, 50.0, 0.0], []),  # touched and turned back: no crossing
        ([50.0, 100.0], []),  # started on it
        ([50.0, 50.0], []),
        ([10.0], []),
        ([], []),
    ],
)
def test_samples_on_the_beam(along, expected):
    assert crossing_times(np.arange(float(len(along))), np.array(along), 50.0) == pytest.approx(expected)


def test_missing_places_are_bridged():
    along = np.array([0.0, np.nan, np.nan, 90.0])
    assert crossing_times(np.arange(4.0), along, 45.0) == pytest.approx([1.5])
