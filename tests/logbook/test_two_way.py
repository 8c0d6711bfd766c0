"""Two-way means by the user's rule, by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.logbook.two_way import Rule, mean_of_speeds, mean_of_times, pairs, two_way_ladders
from tests.logbook.kept import kept


def at(minute: int) -> str:
    return f"2026-07-12T{10 + minute // 60}:{minute % 60:02d}:00.000000Z"


def test_the_mean_of_the_times_by_hand() -> None:
    """30 m at 75 m/s takes 0.4 s, at 100 m/s 0.3 s: 60 m in 0.7 s are 85.714 m/s, the speeds' mean is 87.5."""
    assert mean_of_times(75.0, 100.0) == pytest.approx(60 / 0.7)
    assert mean_of_speeds(75.0, 100.0) == 87.5


@given(st.floats(1, 400), st.floats(1, 400))
def test_the_mean_of_the_times_is_never_the_higher(one: float, other: float) -> None:
    assert (
        min(one, other) * (1 - 1e-12) <= mean_of_times(one, other) <= mean_of_speeds(one, other) * (1 + 1e-12)
    )


def test_the_best_opposite_pair_within_the_window() -> None:
    rows = [
        kept(1, trap=80.0, outbound=True, at=at(0)),
        kept(2, trap=90.0, outbound=True, at=at(10)),  # the same way as 1
        kept(3, trap=82.0, outbound=False, at=at(20)),
        kept(4, trap=84.0, outbound=False, at=at(71)),  # 61 minutes after 2, 71 after 1
    ]
    (found,) = two_way_ladders(rows, Rule("club", 3600.0, "speeds"))
    # 2 with 3: 86; 1 with 3: 81, below it by then
    assert [(step.pair.first.id, step.pair.second.id) for step in found.steps] == [(2, 3)]
    assert found.steps[0].figure.mps == 86.0 and found.steps[0].pair.apart_s == 600.0
    (wider,) = two_way_ladders(rows, Rule("club", 3660.0, "speeds"))
    assert wider.best is not None and (wider.best.pair.first.id, wider.best.pair.second.id) == (2, 4)
    assert wider.best.figure.mps == 87.0 and wider.best.gain is not None and wider.best.gain.mps == 1.0


def test_the_interval_is_carried_end_by_end() -> None:
    """By hand: means of 79.8 and 99.6, of 80.2 and 100.4."""
    rows = [
        kept(1, trap=80.0, trap_u=0.2, at=at(0)),
        kept(2, trap=100.0, trap_u=0.4, outbound=False, at=at(9)),
    ]
    (pair,) = pairs(rows, 3600.0)
    assert (pair.speeds.low_mps, pair.speeds.high_mps) == (pytest.approx(89.7), pytest.approx(90.3))
    assert pair.times.low_mps == pytest.approx(2 / (1 / 79.8 + 1 / 99.6))
    assert pair.times.high_mps == pytest.approx(2 / (1 / 80.2 + 1 / 100.4))


@pytest.mark.parametrize(("last", "counts"), [(80.79, False), (80.81, True)])
def test_a_least_gain_must_be_beaten(last: float, counts: bool) -> None:
    """1 % above 80 m/s is 80.8 m/s."""
    rows = [
        kept(1, trap=80.0, outbound=True, at=at(0)),
        kept(2, trap=80.0, outbound=False, at=at(5)),
        kept(3, trap=last, outbound=True, at=at(300)),
        kept(4, trap=last, outbound=False, at=at(305)),
    ]
    (found,) = two_way_ladders(rows, Rule("club", 3600.0, "speeds", 0.01))
    assert len(found.steps) == (2 if counts else 1)
    assert [step.pair.second.id for step in found.short] == ([] if counts else [4])


def test_cars_and_venues_and_traps_are_not_mixed() -> None:
    rows = [
        kept(1, trap=80.0, outbound=True, at=at(0)),
        kept(2, trap=80.0, outbound=False, at=at(1), car="Other"),
        kept(3, trap=80.0, outbound=False, at=at(2), venue="Elsewhere"),
        kept(4, trap=80.0, outbound=False, at=at(3), trap_length_m=50.0),
        kept(5, trap=80.0, outbound=None, at=at(4)),
        kept(6, outbound=False, at=at(5)),  # no figure
    ]
    assert two_way_ladders(rows, Rule()) == ()


def test_traps_of_one_length_to_the_millimetre_are_one() -> None:
    one = kept(1, trap=80.0, outbound=True, at=at(0))
    assert pairs([one, kept(2, trap=80.0, outbound=False, at=at(1), trap_length_m=30.0009)], 60.0)
    assert not pairs([one, kept(2, trap=80.0, outbound=False, at=at(1), trap_length_m=30.0011)], 60.0)


def test_a_figure_in_doubt_makes_no_mean_and_is_listed() -> None:
    rows = [
        kept(1, trap=80.0, outbound=True, at=at(0)),
        kept(2, trap=95.0, outbound=False, at=at(5), verdict="trap_figure_doubtful"),
        kept(3, trap=81.0, outbound=False, at=at(9)),
    ]
    (found,) = two_way_ladders(rows, Rule("club", 3600.0, "speeds"))
    assert [step.pair.second.id for step in found.steps] == [3]
    assert [step.pair.second.id for step in found.doubted] == [2]
