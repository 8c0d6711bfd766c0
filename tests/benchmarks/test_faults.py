"""The fault benchmark's own arithmetic, by hand. No timing, and no share, is judged here."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.demo import disturb
from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLog
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks import faults
from tests.benchmarks.faults_events import LogCase, case_of


@pytest.fixture(scope="module")
def run() -> SimulatedPass:
    return family("clean_25hz", seeded(4, "clean_25hz", 3))


def spoilt(run: SimulatedPass, log: GnssLog) -> LogCase:
    name, form, _ = run.gnss[0]
    return case_of(type(run)(**{**vars(run), "gnss": ((name, form, log),)}), 0, 0)


def test_a_clean_log_has_no_events(run: SimulatedPass) -> None:
    assert case_of(run, 0, 0).events == ()


def test_sizes(run: SimulatedPass) -> None:
    log, at = run.gnss[0][2], run.truth.entry_s - 1.0
    assert [e.full for e in spoilt(run, disturb.outlier(log, at, 5, 9.0)).events] == [True]
    assert [e.full for e in spoilt(run, disturb.outlier(log, at, 6, 9.0)).events] == [False]
    assert [e.full for e in spoilt(run, disturb.outlier(log, at, 1, 0.5)).events] == [False]
    # 25 Hz: 3 epochs are gone from at + 0.0 to at + 0.1, two from at + 0.0 to at + 0.06
    first = float(log.true_s[np.searchsorted(log.true_s, at)])
    assert [e.full for e in spoilt(run, disturb.gap(log, first, first + 0.09)).events] == [True]
    assert [e.full for e in spoilt(run, disturb.gap(log, first, first + 0.05)).events] == [False]
    assert [e.full for e in spoilt(run, disturb.frozen(log, first, first + 0.17)).events] == [True]
    assert [e.full for e in spoilt(run, disturb.frozen(log, first, first + 0.13)).events] == [False]
    assert [e.full for e in spoilt(run, disturb.ceiling(log, run.truth.peak_mps - 2.0)).events] == [True]


def test_a_fault_that_is_written_over_is_none(run: SimulatedPass) -> None:
    log, at = run.gnss[0][2], run.truth.entry_s - 1.0
    log = disturb.frozen(disturb.outlier(log, at, 2, 9.0), at - 0.5, at + 0.5)
    assert [event.kind for event in spoilt(run, log).events] == ["frozen"]


def test_touching_labels_are_one_event(run: SimulatedPass) -> None:
    log, at = run.gnss[0][2], run.truth.entry_s - 1.0
    log = disturb.outlier(disturb.outlier(log, at, 2, 9.0), at + 0.08, 2, 7.0)
    (event,) = spoilt(run, log).events
    assert event.end_s - event.start_s == pytest.approx(0.12)


def test_near_trap_is_judged_by_the_true_place(run: SimulatedPass) -> None:
    log = run.gnss[0][2]
    over, early = disturb.gap(log, run.truth.entry_s - 0.1, run.truth.exit_s), disturb.gap(log, 2.0, 2.5)
    assert [spoilt(run, item).events[0].near for item in (over, early)] == [True, False]


def test_judging_by_hand(run: SimulatedPass) -> None:
    log, at = run.gnss[0][2], run.truth.entry_s - 1.0
    case = spoilt(run, disturb.outlier(log, at, 2, 9.0))
    (event,) = case.events
    late = faults.Found("outlier", event.start_s + 0.04, event.end_s, event.near is True)
    elsewhere = faults.Found("frozen", event.start_s, event.end_s, False)
    hit, wrong = faults.judge(case, [late, elsewhere])
    assert (hit["what"], wrong["what"], wrong["kind"]) == ("hit", "false", "frozen")
    assert (hit["start_off"], hit["end_off"], hit["near"]) == (pytest.approx(1.0), pytest.approx(0.0), True)
    assert [record["what"] for record in faults.judge(case, [])] == ["miss"]


def test_the_table_by_hand() -> None:
    records = [
        {"kind": "gap", "what": "hit", "rate_hz": 10.0, "start_off": 0.0, "end_off": 2.0, "near": True},
        {"kind": "gap", "what": "hit", "rate_hz": 10.0, "start_off": -1.5, "end_off": 0.0, "near": None},
        {"kind": "gap", "what": "miss", "rate_hz": 5.0},
        {"kind": "gap", "what": "small", "rate_hz": 5.0},
        {"kind": "gap", "what": "false", "rate_hz": 5.0},
    ]
    row = next(row for row in faults.table([{"records": records}]) if row["kind"] == "gap")
    # 2 of 3 found; 3 of 4 reports true; both starts and one end within 1.5 epochs
    assert (row["events"], row["recall"], row["precision"]) == (3, pytest.approx(2 / 3), 0.75)
    assert (row["start"], row["end"], row["near_trap"]) == (1.0, 0.5, 1.0)
    rates = [
        row["rate"] for row in faults.table([{"records": records}], by_rate=True) if row["kind"] == "gap"
    ]
    assert rates == ["5 Hz", "10 Hz"]


def test_a_few_passes_end_to_end() -> None:
    passes = faults.measure(1, ["gap", "varied_clean"], 2, 1, by_review=False)
    assert [record["what"] for item in passes for record in item["records"]] == ["hit", "hit"]
    assert faults.clean_table(passes)[-1]["without any fault"] == 1.0
