"""What rate and lag hide in a pass, by closed forms, and how it is said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import speedlog as sl
from speedlog.demo.families import family
from speedlog.fusion.drive import Drive, Witnessed
from speedlog.fusion.estimate import Motion
from speedlog.fusion.lag import Lag
from speedlog.fusion.measure import GnssSource, Noise
from speedlog.fusion.passage import Passage
from speedlog.importers import read
from speedlog.reconcile.hidden import Difference, Hidden, hidden_from, seen_lag, why_text
from speedlog.reconcile.suits import logger_facts
from speedlog.settings import Settings
from tests.faults.invented import Drive as Invented
from tests.faults.invented import log
from tests.fusion.conftest import make_pass

SETTINGS = Settings()
MPH = 0.44704
A, B = 8.0, 12.0  # m/s², as in references.md topic 5
PEAK_S = 12.0  # made so: from standing at 8 m/s² to 96 m/s, then down at 12 m/s²


def made(rate_hz: float = 25.0, delay_s: float = 0.0, filter_s: float = 0.0) -> Drive:
    """A pass whose motion is known exactly: the logger's own readings don't matter here."""
    time = np.linspace(0.0, 20.0, 20001)
    speed = np.where(time < PEAK_S, A * time, 96.0 - B * (time - PEAK_S))
    travel = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(time))])
    source = GnssSource(time, travel, speed, time >= 0, time >= 0, 1 / rate_hz, delay_s, filter_s)
    lag = Lag(delay_s + filter_s, 0.01 if delay_s + filter_s else 0.0)
    motion = Motion(time, travel, speed, np.gradient(speed, time), 0 * time, (Noise(0.05, 0.05, 0.02),), (lag,),
                    (source,), (), ())  # fmt: skip
    track = replace(log(Invented()), interval_s=1 / rate_hz)
    seen = (Witnessed(0, track, (), time >= 0, time >= 0, source),)
    moment = pd.Timestamp("2026-07-12T12:00:00Z")
    return Drive(moment, moment, None, 1, None, seen, (), (), motion)  # type: ignore[arg-type]


def trap(from_s: float, to_s: float) -> Passage:
    return Passage(90.0, 89.8, 90.2, from_s, to_s, A)


@pytest.mark.parametrize(("rate_hz", "most"), [(1.0, 4.8), (5.0, 0.96), (10.0, 0.48), (25.0, 0.192)])
def test_the_peak_missed_at_a_rate(rate_hz: float, most: float) -> None:
    """references.md topic 5."""
    found = hidden_from(made(rate_hz), 0, None, SETTINGS)
    assert found is not None and found.rate_hz == rate_hz
    assert found.peak_mps == pytest.approx(most, rel=1e-3)


def test_the_trap_reading_suffers_only_from_a_peak_in_the_trap() -> None:
    """By hand for 1 Hz and 0.3 s: (8 + 12) * 1 / 4 * (1 - 0.3 / 2) = 4.25 m/s."""
    inside = hidden_from(made(1.0), 0, trap(PEAK_S - 0.2, PEAK_S + 0.1), SETTINGS)
    assert inside is not None and inside.trap_mps == pytest.approx(4.25, rel=1e-3)
    before = hidden_from(made(1.0), 0, trap(PEAK_S - 1.4, PEAK_S - 1.1), SETTINGS)
    assert before is not None and before.trap_mps == 0.0
    near = hidden_from(
        made(1.0), 0, trap(PEAK_S - 1.2, PEAK_S - 0.9), SETTINGS
    )  # the next reading may lie behind
    assert near is not None and near.trap_mps > 0.0


@pytest.mark.parametrize("kind", ["delay_s", "filter_s"])
def test_a_lag_costs_a_times_tau_while_the_car_gains(kind: str) -> None:
    """references.md topic 5: a steady ramp reads a tau low, 8 * 0.1 = 0.8 m/s; losing 12, 1.2 high."""
    low = hidden_from(made(**{kind: 0.1}), 0, trap(PEAK_S - 0.4, PEAK_S - 0.1), SETTINGS)
    assert low is not None and low.put_right
    assert low.late_trap_mps == pytest.approx(0.8, rel=5e-3)
    high = hidden_from(made(**{kind: 0.1}), 0, trap(PEAK_S + 1.5, PEAK_S + 1.8), SETTINGS)
    assert high is not None and high.late_trap_mps == pytest.approx(-1.2, rel=5e-3)


def test_a_filter_takes_off_a_peak_and_a_delay_does_not() -> None:
    """references.md topic 5: tau 0.1 s takes 0.61299 m/s off the peak."""
    filtered, delayed = (
        hidden_from(made(**{kind: 0.1}), 0, None, SETTINGS) for kind in ("filter_s", "delay_s")
    )
    assert filtered is not None and filtered.late_peak_mps == pytest.approx(0.61299, rel=0.02)
    assert delayed is not None and delayed.late_peak_mps == pytest.approx(0.0, abs=1e-9)


def test_the_lag_as_settled_or_as_the_log_shows_it() -> None:
    source = make_pass().source
    own = SETTINGS.hidden
    assert seen_lag(source, own, Lag(0.2, 0.01)) == Lag(0.2, 0.01)
    # a lag already taken in must not hide itself: seen afresh it is that of the log, near none
    shown = seen_lag(replace(source, speed_delay_s=0.3), own, Lag(0.0, 0.0))
    assert shown is not None and abs(shown.lag_s) < 4 * shown.u_s + 0.01
    assert seen_lag(replace(source, speed_ok=source.time_s < 0.5), own) is None
    # by noise alone, and with 0.005 s of slow errors beside it
    noise, whole = (seen_lag(source, replace(own, lag_wander_u_s=u)) for u in (0.0, 0.005))
    assert noise is not None and whole is not None
    assert whole.u_s == pytest.approx((noise.u_s**2 + 0.005**2) ** 0.5)


def test_the_lag_of_a_clean_log_is_off_by_what_its_uncertainty_tells(tmp_path: Path) -> None:
    """The simulator's loggers have none: the sum of (lag / u)² is chi-square; 99.9 % lie in 20 * [0.270, 2.375]."""
    squares = []
    for seed in range(30):
        made_pass = family("clean_25hz", np.random.default_rng([78, seed]))
        made_pass.write(tmp_path)
        try:
            facts = logger_facts(read(tmp_path / made_pass.gnss[0][0]), SETTINGS)
        except sl.SpeedlogError:  # a form without a speed
            continue
        if facts.lag is not None:
            squares.append((facts.lag.lag_s / facts.lag.u_s) ** 2)
    assert len(squares) >= 20
    assert 0.270 * 20 < sum(squares[:20]) < 2.375 * 20


HIDDEN = Hidden(5.0, 0.96, 0.3, Lag(0.2, 0.005))
LATE = replace(HIDDEN, put_right=True, late_peak_mps=0.9, late_trap_mps=1.6)


def said(hidden: Hidden, off_mps: float, *, doubt=0.1, by_trap=False, faulty=False) -> str:
    found = Difference(off_mps, doubt, 90.0, by_trap)
    return why_text(hidden, found, faulty, "m/s", SETTINGS.hidden)


def test_a_rate_that_covers_a_low_highest_reading() -> None:
    text = "At 5 Hz a sharp peak can be missed by up to 1.0 m/s, which"
    assert said(HIDDEN, -0.9) == f"{text} covers the 0.9 m/s."
    assert said(HIDDEN, -1.2, doubt=0.3) == f"{text} covers the 1.2 m/s within the uncertainties."
    assert said(HIDDEN, -1.2) == f"{text} does not cover the 1.2 m/s."
    assert said(HIDDEN, -1.2, faulty=True) == ""  # a fault near the trap is the likelier story
    assert said(HIDDEN, -0.9, faulty=True) == f"{text} covers the 0.9 m/s."


def test_where_there_is_nothing_to_explain_only_a_slow_rate_is_told() -> None:
    assert said(HIDDEN, 0.5) == "At 5 Hz a sharp peak can be missed by up to 1.0 m/s."
    # both sides of half a percent of 90 m/s, 0.45
    assert said(replace(HIDDEN, peak_mps=0.46), 0.05) and not said(replace(HIDDEN, peak_mps=0.44), 0.05)
    assert not said(replace(HIDDEN, peak_mps=0.04), -3.0)  # under the least: nobody suspects it


def test_a_slow_logger_low_within_its_own_doubt_is_explained_all_the_same() -> None:
    """Its doubt holds what its rate may have cut off: 0.6 m/s under the reference is then no disagreement."""
    text = "At 5 Hz a sharp peak can be missed by up to 1.0 m/s"
    assert said(HIDDEN, -0.6, doubt=2.0) == f"{text}, which covers the 0.6 m/s."
    assert said(HIDDEN, -0.6, doubt=2.0, faulty=True) == f"{text}, which covers the 0.6 m/s."
    # both sides of the least, 0.05 m/s
    assert said(HIDDEN, -0.051, doubt=2.0) == f"{text}, which covers the difference."
    assert said(HIDDEN, -0.049, doubt=2.0) == f"{text}."


def test_a_large_lag_is_told_within_a_slow_loggers_doubt_and_a_small_one_is_not() -> None:
    """Half a percent of 90 m/s is 0.45."""
    slow = replace(LATE, rate_hz=1.0, trap_mps=2.0)
    text = said(replace(slow, late_trap_mps=0.46), -0.5, doubt=2.0, by_trap=True)
    assert text.startswith(
        "Its speed comes 0.20 s late, which takes off 0.5 m/s here and covers the 0.5 m/s. At 1 Hz"
    )
    assert "late" not in said(replace(slow, late_trap_mps=0.44), -0.5, doubt=2.0, by_trap=True)
    assert "late" not in said(replace(slow, late_trap_mps=0.46), -0.049, doubt=2.0, by_trap=True)


def test_the_trap_reading_has_its_own_bound() -> None:
    text = said(HIDDEN, -0.3, by_trap=True)
    assert (
        text == "At 5 Hz a sharp peak can lower its trap reading by up to 0.3 m/s, which covers the 0.3 m/s."
    )


def test_a_lag_that_covers_the_difference_or_not() -> None:
    text = "Its speed comes 0.20 s late, which takes off 1.6 m/s here and"
    assert said(LATE, -1.6, by_trap=True) == f"{text} covers the 1.6 m/s."
    assert (
        said(LATE, -1.85, doubt=0.3, by_trap=True) == f"{text} covers the 1.9 m/s within the uncertainties."
    )
    # by hand: 2.6 - 1.6 is left, of which 0.3 may be the rate's
    assert said(LATE, -2.6, by_trap=True) == (
        f"{text} does not cover the 2.6 m/s. "
        "At 5 Hz a sharp peak can lower its trap reading by up to 0.3 m/s, which does not cover the 1.0 m/s."
    )
    adds = replace(LATE, late_trap_mps=-1.6)
    assert said(adds, 1.6, by_trap=True).startswith(
        "Its speed comes 0.20 s late, which adds 1.6 m/s here and covers"
    )


def test_a_lag_is_no_excuse_for_the_other_side_nor_where_it_costs_nothing() -> None:
    assert "late" not in said(LATE, 1.6, by_trap=True)
    assert "late" not in said(replace(LATE, late_trap_mps=0.049), -1.6, by_trap=True)
    assert "late" in said(replace(LATE, late_trap_mps=0.051), -1.6, by_trap=True)
    assert "late" not in said(replace(LATE, put_right=False), -1.6, by_trap=True)


def reviewed(name: str, seed: int, folder: Path) -> sl.Review:
    made_pass = family(name, np.random.default_rng([77, seed]))
    files = [path for path in made_pass.write(folder) if path.suffix != ".toml"]
    course = folder / "c.toml"
    course.write_text(made_pass.course_toml(), encoding="utf-8")
    figure = f"{made_pass.official_mps / MPH:.1f} mph"
    return sl.review(files, course=sl.Course.load(course), trap=figure)


def late_by(name: str, seed: int) -> list[float]:
    """The simulator's own settings, shortest first."""
    loggers = [item[2].logger for item in family(name, np.random.default_rng([77, seed])).gnss]
    return sorted(logger.speed_delay_s + logger.speed_filter_s for logger in loggers)


def test_a_simulated_logger_that_lags_is_explained(tmp_path: Path) -> None:
    """The simulator's seed 4 gains speed in the trap behind a logger that smooths its own."""
    (late_s,) = late_by("lag", 4)
    (item,) = reviewed("lag", 4, tmp_path).passes
    (logger,) = item.loggers
    assert logger.lag_s is not None and logger.lag_u_s is not None
    assert logger.lag_s == pytest.approx(late_s, abs=max(3 * logger.lag_u_s, 0.01))
    assert f"Its speed comes {logger.lag_s:.2f} s late, which takes off" in logger.text
    alone = [text for text in item.warnings if "taken to be none" in text]
    assert len(alone) == 1 and logger.file in alone[0]


def test_two_loggers_are_told_nothing_of_being_alone_and_the_json_has_the_keys(tmp_path: Path) -> None:
    review = reviewed("two_loggers_one_lagging", 0, tmp_path)
    (item,) = review.passes
    assert not any("taken to be none" in text for text in item.warnings)
    found = json.loads(json.dumps(review.as_json()))["passes"][0]["loggers"]
    assert sorted(logger["lag_s"] for logger in found) == pytest.approx(
        late_by("two_loggers_one_lagging", 0), abs=0.015
    )
    assert all(logger["lag_u_s"] > 0 and logger["peak_missed_mps"] >= 0 for logger in found)
