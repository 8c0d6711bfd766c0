"""The sentences: each verdict names its cause, in the unit of the trap figure."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from speedlog.reconcile.compare import Reading
from speedlog.reconcile.verdict import Finding, Witness
from speedlog.reconcile.wording import likely_slip, logger_text, verdict_text
from speedlog.results import Fault, Official
from speedlog.settings import VerdictSettings

MPH = 0.44704
FIGURE = Official(187.5 * MPH, (187.0 * MPH, 188.0 * MPH), "187.5 mph", "mph")
MOMENT = pd.Timestamp("2026-07-12T12:00:00Z")
GAP = Fault("gap", MOMENT, MOMENT + pd.Timedelta(480, "ms"), 500.0, 546.0, True,
            "no epochs for 0.48 s while the car covered about 46 m")  # fmt: skip


def witness(name="a.nmea", trap_mph: float | None = 187.2, coverage=1.0, flat=False, gnss=True) -> Witness:
    return Witness(
        name, gnss, Reading(190 * MPH, None if trap_mph is None else trap_mph * MPH, 0.2, coverage, flat)
    )


def said(
    code: str, witnesses=(), error=0.1, estimate_mph=187.3, accel=0.0, figure=FIGURE, faults=None
) -> str:
    estimate = estimate_mph * MPH
    return verdict_text(
        Finding(code, error, tuple(witnesses)), estimate, (estimate - 0.2, estimate + 0.2), figure, faults or {},
        accel, 0.36, figure.unit, VerdictSettings(),
    )  # fmt: skip


def test_agreement_and_only_just() -> None:
    assert said("agree") == "Logs and trap agree: 187.5 mph from the trap, 187.3 ± 0.4 mph from the logs."
    assert "agree, but only just:" in said("agree", error=1.2)
    assert "only just" not in said("agree", error=-0.99)
    assert "disagree" in said("agree", error=-1.6)


def test_a_missed_trap_names_the_cause() -> None:
    text = said("logger_missed_trap", [witness(trap_mph=None, coverage=0.2)], faults={"a.nmea": [GAP]})
    assert text == (
        "The logger missed the trap (a.nmea: no epochs for 0.48 s while the car covered about 46 m). "
        "The estimate across it is 187.3 ± 0.4 mph, which fits 187.5 mph from the trap."
    )
    assert "a.nmea was too slow" in said("logger_missed_trap", [witness(trap_mph=None)])


def test_low_while_gaining_is_told_as_a_slow_logger() -> None:
    low = [witness(trap_mph=185.0)]
    assert "reads 2.5 mph low" in said("logger_low", low)
    assert "slow logger" not in said("logger_low", low, accel=0.5)
    assert "as a slow logger does while the car still gains speed" in said("logger_low", low, accel=4.0)
    coarse = [Witness("a.nmea", True, low[0].reading, 1.0)]
    assert "low through the trap (185.0 mph against 187.5 mph): one reading every 1.0 s cuts off" in said(
        "logger_low", coarse
    )
    assert "cuts off" not in said("logger_low", [Witness("a.nmea", True, low[0].reading, 0.3)])
    assert "already loses speed" in said("logger_high", [witness(trap_mph=190.0)], accel=-4.0)


def test_a_mis_keyed_figure_is_asked_about_never_changed() -> None:
    keyed = Official(178.5 * MPH, (178 * MPH, 179 * MPH), "178.5 mph", "mph")
    text = said(
        "trap_figure_doubtful", [witness(), witness("b.gpx")], error=9, figure=keyed, estimate_mph=187.4
    )
    assert text == (
        "Check the trap figure 178.5 mph: a.nmea and b.gpx agree with each other, and the logs say "
        "187.4 ± 0.4 mph. Could it have been 187.5 mph?"
    )


@pytest.mark.parametrize(
    ("text", "si", "estimate_mps", "wanted"),
    [
        ("178.5 mph", 178.5 * MPH, 187.4 * MPH, "187.5 mph"),  # swapped
        ("137.5 mph", 137.5 * MPH, 187.6 * MPH, "187.5 mph"),  # one digit mistyped
        ("0.370 s", 30 / 0.370, 30 / 0.307, "0.307 s"),  # swapped, in a time
        ("150.0 mph", 150 * MPH, 187.4 * MPH, None),
    ],
)
def test_likely_slip(text: str, si: float, estimate_mps: float, wanted: str | None) -> None:
    assert likely_slip(Official(si, (si - 0.1, si + 0.1), text, "mph"), estimate_mps) == wanted


def test_what_a_logger_saw() -> None:
    text = logger_text(witness(), -0.3 * MPH, "trap reading against official", [], "mph")
    assert text == "It saw the whole trap and read 187.2 mph through it, 0.3 mph below the trap figure."
    text = logger_text(witness(trap_mph=None, coverage=0.43), 1.0, "peak against estimate", [GAP], "mph")
    assert text == (
        "It saw only 43% of the trap; its highest reading is 190.0 mph, 2.2 mph above the estimate. "
        "Near the trap: no epochs for 0.48 s while the car covered about 46 m."
    )
    assert "topped out" in logger_text(witness(flat=True), 0.0, "trap reading against official", [], "mph")
    assert logger_text(witness(gnss=False), None, None, [], "mph").startswith(
        "Wheel speed, scaled by the GNSS"
    )


def test_hostile_names_stay_on_one_line() -> None:
    text = said("logger_missed_trap", [witness("a\n\x1b[31m<b>.nmea", trap_mph=None)])
    assert "\n" not in text and "\x1b" not in text


def test_readings_that_are_wrong_are_not_missing() -> None:
    wrong = Fault(
        "outlier", MOMENT, MOMENT + pd.Timedelta(3, "s"), 400.0, 600.0, True, "a speed 2.0 m/s above"
    )
    unseen = witness(trap_mph=None, coverage=0.0)
    text = logger_text(unseen, 2.5 * MPH, "peak against official", [wrong], "mph")
    assert text == (
        "Its speeds in the trap can't be trusted; the highest of its others is 190.0 mph, 2.5 mph above the trap "
        "figure. Near the trap: a speed 2.0 m/s above."
    )
    # with a gap besides, part of the trap was not seen at all
    both = logger_text(unseen, 2.5 * MPH, "peak against official", [wrong, GAP], "mph")
    assert both.startswith("It saw nothing of the trap; its highest reading is 190.0 mph")
    far = logger_text(unseen, 2.5 * MPH, "peak against official", [replace(wrong, near_trap=False)], "mph")
    assert far.startswith("It saw nothing of the trap")
