"""The benchmarks' own arithmetic, by hand and on passes whose answer is known. No timing is judged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLogger, log_gnss
from speedlog.demo.scenario import SimulatedPass
from speedlog.importers import read
from tests.benchmarks import simple
from tests.benchmarks.accuracy import Job, passes_of, summarise, wrong_figures
from tests.benchmarks.importers import measure, text_of
from tests.benchmarks.oracle import oracle, sound
from tests.benchmarks.passes import ready
from tests.benchmarks.table import text_table


@pytest.fixture(scope="module")
def perfect() -> SimulatedPass:
    """A clean pass seen by a logger all but free of noise."""
    run = family("clean_25hz", seeded(4, "clean_25hz", 3))
    logger = GnssLogger(
        rate_hz=25.0, speed_white_mps=1e-4, speed_drift_mps=1e-5, place_white_m=1e-3, place_drift_m=1e-4,
        minute_digits=7,
    )  # fmt: skip
    log = log_gnss(np.random.default_rng(1), run.truth, run.place, logger, run.launch_ns)
    return replace(run, gnss=(("a.nmea", "nmea", log),))


def test_simple_ways_on_a_perfect_log(perfect: SimulatedPass) -> None:
    """Interpolation is right but for the car's own kinks; the highest reading is the peak."""
    assert simple.interpolated(perfect) == pytest.approx(perfect.trap_mps, abs=0.02)
    assert simple.savitzky_golay(perfect) == pytest.approx(perfect.trap_mps, abs=0.1)
    assert simple.highest_reading(perfect) == pytest.approx(perfect.truth.peak_mps, abs=0.25)


def test_oracle_on_a_perfect_log(perfect: SimulatedPass) -> None:
    answer = oracle(perfect)
    assert np.min(np.abs(answer.trap_mps - perfect.trap_mps)) < 5e-3


def test_oracle_bridges_a_gap_better_than_a_straight_line() -> None:
    runs = [family("gap", seeded(4, "gap", index)) for index in range(6)]
    told = [oracle(run).trap_mps - run.trap_mps for run in runs]
    straight = [simple.interpolated(run) - run.trap_mps for run in runs]
    assert np.sqrt(np.mean(np.square(told), axis=0)).min() < np.sqrt(np.mean(np.square(straight)))


def test_oracle_is_told_the_labels() -> None:
    run = family("outliers", seeded(4, "outliers", 0))
    log = run.gnss[0][2]
    speed, _ = sound(log)
    assert log.spoilt is not None and np.array_equal(~speed, log.spoilt)


def test_summary_by_hand() -> None:
    # errors of +1 and -1, half-width 2 and 0.5: rms 1, bias 0, one of two held, median width 2.5
    straight = {"interp": 50.0, "savgol": 50.0}
    one = {"true": 50.0, "highest": 52.0, "speedlog": 51.0, "interval": [49.0, 53.0], "peak_true": 50.5}
    two = {"true": 50.0, "highest": 52.0, "speedlog": 49.0, "interval": [48.5, 49.5], "peak_true": 50.0}
    passes = [
        one | straight | {"peak_interval": [50.0, 51.0]},
        two | straight | {"peak_interval": None},
        {"true": 60.0, "failed": "on purpose"},
    ]
    row = summarise("x", passes)
    assert (row["passes"], row["failed"]) == (3, 1)
    assert row["speedlog"] == pytest.approx(1.0) and row["bias"] == pytest.approx(0.0)
    assert row["highest"] == pytest.approx(2.0)
    assert row["95 %"] == 50.0 and row["width"] == pytest.approx(2.5) and row["peak 95 %"] == 100.0


@pytest.mark.parametrize(
    ("form", "count", "samples"), [("nmea", 500, 250), ("gpx", 200, 200), ("csv", 200, 200)]
)
def test_logs_for_the_readers_hold_what_is_counted(
    form: str, count: int, samples: int, tmp_path: Path
) -> None:
    path = tmp_path / f"log.{form}"
    path.write_bytes(text_of(form, 1, count))
    assert len(read(path).samples) == samples


def test_readers_are_measured_against_each_other() -> None:
    rows = measure(1, share=0.001, times=1)
    assert [row["format"] for row in rows] == ["nmea", "nmea", "nmea", "gpx", "csv"]
    assert all(row["ratio"] > 0 and row["ten times the data"] > 0 for row in rows)


def test_table() -> None:
    text = text_table([{"name": "a", "x": 1.0}, {"name": "bc", "x": float("nan")}], {"x": 1})
    assert text.splitlines() == ["name    x", "----  ---", "a     1.0", "bc      -"]


def test_several_passes_give_a_record_each_and_a_mis_keyed_figure_is_told() -> None:
    run = family("several_passes", seeded(5, "several_passes", 0))
    found = passes_of(Job(5, "several_passes", (0,), miskeyed=True))
    assert [item["part"] for item in found] == list(range(len(run.parts)))
    assert [item["true"] for item in found] == [part.trap_mps for part in run.parts]
    # 3 to 15 % off is six times what the interval of a clean logger of any rate drawn leaves open
    assert {item["miskeyed"] for item in found} == {"trap_figure_doubtful"}


def test_wrong_figures_are_off_by_the_issues_sizes() -> None:
    names = ("clean_25hz", "several_passes")
    for name in names:
        [item] = ready(5, name, [0])
        wrong = wrong_figures(Job(5, name, (0,), miskeyed=True), 0, item)
        official = [part["official"] for part in item.facts["parts"]]
        mph = 0.44704  # the international mile an hour, exactly
        off = [
            abs(float(text.split()[0]) * mph / true - 1) for text, true in zip(wrong, official, strict=True)
        ]
        assert all(0.0299 < share < 0.1501 for share in off)
