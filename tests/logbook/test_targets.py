"""Targets and what is to go, in the target's own unit."""

from __future__ import annotations

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook.figures import Figure
from speedlog.logbook.ladders import gnss_ladder, trap_ladder
from speedlog.logbook.targets import Target, best_of, progress
from speedlog.logbook.two_way import Rule, two_way_ladders
from tests.logbook.kept import kept

MPH = 0.44704  # m/s, NIST SP 811


@pytest.mark.parametrize(
    ("text", "best_mps", "said"),
    [
        ("190 mph", 186.8 * MPH, "3.2 mph"),
        ("190.00 mph", 186.8 * MPH, "3.20 mph"),
        ("300 km/h", 80.0, "12.0 km/h"),  # 80 m/s = 288 km/h
        ("85,5 m/s", 84.0, "1.5 m/s"),
        ("190 mph", 189.99 * MPH, "0.1 mph"),  # never "0.0" to go
    ],
)
def test_to_go_is_said_in_the_unit_of_the_text(text: str, best_mps: float, said: str) -> None:
    found = progress(Target(1, "trap", text), Figure(best_mps), (7,))
    assert found.to_go_text == said and not found.reached and found.passes == (7,)


def test_reached_and_how_far_beyond() -> None:
    found = progress(Target(1, "trap", "180 mph"), Figure(181.3 * MPH))
    assert found.reached and found.to_go_text == "1.3 mph"
    assert progress(Target(1, "trap", "80 m/s"), Figure(80.0)).reached


def test_a_target_inside_the_interval_of_the_best_is_within_the_noise() -> None:
    assert progress(Target(1, "gnss", "80 m/s"), Figure(79.8, 79.5, 80.1)).within_noise
    assert not progress(Target(1, "gnss", "80 m/s"), Figure(79.6, 79.3, 79.9)).within_noise


def test_no_best_yet() -> None:
    found = progress(Target(1, "trap", "80 m/s"), None)
    assert found.to_go_mps is None and not found.reached and found.as_json()["to_go_text"] is None


def test_a_target_needs_a_unit() -> None:
    with pytest.raises(SpeedlogError, match="has no unit"):
        progress(Target(1, "trap", "190"), None)


def test_each_target_looks_at_its_own_ladder() -> None:
    rows = [
        kept(1, trap=80.0, peak=83.0, outbound=True, at="2026-07-12T10:00:00Z"),
        kept(2, trap=82.0, peak=82.5, outbound=False, at="2026-07-12T10:09:00Z"),
    ]
    ladders = trap_ladder(rows), gnss_ladder(rows), two_way_ladders(rows, Rule(mean="speeds"))
    found = {
        name: best_of(Target(1, name, "90 m/s"), *ladders)  # type: ignore[arg-type]
        for name in ("trap", "gnss", "two_way")
    }
    assert {name: (figure.mps, passes) for name, (figure, passes) in found.items() if figure} == {
        "trap": (82.0, (2,)), "gnss": (83.0, (1,)), "two_way": (81.0, (1, 2)),
    }  # fmt: skip
    assert best_of(Target(1, "two_way", "90 m/s"), trap_ladder([]), gnss_ladder([]), ()) == (None, ())
