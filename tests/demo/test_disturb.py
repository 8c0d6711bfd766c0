"""Faults change exactly the epochs that their labels name."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.demo import disturb
from speedlog.demo.car import Air, Car
from speedlog.demo.gnss import GnssLog, GnssLogger, Place, log_gnss
from speedlog.demo.truth import Driver, drive_pass

START, END = 8.0, 9.0


@pytest.fixture(scope="module")
def clean() -> GnssLog:
    truth = drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))
    return log_gnss(
        np.random.default_rng(2), truth, Place(53.1, -1.2, 75.0), GnssLogger(), 1_714_564_800_000_000_000
    )


def _inside(log: GnssLog) -> np.ndarray:
    return (log.true_s >= START) & (log.true_s <= END)


def _only_inside_changed(before: GnssLog, after: GnssLog) -> None:
    outside = ~_inside(before)
    for name in ("lat_deg", "lon_deg", "speed_mps", "hdop", "satellites", "quality", "time_ns"):
        assert np.array_equal(getattr(before, name)[outside], getattr(after, name)[outside]), name


def test_gap_names_the_epochs_on_both_sides(clean: GnssLog) -> None:
    log = disturb.gap(clean, START, END)
    [label] = log.labels
    assert label.kind == "gap"
    assert not _inside(log).any()
    assert len(log.true_s) == len(clean.true_s) - _inside(clean).sum()
    # 25 Hz from a whole second: epochs stand on multiples of 0.04 s
    assert (label.start_s, label.end_s) == pytest.approx((7.96, 9.04))


@pytest.mark.parametrize("kind", ["no_fix", "frozen", "dead_reckoned"])
def test_values_change_inside_alone(clean: GnssLog, kind: str) -> None:
    log = getattr(disturb, kind)(clean, START, END)
    [label] = log.labels
    assert (label.kind, label.start_s, label.end_s) == (kind, pytest.approx(8.0), pytest.approx(9.0))
    _only_inside_changed(clean, log)
    assert log.spoilt is not None and np.array_equal(log.spoilt, _inside(log))


def test_no_fix_has_no_values(clean: GnssLog) -> None:
    log = disturb.no_fix(clean, START, END)
    assert np.isnan(log.speed_mps[_inside(log)]).all() and (log.quality[_inside(log)] == 0).all()


def test_frozen_repeats_the_epoch_before(clean: GnssLog) -> None:
    log = disturb.frozen(clean, START, END)
    held = clean.speed_mps[np.flatnonzero(_inside(clean))[0] - 1]
    assert (log.speed_mps[_inside(log)] == held).all()
    assert np.all(np.diff(log.time_ns) > 0)


def test_dead_reckoning_goes_straight_on(clean: GnssLog) -> None:
    log = disturb.dead_reckoned(clean, START, END)
    inside = np.flatnonzero(_inside(log))
    assert (log.quality[inside] == 6).all()
    step = np.diff(log.lat_deg[inside])
    assert step == pytest.approx(step[0], rel=1e-3)  # even steps: constant speed


def test_poor_fix_says_so(clean: GnssLog) -> None:
    log = disturb.poor_fix(clean, np.random.default_rng(1), START, END)
    _only_inside_changed(clean, log)
    assert (log.hdop[_inside(log)] > 5).all() and (log.satellites[_inside(log)] == 4).all()


def test_ceiling_cuts_the_top(clean: GnssLog) -> None:
    top = clean.speed_mps.max() - 2.0
    log = disturb.ceiling(clean, top)
    [label] = log.labels
    cut = clean.speed_mps > top
    assert log.speed_mps.max() == top
    assert np.array_equal(log.speed_mps[~cut], clean.speed_mps[~cut])
    assert (label.start_s, label.end_s) == (clean.true_s[cut][0], clean.true_s[cut][-1])


def test_a_ceiling_above_the_peak_is_no_fault(clean: GnssLog) -> None:
    assert disturb.ceiling(clean, 200.0).labels == ()


def test_outlier_is_a_run_of_epochs(clean: GnssLog) -> None:
    log = disturb.outlier(clean, START, 3, 6.5)
    apart = log.speed_mps - clean.speed_mps
    assert np.flatnonzero(np.abs(apart) > 0).size == 3
    assert apart[np.abs(apart) > 0] == pytest.approx(6.5)
    assert log.labels[0].end_s - log.labels[0].start_s == pytest.approx(0.08)


def test_place_jump_leaves_the_speed(clean: GnssLog) -> None:
    geodesic = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    log = disturb.place_jump(clean, START, END, 4.0)
    _only_inside_changed(clean, log)
    assert np.array_equal(log.speed_mps, clean.speed_mps)
    k = int(np.flatnonzero(_inside(log))[3])
    apart = geodesic.Inverse(clean.lat_deg[k], clean.lon_deg[k], log.lat_deg[k], log.lon_deg[k])
    assert apart["s12"] == pytest.approx(4.0, abs=1e-6)


@pytest.mark.parametrize("step", [3.0, -3.0])
def test_clock_jump_stays(clean: GnssLog, step: float) -> None:
    log = disturb.clock_jump(clean, START, step)
    moved = (log.time_ns - clean.time_ns) / 1e9
    assert moved[clean.true_s < START] == pytest.approx(0.0)
    assert moved[clean.true_s >= START] == pytest.approx(step)
    assert log.labels[0].end_s == pytest.approx(8.0)


def test_heavy_tails_have_more_far_errors_than_a_gaussian(clean: GnssLog) -> None:
    log = disturb.heavy_tails(clean, np.random.default_rng(1))
    extra = np.abs(log.speed_mps - clean.speed_mps)[clean.speed_mps > 5] / clean.logger.speed_white_mps
    # P(|t3| > 4) = 0.028, P(|z| > 4) = 6e-5 (tables of both distributions)
    assert np.mean(extra > 4) > 0.01
