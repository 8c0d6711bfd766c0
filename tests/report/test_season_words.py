"""The sentences about a season: plain, with a unit to every figure, and blaming nobody."""

from __future__ import annotations

from dataclasses import replace

import pytest

from speedlog.logbook.figures import Figure, Gain
from speedlog.logbook.history import Chosen
from speedlog.logbook.ladders import Step
from speedlog.logbook.season_agreement import Agreement, Direction, Term, Value
from speedlog.logbook.two_way import Rule
from speedlog.report import season_words as words
from speedlog.report.numbers import as_text, speed_unit
from tests.logbook.kept import kept

MPH = speed_unit("mph")
SCALE = Value(0.0031, 0.0019, 0.0043)
FOUND = Agreement("Field", 30.0, 12, 4, SCALE, (), (Term("scale", SCALE),), True, {}, 83.82)


def said(found: Agreement) -> str:
    return as_text(" ".join(words.agreement(found)), MPH).replace("\u00a0", " ")


def test_a_scale_beyond_chance() -> None:
    """0.31 % of 187.5 mph (83.82 m/s) are 0.58 mph."""
    assert said(FOUND) == (
        "Field: 12 passes in 4 sessions through the 30 m trap: on average the trap figures are 0.31 % ± 0.12 % "
        "above the loggers' estimates. Beyond chance: loggers and trap differ by +0.31 % ± 0.12 %, 0.6 mph at "
        "187.5 mph. It looks like a scale (the trap's length as taped, or the loggers' own speeds). "
        "Either may be off; ask the timekeeper."
    )


def test_a_lag_and_what_would_look_the_same() -> None:
    told = said(replace(FOUND, terms=(Term("lag", Value(-0.152, -0.19, -0.114), ("scale", "place")),)))
    assert "as if by −0.152 s ± 0.038 s. It looks like a lag" in told
    assert "; a scale (the trap's length as taped, or the loggers' own speeds) and a misplaced trap" in told
    assert "would look much the same." in told


@pytest.mark.parametrize(("metres", "way"), [(2.1, "further along"), (-2.1, "nearer to the start")])
def test_a_misplaced_trap(metres: float, way: str) -> None:
    told = said(replace(FOUND, terms=(Term("place", Value(metres, metres - 0.8, metres + 0.8)),)))
    assert f"as if the trap lay 2.1 m ± 0.8 m {way}" in told and words.BLAMES_NOBODY in told


def test_all_within_chance() -> None:
    told = said(replace(FOUND, mean=Value(-0.0002, -0.0012, 0.0008), terms=()))
    assert "0.02 % ± 0.10 % below the loggers' estimates. No difference is beyond chance." in told
    assert "timekeeper" not in told


def test_too_few_say_so_and_what_was_left_out() -> None:
    few = replace(
        FOUND, passes=1, sessions=1, enough=False, mean=None, terms=(), left_out={"direction unknown": 2}
    )
    assert said(few) == (
        "Field: 1 pass in 1 session through the 30 m trap are too few to tell; it takes some more, on several days. "
        "Left out: 2 (direction unknown)."
    )


def test_by_direction() -> None:
    value = Value(0.001, 0.0, 0.002)
    ways = (Direction(True, 8, value), Direction(False, 4, Value(-0.002, -0.004, 0.0)))
    told = said(replace(FOUND, directions=ways))
    assert "By direction: outbound +0.10 % ± 0.10 % (8 passes), return −0.20 % ± 0.20 % (4 passes)." in told
    assert "By direction" not in said(replace(FOUND, directions=(ways[0], Direction(False, 1, None))))


def test_gains() -> None:
    """0.44704 m/s is 1 mph."""

    def told(gain: Gain | None) -> str:
        return as_text(words.gained(gain), MPH).replace("\u00a0", " ")

    assert told(None) == "the first"
    assert told(Gain(0.44704, 0.22352)) == "+1.0 mph, beyond the noise of 0.5 mph"
    assert told(Gain(0.22352, 0.44704)) == "+0.5 mph, within the noise of 1.0 mph"
    assert told(Gain(0.44704, None)) == "+1.0 mph; whether that is more than noise can't be told"
    assert words.reach(Figure(80.0)) == "uncertainty unknown"


def test_why_a_figure_is_no_best() -> None:
    step = Step(kept(1), Figure(80.0), Gain(0.44704, 0.1))
    assert as_text(words.doubted(step, "trap"), MPH).startswith(
        "would be +1.0\u00a0mph, but the figure is in doubt"
    )
    assert as_text(words.doubted(step, "gnss"), MPH).endswith("but the logs tell it too vaguely")
    assert words.doubted(replace(step, gain=None), "trap").startswith("would be the first")


def test_verdicts_in_a_few_words() -> None:
    assert words.verdict(kept(1, verdict="agree")) == "trap and logs agree"
    assert words.verdict(kept(1, verdict="agree", independent=False)) == "helped to find the trap"
    assert words.verdict(kept(1)) == "no trap figure"
    assert words.verdict(kept(1, trap_length_m=None, venue="")) == "no course"
    row = kept(1)
    assert words.verdict(replace(row, result=None)) == "not reviewed"
    assert row.result is not None
    assert (
        words.verdict(replace(row, result=replace(row.result, error="No log was kept of this pass.")))
        == "no log"
    )


def test_rules_and_what_was_chosen() -> None:
    assert words.rule(Rule("club", 1800.0, "speeds", 0.01)) == (
        "“club”: opposite passes within 30 min, mean of the speeds, a new best must beat the last by 1 %"
    )
    assert words.chosen(Chosen("Shrike", "Field", "2026-05-01", {"tyre": "hard"})) == (
        "Shrike, at Field, since 2026-05-01, tyre hard"
    )
    assert words.season_line([kept(1), kept(2, date="2026-08-01", session=2)]) == (
        "2 passes in 2 sessions, 2026-07-12 to 2026-08-01"
    )
