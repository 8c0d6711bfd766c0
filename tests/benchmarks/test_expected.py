"""The right verdicts, on passes where they are plain, and each rule's border on both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo import disturb
from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLogger, log_gnss
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks.expected import (
    covered_share,
    doubt_is_due,
    expected_codes,
    lagging_speed,
    official_u_mps,
)

SILENT = GnssLogger(
    rate_hz=10.0, speed_white_mps=0.0, speed_drift_mps=0.0, place_white_m=0.0, place_drift_m=0.0
)  # fmt: skip


def _seen_by(run: SimulatedPass, logger: GnssLogger) -> SimulatedPass:
    log = log_gnss(np.random.default_rng(1), run.truth, run.place, logger, run.launch_ns)
    return replace(run, gnss=(("a.nmea", "nmea", log),))


@pytest.fixture(scope="module")
def clean() -> SimulatedPass:
    run = family("clean_25hz", seeded(4, "clean_25hz", 3))
    return _seen_by(run, replace(SILENT, rate_hz=25.0, speed_white_mps=0.05))


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("clean_1hz", {"agree"}), ("return", {"agree"}), ("trap_place", {"agree"}),
        ("gap", {"logger_missed_trap"}), ("gap_wheel", {"logger_missed_trap"}), ("two_loggers_gap", {"agree"}),
    ],
)  # fmt: skip
def test_families_with_one_right_answer(name: str, codes: set[str]) -> None:
    for index in range(3):
        assert expected_codes(family(name, seeded(9, name, index))) == codes


def test_flat_inside_the_trap(clean: SimulatedPass) -> None:
    [(file, form, log)] = clean.gnss
    slowest = clean.truth.motion_at(np.array([clean.truth.entry_s, clean.truth.exit_s]))[1].min()
    flat = replace(clean, gnss=((file, form, disturb.ceiling(log, slowest - 2.0)),))
    assert expected_codes(flat) == {"logger_ceiling"} and not doubt_is_due(flat)
    assert expected_codes(clean) == {"agree"} and doubt_is_due(clean)


def test_covered_to_forty_to_sixty_per_cent(clean: SimulatedPass) -> None:
    """Rule 3 at one half: a gap that leaves 0.2, half, 0.8 of the trap, by the true places."""
    [(file, form, log)] = clean.gnss
    truth = clean.truth
    found = []
    for share in (0.2, 0.5, 0.8):
        at = truth.entry_s + share * (truth.exit_s - truth.entry_s)
        # from that epoch to half a second after the trap, nothing
        first = log.true_s[np.searchsorted(log.true_s, at)]
        holed = replace(clean, gnss=((file, form, disturb.gap(log, first, truth.exit_s + 0.5)),))
        found.append(covered_share(holed, holed.gnss[0][2].true_s, 1 / 25))
        codes = expected_codes(holed)
        assert ("agree" in codes) == (found[-1] > 0.45) and ("logger_missed_trap" in codes) == (
            found[-1] < 0.55
        )
    assert found[0] < 0.45 and found[-1] > 0.55


def test_covered_share_by_hand(clean: SimulatedPass) -> None:
    truth = clean.truth
    mid = 0.5 * (truth.entry_s + truth.exit_s)
    half = float(truth.motion_at(np.array([mid]))[0][0] - truth.entry_travel_m) / clean.trap.length_m
    before = np.array([truth.entry_s - 0.1, mid])
    span = mid - before[0]
    # two epochs apart by just under, and just over, 1.5 intervals
    assert covered_share(clean, before, span / 1.49) == pytest.approx(half, abs=1e-6)
    assert covered_share(clean, before, span / 1.55) == 0.0
    assert covered_share(clean, before[:1], 1.0) == 0.0


@pytest.mark.parametrize("kind", ["speed_delay_s", "speed_filter_s", "delay_s"])
def test_lag_as_the_simulator_has_it(clean: SimulatedPass, kind: str) -> None:
    """A log without noise is the lagging speed: loop there, closed-form recursion of scipy here."""
    logger = replace(SILENT, **{kind: 0.3})
    [(_, _, log)] = _seen_by(clean, logger).gnss
    late = lagging_speed(clean, logger, log.true_s)
    # a grid of a millisecond, joined a step apart at the start: 8 m/s² times it
    assert np.max(np.abs(np.abs(late) - log.speed_mps)) < 8e-3


def test_a_late_speed_reads_low_while_the_car_gains(clean: SimulatedPass) -> None:
    """0.4 s at the trap's acceleration is several intervals; 1 ms is nothing; a common delay cancels."""
    gaining = float(clean.truth.motion_at(np.array([clean.truth.entry_s]))[2][0])
    assert gaining > 1.0  # of this pass: it is under power there
    late = replace(SILENT, rate_hz=25.0, speed_delay_s=0.4)
    assert expected_codes(_seen_by(clean, late)) == {"logger_low"}
    assert expected_codes(_seen_by(clean, replace(late, speed_delay_s=1e-3))) == {"agree"}
    assert expected_codes(_seen_by(clean, replace(late, speed_delay_s=0.0, delay_s=0.4))) == {"agree"}


def test_uncertainty_of_the_figure_by_hand(clean: SimulatedPass) -> None:
    # 30 m at 60 m/s is 0.5 s: 1 ms/√6 of it 0.816e-3, 20 mm of 30 m 0.667e-3; together 1.054e-3 of 60 m/s
    truth = replace(clean.truth, entry_travel_m=0.0, exit_travel_m=30.0, entry_s=10.0, exit_s=10.5)
    trap = replace(clean.trap, entry_m=0.0, exit_m=30.0, timer_step_s=1e-3, length_u_m=0.02)
    assert official_u_mps(replace(clean, truth=truth, trap=trap)) == pytest.approx(0.06325, abs=1e-5)
