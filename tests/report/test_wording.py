"""The page's sentences: one test a branch. Speeds by hand: 1 mph = 0.44704 m/s (NIST SP 811)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from speedlog.report import wording
from speedlog.report.cards import base_name, best_logger
from speedlog.report.numbers import as_text, speed_unit
from speedlog.results import Straightness
from speedlog.session import Change, SessionPass
from speedlog.settings import ReportSettings
from speedlog.units import parse_quantity

MPH = speed_unit("mph")


def said(sentence: str | None) -> str:
    assert sentence is not None
    return as_text(sentence, MPH).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.29, "At the trap's exit the speed had levelled off."),
        (-0.29, "At the trap's exit the speed had levelled off."),
        (0.44704, "It was still pulling: at the trap's exit it gained 1.0 mph each second."),
        (-0.89408, "It was already slowing: at the trap's exit it lost 2.0 mph each second."),
        (0.30, "It was still pulling: at the trap's exit it gained 0.7 mph each second."),
    ],
)
def test_pulling_levelled_or_slowing(invented, rate: float, words: str) -> None:
    assert (
        said(wording.pulling(replace(invented.agreeing(), trap_accel_mps2=rate), ReportSettings())) == words
    )


def test_pulling_is_not_guessed_without_a_rate(invented) -> None:
    assert wording.pulling(replace(invented.agreeing(), trap_accel_mps2=None), ReportSettings()) is None


@pytest.mark.parametrize(
    ("kind", "along", "where"),
    [
        ("agreeing", 500.0, "500 m along, 20 m before the trap."),
        ("agreeing", 530.0, "530 m along, inside the trap."),
        ("agreeing", 560.0, "560 m along, 10 m past the trap."),
        ("ceiling", 560.0, "560 m along, 10 m before the trap."),  # returning, the trap is entered at 550 m
        ("ceiling", 500.0, "500 m along, 20 m past the trap."),
        ("no_course", 500.0, "500 m along."),
    ],
)
def test_the_fastest_moment_and_where(invented, kind: str, along: float, where: str) -> None:
    found = getattr(invented, kind)()
    assert said(wording.peak(replace(found, peak=replace(found.peak, along_m=along)))).endswith(where)


@pytest.mark.parametrize(
    ("straight", "words"),
    [
        (
            (1.14, 410.0, 0.3),
            "1.1 m to the right of the line, 410 m along, and drifted 0.3 m to the right through",
        ),
        (
            (-2.0, 90.0, -0.2),
            "2.0 m to the left of the line, 90 m along, and drifted 0.2 m to the left through",
        ),
        ((1.0, 90.0, 0.04), "and held its course through the trap."),
        ((1.0, 90.0, None), "1.0 m to the right of the line, 90 m along."),
        ((1.0, 90.0, float("nan")), "1.0 m to the right of the line, 90 m along."),
    ],
)
def test_how_straight_it_ran(invented, straight, words: str) -> None:
    assert words in said(
        wording.straightness(replace(invented.agreeing(), straightness=Straightness(*straight)))
    )


def test_no_word_on_straightness_without_positions(invented) -> None:
    found = invented.agreeing()
    assert wording.straightness(replace(found, straightness=None)) is None
    assert wording.straightness(replace(found, straightness=Straightness(float("nan"), 0.0, None))) is None
    assert "its own fitted line" in said(wording.straightness(invented.no_course()))


def test_the_first_sentence_without_a_verdict(invented) -> None:
    assert wording.verdict(invented.no_course()) == wording.NO_COURSE
    found = invented.no_figure()
    assert wording.verdict(found) == wording.NO_FIGURE
    assert wording.verdict(replace(found, trap=replace(found.trap, estimate_mps=None))) == wording.NO_TRAP
    assert [wording.verdict_words(item) for item in (found, invented.no_course())] == [
        "no trap figure",
        "no course",
    ]


def test_differences_name_what_was_compared(invented) -> None:
    base = invented.agreeing().loggers[0]
    low = replace(base, difference_mps=-0.44704, difference_percent=-0.54, compared="peak against official")
    assert said(wording.difference(low)) == "−1.0 mph (−0.5 %), peak against official"
    assert said(wording.difference(replace(low, difference_percent=-0.04))).startswith("−1.0 mph (0.0 %)")
    assert wording.difference(replace(low, difference_mps=None)) == "–"


def test_coverage_in_words(invented) -> None:
    gnss, wheel = invented.agreeing().loggers
    assert said(wording.coverage(replace(gnss, coverage=0.43))) == "saw 43 % of the trap"
    assert said(wording.coverage(replace(gnss, coverage=0.0))) == "saw nothing of the trap"
    assert said(wording.coverage(wheel)) == "wheel speed over 100 % of the trap"


def test_intervals_in_words() -> None:
    assert said(wording.half_width((44.704, 46.04512))) == "± 1.5 mph"  # 100 to 103 mph
    assert said(wording.span((44.704, 46.04512))) == "100.0 to 103.0 mph"
    assert wording.half_width(None) == "interval unknown" and wording.span(None) == "–"


@pytest.mark.parametrize(
    ("text", "kind", "given"),
    [
        ("187.53 mph", "speed", ("187.53", "mph")),
        ("302km/h", "speed", ("302", "km/h")),
        ("187,5 mph", "speed", ("187.5", "mph")),
        ("0.37 s", "time", None),
    ],
)
def test_a_figure_keeps_the_digits_it_was_given_with(text: str, kind, given) -> None:
    assert wording.given(parse_quantity(text, kind, "trap")) == given


def test_the_zoom_says_on_which_side_the_figure_lies(invented) -> None:
    assert "lies below" in wording.chart_trap(invented.doubtful(), None, None)
    assert "overlap" in wording.chart_trap(invented.agreeing(), None, None)
    found = invented.agreeing()
    far = replace(found.trap, interval95_mps=(10.0, 11.0))
    assert "lies above" in wording.chart_trap(replace(found, trap=far), None, None)
    words = said(wording.chart_trap(invented.no_figure(), 44.704, 45.15104))
    assert words == "By the estimate it entered the trap at 100.0 mph and left it at 101.0 mph."


def test_changes_of_the_set_up() -> None:
    entry = SessionPass(2, ())
    limit = [parse_quantity(text, "current", "limit") for text in ("280 A", "300 A")]
    assert wording.changes(entry, True) == "No set-up was noted."
    assert wording.changes(replace(entry, setup={"tyre": "foam"}), True) == "First pass of the session."
    assert wording.changes(entry, False).startswith("Nothing on the car was changed")
    changed = replace(entry, changes=(Change("current_limit", *limit), Change("tyre", None, "rubber")))
    assert wording.changes(changed, False) == (
        "Changed since the pass before: current limit from 280 A to 300 A; tyres rubber (not stated before)."
    )
    assert wording.setup_value(1.0) == "1" and wording.setup_value(12) == "12"


def test_every_key_of_the_session_has_a_name_for_the_reader() -> None:
    from speedlog.session import MEASURED, SETUP

    assert set(wording.SETUP) == set(SETUP) and set(wording.MEASURED) == set(MEASURED)


@pytest.mark.parametrize(
    ("codes", "failed", "words"),
    [
        (["agree", "agree"], 0, "2 passes, all agree with the trap."),
        (["agree"], 0, "1 pass, 1 agrees with the trap."),
        (["logger_low", None], 0, "2 passes, none agree with the trap."),
        (["agree", "trap_figure_doubtful"], 1,
         "3 passes, 1 agrees with the trap, 1 trap figure in doubt, 1 without a review."),
        ([None], 0, "1 pass."),
        ([], 0, "0 passes."),
    ],
)  # fmt: skip
def test_the_day_in_a_sentence(codes, failed: int, words: str) -> None:
    assert wording.day_line(codes, failed) == words


def test_the_logger_shown_is_the_one_without_a_fault_near_the_trap(invented) -> None:
    assert best_logger(invented.ceiling()) == 1  # the first topped out
    assert best_logger(invented.missed()) == 1  # the first saw nothing
    nothing = [
        replace(item, peak_reading_mps=None, trap_reading_mps=None) for item in invented.missed().loggers
    ]
    assert best_logger(replace(invented.missed(), loggers=tuple(nothing))) is None


@pytest.mark.parametrize("path", ["C:\\day\\a.nmea", "/home/x/a.nmea", "a.nmea"])
def test_only_a_file_s_own_name_is_shown(path: str) -> None:
    assert base_name(path) == "a.nmea"
