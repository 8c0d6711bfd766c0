"""Personal bests, by hand."""

from __future__ import annotations

import pytest

from speedlog.logbook.figures import Figure, figure_unit, gain, in_order, moment
from speedlog.logbook.ladders import gnss_ladder, trap_ladder
from tests.logbook.kept import kept


def at(minute: int) -> str:
    return f"2026-07-12T10:{minute:02d}:00.000000Z"


def test_each_new_best_is_a_step_with_its_gain_and_whether_it_is_beyond_the_noise() -> None:
    """By hand: √(0.3² + 0.4²) = 0.5; a gain of 0.6 is beyond it, one of 0.4 is not."""
    rows = [
        kept(1, trap=80.0, trap_u=0.3, at=at(1)),
        kept(2, trap=79.0, at=at(2)),
        kept(3, trap=80.6, trap_u=0.4, at=at(3)),
        kept(4, trap=81.0, trap_u=0.3, at=at(4)),
        kept(5, trap=81.0, at=at(5)),  # the same again is no new best
    ]
    ladder = trap_ladder(rows)
    assert [step.row.id for step in ladder.steps] == [1, 3, 4]
    first, second, third = ladder.steps
    assert first.gain is None
    assert second.gain is not None and third.gain is not None
    assert second.gain.mps == pytest.approx(0.6) and second.gain.u95_mps == pytest.approx(0.5)
    assert second.gain.beyond is True
    assert third.gain.mps == pytest.approx(0.4) and third.gain.beyond is False
    assert ladder.best is third


def test_the_two_ladders_are_separate() -> None:
    rows = [kept(1, trap=80.0, peak=82.0, at=at(1)), kept(2, trap=81.0, peak=81.5, at=at(2))]
    assert [step.row.id for step in trap_ladder(rows).steps] == [1, 2]
    assert [step.row.id for step in gnss_ladder(rows).steps] == [1]


def test_a_figure_in_doubt_makes_no_best_and_is_listed_as_what_it_would_be() -> None:
    rows = [
        kept(1, trap=80.0, at=at(1)),
        kept(2, trap=92.0, peak=80.9, at=at(2), verdict="trap_figure_doubtful"),
        kept(3, trap=80.5, at=at(3)),
        kept(4, trap=80.1, at=at(4), verdict="trap_figure_doubtful"),  # would not even be one
    ]
    ladder = trap_ladder(rows)
    assert [step.row.id for step in ladder.steps] == [1, 3]
    assert [step.row.id for step in ladder.doubted] == [2]
    # the figure's doubt does not touch the logs' own ladder
    assert [step.row.id for step in gnss_ladder(rows).steps] == [2]


def test_order_is_that_of_driving_and_not_of_keeping() -> None:
    early = kept(9, trap=80.0, at=at(1))
    late = kept(3, trap=81.0, at=at(5))
    assert [step.row.id for step in trap_ladder([late, early]).steps] == [9, 3]


def test_a_pass_without_a_log_stands_by_its_number_and_counts_as_read_out() -> None:
    """187.5 mph = 83.82 m/s (NIST SP 811: 1 mph = 0.44704 m/s exactly)."""
    rows = [
        kept(1, trap=83.0, at=at(1)),
        kept(3, trap=84.0, at=at(9)),
        kept(2, at=None, trap_text="187.5 mph", result=None),
    ]
    assert [row.id for row in in_order(rows)] == [1, 2, 3]
    ladder = trap_ladder(rows)
    assert [step.row.id for step in ladder.steps] == [1, 2, 3]
    unknown = ladder.steps[1]
    assert unknown.figure == Figure(187.5 * 0.44704)
    assert unknown.gain is not None and unknown.gain.beyond is None
    assert unknown.as_json()["interval95_mps"] is None


def test_a_time_without_a_course_is_no_speed() -> None:
    assert trap_ladder([kept(1, at=None, trap_text="0.370 s", result=None)]).steps == ()


def test_nothing_gives_no_best() -> None:
    ladder = trap_ladder([])
    assert ladder.best is None and ladder.as_json() == {"best_pass": None, "steps": [], "doubted": []}


def test_moments_with_nanoseconds_are_read() -> None:
    found = moment(kept(1, at="2026-07-12T10:00:01.123456789Z"))
    assert found is not None and found.microsecond == 123456


def test_gain_just_at_the_uncertainty_is_within_the_noise() -> None:
    assert gain(Figure(1.0, 0.75, 1.25), Figure(0.75, 0.75, 0.75)).beyond is False
    assert gain(Figure(1.001, 0.751, 1.251), Figure(0.75, 0.75, 0.75)).beyond is True


def test_the_unit_of_a_list_is_that_of_most_figures() -> None:
    rows = [kept(k, trap_text=text) for k, text in enumerate(["187.5 mph", "300 km/h", "190,1mph", "0.37 s"])]
    assert figure_unit(rows) == "mph"
    assert figure_unit(rows[3:]) is None


@pytest.mark.parametrize(("half", "best"), [(2.4, 2), (2.6, 1)])
def test_a_fastest_moment_told_too_vaguely_makes_no_best(half: float, best: int) -> None:
    """3 % of 85 m/s are 2.55 m/s: what a verdict asks of an estimate (design, section 5, rule 1)."""
    ladder = gnss_ladder([kept(1, peak=80.0, at=at(1)), kept(2, peak=85.0, peak_u=half, at=at(2))])
    assert ladder.best is not None and ladder.best.row.id == best
    assert [step.row.id for step in ladder.doubted] == ([] if best == 2 else [2])
