"""Whether a logger suffices: facts of invented logs, closed forms of references.md topic 5, both sides of each line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from speedlog.errors import SpeedlogError
from speedlog.fusion.lag import Lag
from speedlog.reconcile.suits import LoggerFacts, Slopes, assess, logger_facts
from speedlog.reconcile.suits_text import NO_STATEMENT, Finding, as_json, findings, last_word
from speedlog.samples import Clock, Recording
from speedlog.settings import Settings
from tests.faults.invented import KNOT, Drive, log

SETTINGS = Settings()
CAR = Drive(pull=8.0, top=88.0, brake=12.0)  # a, b as in references.md topic 5; peak 1 + 11 s


def recording(table: pd.DataFrame) -> Recording:
    return Recording("log.nmea", "0" * 64, "nmea", Clock.UTC, (table,))


def logged(**made: float) -> LoggerFacts:
    return logger_facts(recording(log(CAR, trap=None, **made).samples), SETTINGS)  # type: ignore[arg-type]


FACTS = LoggerFacts(
    passes=2, interval_s=0.1, rows_hz=None, step_mps=0.1 * KNOT, top_mps=99.0, flat_mps=None, flat_text="",
    slopes=Slopes(8.0, 12.0), pull_mps2=None, lag=Lag(0.0, 0.005), lost_epochs=0, lost_passes=0, longest_s=0.0,
    fault_texts=(),
)  # fmt: skip


def asked(facts: LoggerFacts, target_mps: float = 98.0, trap_m: float = 30.0) -> dict[str, Finding]:
    found = assess(facts, target_mps, trap_m, SETTINGS)
    return {item.topic: item for item in findings(found, "m/s", SETTINGS)}


def word(facts: LoggerFacts, target_mps: float = 98.0) -> str:
    found = assess(facts, target_mps, 30.0, SETTINGS)
    return last_word(found, findings(found, "m/s", SETTINGS), "m/s")


# what a log shows ------------------------------------------------------------------------------


def test_a_clean_log() -> None:
    facts = logged()
    assert (facts.passes, facts.lost_epochs, facts.flat_mps, facts.fault_texts) == (1, 0, None, ())
    assert facts.interval_s == pytest.approx(0.04)
    assert facts.step_mps == pytest.approx(0.01 * KNOT)
    assert facts.top_mps == pytest.approx(88.0, abs=0.35)  # by 0.2 m/s of sampling and 0.05 of noise
    assert facts.slopes is not None
    assert facts.slopes.gaining_mps2 == pytest.approx(8.0, abs=0.5)
    assert facts.slopes.losing_mps2 == pytest.approx(12.0, abs=0.5)
    assert facts.lag is not None and abs(facts.lag.lag_s) < 0.03


class Easing(Drive):
    """Pulls at 8 m/s² to 84 m/s, eases to 2 m/s² up to 88, then brakes."""

    def times(self) -> tuple[float, float, float, float]:
        return 1.0, 1.0 + 84 / 8, 1.0 + 84 / 8 + 2.0, 1.0 + 84 / 8 + 2.0 + 88 / 12

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        return np.interp(time_s, self.times(), [0.0, 84.0, 88.0, 0.0])

    def along(self, time_s: np.ndarray) -> np.ndarray:
        fine = np.linspace(-1.0, self.times()[-1] + 2.0, 200_001)
        return np.interp(time_s, fine, np.cumsum(self.speed(fine)) * (fine[1] - fine[0]))


def test_a_lag_costs_by_the_pull_through_the_fastest_part_not_at_the_eased_peak_alone() -> None:
    """By hand: from 0.9 * 88 = 79.2 m/s it takes (84 - 79.2) / 8 + 2 = 2.6 s to 88: 8.8 / 2.6 = 3.385 m/s²."""
    facts = logger_facts(recording(log(Easing(), trap=None, delay_s=0.2, rate_hz=10.0).samples), SETTINGS)
    assert facts.slopes is not None and facts.slopes.gaining_mps2 == pytest.approx(2.0, abs=0.2)
    assert facts.pull_mps2 == pytest.approx(3.385, abs=0.15)
    found = assess(replace(facts, lag=Lag(0.2, 0.005)), 98.0, 30.0, SETTINGS)
    assert found.pull_mps2 == facts.pull_mps2
    assert found.late_mps == pytest.approx(0.2 * 3.385, abs=0.03)
    # a car that pulls harder at the very peak: that counts
    harder = replace(facts, slopes=Slopes(5.0, 12.0))
    assert assess(harder, 98.0, 30.0, SETTINGS).pull_mps2 == 5.0


def test_rows_that_repeat_the_last_speed_are_no_rate() -> None:
    """New five times a second in 25 rows: the rate that counts is 5 Hz, and no row is a fault."""
    table = log(CAR, trap=None).samples.copy()
    table["speed_mps"] = table["speed_mps"].to_numpy()[np.arange(len(table)) // 5 * 5]
    facts = logger_facts(recording(table), SETTINGS)
    assert (1 / facts.interval_s, facts.rows_hz) == pytest.approx((5.0, 25.0))
    assert (facts.lost_epochs, facts.flat_mps, facts.fault_texts) == (0, None, ())
    said = asked(facts)
    assert "rate: 5 Hz (it writes 25 rows a second, but most only repeat the last speed) puts 1.5 epochs" in (
        said["rate"].text
    )
    assert said["peak"].enough is False  # 0.96 m/s, references.md topic 5
    assert logged().rows_hz is None and "rows" not in asked(FACTS)["rate"].text


@pytest.mark.parametrize("delay_s", [0.1, 0.3])
def test_a_late_speed(delay_s: float) -> None:
    lag = logged(delay_s=delay_s).lag
    assert lag is not None and lag.lag_s == pytest.approx(delay_s, abs=max(3 * lag.u_s, 0.01))


def test_a_flat_top() -> None:
    facts = logged(limit_mps=255 / 3.6)
    assert facts.flat_mps == pytest.approx(255 / 3.6, abs=0.01 * KNOT)
    assert facts.lost_epochs == 0  # a reading that topped out was logged
    assert facts.slopes is not None and facts.slopes.gaining_mps2 == pytest.approx(8.0, abs=0.7)


def test_missing_epochs_near_the_fastest_part_and_elsewhere() -> None:
    """The peak is at 12 s; 0.9 of it is passed at 10.9 s and again at 12.7 s."""
    table = log(CAR, trap=None).samples
    time = (table.index - table.index[0]).total_seconds().to_numpy()
    near = logger_facts(recording(table[~((time > 12.1) & (time < 12.5))]), SETTINGS)
    assert near.lost_epochs == 10  # 12.12, 12.16 … 12.48
    assert near.longest_s == pytest.approx(0.44)  # from 12.08 to 12.52
    assert near.lost_passes == 1 and "no epochs for" in near.fault_texts[0]
    far = logger_facts(recording(table[~((time > 5.0) & (time < 5.5))]), SETTINGS)
    assert (far.lost_epochs, far.lost_passes, far.longest_s, far.fault_texts) == (0, 0, 0.0, ())


def test_a_log_without_positions_still_tells_rate_and_text() -> None:
    table = log(CAR, trap=None).samples.copy()
    table["lat_deg"] = table["lon_deg"] = np.nan
    facts = logger_facts(recording(table), SETTINGS)
    assert (facts.passes, facts.slopes, facts.lag) == (0, None, None)
    assert facts.interval_s == pytest.approx(0.04) and facts.top_mps > 87.0
    found = assess(facts, 98.0, 30.0, SETTINGS)
    assert found.slopes == Slopes(8.0, 12.0) and not found.own_slopes
    said = asked(facts)
    assert (
        "common figures" in said["peak"].text and said["lag"].enough is None and said["faults"].enough is None
    )


def test_a_log_without_speed_is_refused() -> None:
    table = log(CAR, trap=None).samples.copy()
    table["speed_mps"] = np.nan
    with pytest.raises(SpeedlogError) as caught:
        logger_facts(recording(table), SETTINGS)
    assert str(caught.value).startswith("log.nmea: holds no GNSS speed")


# what it comes to ------------------------------------------------------------------------------


def test_the_numbers_of_the_references() -> None:
    """references.md topic 5: 3.27 Hz for 98 m/s over 30 m; h 0.48 m/s at 10 Hz; u of 0.1 kn 0.014851 m/s."""
    found = assess(FACTS, 98.0, 30.0, SETTINGS)
    assert found.rate_for_one_hz == pytest.approx(3.27, abs=0.005)
    assert found.epochs_inside == pytest.approx(10 / (98 / 30))
    assert (found.missed_most_mps, found.missed_mean_mps) == pytest.approx((0.48, 0.24))
    assert found.step_u_mps == pytest.approx(0.014851, rel=1e-4)
    late = assess(replace(FACTS, lag=Lag(0.1, 0.005)), 98.0, 30.0, SETTINGS)
    assert late.late_mps == pytest.approx(0.8)  # a tau
    assert late.late_most_mps == pytest.approx(8 * (0.1 + 1.96 * 0.005))


@pytest.mark.parametrize(("rate_hz", "enough"), [(3.26, False), (3.27, True)])
def test_both_sides_of_one_epoch_for_certain(rate_hz: float, enough: bool) -> None:
    assert asked(replace(FACTS, interval_s=1 / rate_hz))["rate"].enough is enough


@pytest.mark.parametrize(("target_mps", "enough"), [(95.9, False), (96.1, True)])
def test_both_sides_of_what_may_be_missed(target_mps: float, enough: bool) -> None:
    """0.48 m/s is half a percent of 96 m/s."""
    assert asked(FACTS, target_mps)["peak"].enough is enough


@pytest.mark.parametrize(("step", "enough"), [(0.97, True), (0.99, False)])
def test_both_sides_of_the_text_step(step: float, enough: bool) -> None:
    """Half a step against half a percent of 98 m/s, 0.49."""
    assert asked(replace(FACTS, step_mps=step))["text"].enough is enough


@pytest.mark.parametrize(
    ("lag", "enough", "part"),
    [
        (
            Lag(0.061, 0.004),
            True,
            "comes 0.06 ± 0.01 s late, which reads 0.5 m/s low at 8.0 m/s²",
        ),  # 0.488 m/s
        (Lag(0.062, 0.004), False, "comes 0.06 ± 0.01 s late, which reads 0.5 m/s low at 8.0 m/s²"),  # 0.496
        (Lag(0.029, 0.004), True, "none seen; up to 0.04 s would go unseen, 0.3 m/s"),
        (Lag(0.04, 0.02), None, "none seen; up to 0.08 s would go unseen, 0.6 m/s"),  # not beyond doubt
        (Lag(-0.01, 0.002), True, "none seen; up to 0.01 s would go unseen"),
        (None, None, "this log can't tell"),
    ],
)
def test_lag_on_both_sides(lag: Lag | None, enough: bool | None, part: str) -> None:
    found = asked(replace(FACTS, lag=lag))["lag"]
    assert found.enough is enough and part in found.text


def test_ceilings_seen_known_and_passed() -> None:
    seen = replace(FACTS, flat_mps=65.535, flat_text="readings stop at 146.6 mph", top_mps=65.535)
    assert asked(seen)["ceiling"].enough is False and asked(seen, 65.0)["ceiling"].enough is True
    # 2 % under 65.535 m/s lies 64.25: both sides of room for a better pass
    assert asked(seen, 64.3)["ceiling"].text.endswith(": only just above the target")
    assert asked(seen, 64.2)["ceiling"].text.endswith("mph: above the target")
    low = asked(replace(FACTS, top_mps=72.0))["ceiling"]
    assert low.enough is True and "no known limit" in low.text  # 100 m/s lies over 98 * 1.02 = 99.96
    near = asked(replace(FACTS, top_mps=72.0), 98.1)["ceiling"]  # * 1.02 = 100.06
    assert near.enough is None and NO_STATEMENT in near.text and "100 m/s, where some receivers" in near.text
    assert asked(replace(FACTS, top_mps=60.0), 98.1)["ceiling"].text.count(" is ") == 3  # 65.5, 70.8 and 100
    passed = asked(replace(FACTS, top_mps=100.1), 98.1)["ceiling"]  # this logger has shown more
    assert passed.enough is True


@pytest.mark.parametrize(("longest_s", "enough"), [(0.152, True), (0.154, False)])
def test_both_sides_of_a_loss_over_half_of_the_trap(longest_s: float, enough: bool) -> None:
    """At 98 m/s half of 30 m lasts 0.1531 s."""
    found = asked(replace(FACTS, lost_epochs=2, lost_passes=1, longest_s=longest_s))["faults"]
    assert found.enough is enough and "2 epochs lost near the fastest part, in 1 of 2 passes" in found.text


def test_the_last_word() -> None:
    assert (
        word(FACTS)
        == "Suffices for 98.0 m/s over 30 m, as far as this log shows. Enough means within 0.5 m/s here."
    )
    slow = replace(FACTS, interval_s=1.0, lag=None)
    assert word(slow) == (
        "Does not suffice for 98.0 m/s over 30 m: at 1 Hz an epoch in the trap is luck; "
        "a peak can be missed by up to 4.8 m/s (not shown by it: lag). Enough means within 0.5 m/s here."
    )


def test_what_a_log_does_not_show_is_not_said_to_suffice() -> None:
    unknown = replace(FACTS, lag=None)
    assert word(unknown) == (
        "Can't tell for 98.0 m/s over 30 m: nothing in this log speaks against it, but it does not show: lag. "
        "Enough means within 0.5 m/s here."
    )
    standing = logger_facts(recording(log(Drive(top=0.1), trap=None).samples), SETTINGS)
    assert "it does not show: ceiling, lag, faults" in word(standing)
    told = [
        as_json(assess(facts, 98.0, 30.0, SETTINGS), "m/s", False, SETTINGS)["suffices"]
        for facts in (FACTS, unknown, replace(unknown, interval_s=1.0))
    ]
    assert told == [True, None, False]


def test_json_says_the_same() -> None:
    slow = replace(FACTS, interval_s=1.0, lag=None)
    found = as_json(assess(slow, 98.0, 30.0, SETTINGS), "m/s", True, SETTINGS)
    assert found["suffices"] is False and found["lag_s"] is None and found["trap_length_assumed"] is True
    assert found["peak_missed_most_mps"] == pytest.approx(4.8)
    assert [item["topic"] for item in found["findings"]] == [
        "rate",
        "peak",
        "ceiling",
        "lag",
        "text",
        "faults",
    ]
