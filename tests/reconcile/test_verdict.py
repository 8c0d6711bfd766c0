"""Each rule of the verdict, on both sides of its threshold, in the contract's order."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.reconcile.compare import Reading, normalised_error, own_reading
from speedlog.reconcile.verdict import Witness, decide
from speedlog.results import Official
from speedlog.settings import VerdictSettings

SETTINGS = VerdictSettings()
FIGURE = Official(90.0, (89.8, 90.2), "90.0 m/s", "m/s")


def logger(name="a.nmea", trap=90.0, u=0.2, coverage=1.0, flat=False, gnss=True) -> Witness:
    return Witness(name, gnss, Reading(95.0, trap if coverage >= 0.5 else None, u, coverage, flat))


def code(estimate: float, half: float, *witnesses: Witness) -> str:
    return decide(estimate, (estimate - half, estimate + half), FIGURE, witnesses, SETTINGS).code


def test_normalised_error_worked_example() -> None:
    """references.md topic 7: 98.3 ± 0.4 against 98.2 ± 0.1 gives 0.2425 (ISO/IEC 17043)."""
    assert normalised_error(98.3, 0.4, 98.2, 0.1) == pytest.approx(0.2425, abs=5e-5)


def test_rule_1_half_width_over_three_percent() -> None:
    assert code(90.0, 0.0301 * 90, logger()) == "not_enough_data"
    assert code(90.0, 0.0299 * 90, logger()) == "agree"


def test_rule_2_two_sources_agree_against_the_figure() -> None:
    # U of both: hypot(0.2, 0.2) = 0.2828; 1.5 of it is 0.4243
    pair = (logger(trap=90.5), logger("b.gpx", trap=90.45))
    assert code(90.43, 0.2, *pair) == "trap_figure_doubtful"
    assert code(90.41, 0.2, *pair) != "trap_figure_doubtful"
    # two that disagree with each other are no pair: |En| = 1.0 / 0.2828 > 1
    assert code(90.5, 0.2, logger(trap=90.0), logger("b.gpx", trap=91.0)) != "trap_figure_doubtful"


def test_rule_2_a_wheel_log_is_a_second_source() -> None:
    assert (
        code(92.0, 0.2, logger(trap=92.0), logger("esc.csv", trap=92.1, gnss=False)) == "trap_figure_doubtful"
    )


def test_rule_2_a_lone_source_needs_two_and_a_half_percent() -> None:
    assert code(92.3, 0.2, logger(trap=92.3)) == "trap_figure_doubtful"
    assert code(92.2, 0.2, logger(trap=92.2)) == "logger_high"
    assert code(92.3, 0.2, logger(trap=92.3, flat=True)) == "logger_ceiling"


def test_rule_2_a_lone_source_of_places_alone_speaks_by_the_estimate() -> None:
    silent = Witness("a.gpx", True, Reading(None, None, None, 1.0, False))
    assert code(92.3, 0.3, silent) == "trap_figure_doubtful"
    assert code(92.2, 0.3, silent) == "agree"


def test_rule_3_no_logger_covers_half() -> None:
    assert code(90.1, 0.3, logger(coverage=0.49)) == "logger_missed_trap"
    assert code(90.1, 0.3, logger(coverage=0.51)) == "agree"
    # a wheel log bridges the gap but is no GNSS logger
    assert code(90.1, 0.3, logger(coverage=0.0), logger("esc.csv", gnss=False)) == "logger_missed_trap"


def test_rule_4_the_best_logger_is_flat_topped() -> None:
    assert code(90.0, 0.3, logger(flat=True, trap=80.0)) == "logger_ceiling"
    assert code(90.0, 0.3, logger(flat=True, coverage=0.7), logger("b.gpx", coverage=1.0)) == "agree"


def test_rule_5_low_and_high() -> None:
    assert code(90.0, 0.3, logger(trap=89.5)) == "logger_low"
    assert code(90.0, 0.3, logger(trap=89.6)) == "agree"
    assert code(90.0, 0.3, logger(trap=90.5)) == "logger_high"


def test_the_error_is_of_the_estimate_and_signed() -> None:
    found = decide(89.9, (89.6, 90.2), FIGURE, [logger()], SETTINGS)
    assert found.normalised_error == pytest.approx(-0.1 / np.hypot(0.3, 0.2))


def test_own_reading_is_length_over_time() -> None:
    """Constant 8 m/s² from 96 m/s over 30 m: 97.234135 m/s (references.md topic 5), not the mean over distance."""
    place = np.linspace(-30.0, 60.0, 2001)
    speed = np.sqrt(96.0**2 + 2 * 8 * np.maximum(place, -30))
    all_ok, none = np.ones(2001, dtype=bool), np.zeros(2001, dtype=bool)
    found = own_reading(place, speed, all_ok, none, (0.0, 30.0), 1.0, 0.05, SETTINGS)
    assert found.trap_mps == pytest.approx(97.234135, abs=1e-4)
    assert found.peak_mps == pytest.approx(np.sqrt(96.0**2 + 2 * 8 * 60))
    below = own_reading(place, speed, all_ok, none, (0.0, 30.0), 0.49, 0.05, SETTINGS)
    assert below.trap_mps is None and below.peak_mps == found.peak_mps


def test_flat_top_counts_only_inside_the_trap() -> None:
    place, speed = np.linspace(0, 100, 101), np.full(101, 65.535)
    ok = np.ones(101, dtype=bool)
    beside = own_reading(place, speed, ok, place > 60, (20.0, 50.0), 1.0, 0.05, SETTINGS)
    inside = own_reading(place, speed, ok, place > 40, (20.0, 50.0), 1.0, 0.05, SETTINGS)
    assert (beside.flat_topped_in_trap, inside.flat_topped_in_trap) == (False, True)
