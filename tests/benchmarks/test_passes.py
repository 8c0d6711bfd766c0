"""Passes made ready for the accuracy benchmark: kept and made ones are the same."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLogger, log_gnss
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks import accuracy, passes
from tests.benchmarks.oracle import DENSITIES, _followed, _jerk_noise, _Model, oracle, oracles
from tests.benchmarks.widths import by_width


@pytest.fixture(scope="module")
def slow() -> SimulatedPass:
    return family("clean_1hz", seeded(6, "clean_1hz", 0))


def test_kept_passes_are_the_made_ones(tmp_path: Path) -> None:
    made = passes.ready(6, "clean_1hz", [0, 1], oracle=True)
    first = passes.ready(6, "clean_1hz", [0, 1], oracle=True, cache=tmp_path)
    again = passes.ready(6, "clean_1hz", [0, 1], oracle=True, cache=tmp_path)
    assert made == first == again
    assert len(list(tmp_path.rglob("*.zip"))) == 2


def test_kept_passes_are_not_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    passes.ready(6, "clean_1hz", [0], cache=tmp_path)
    asked: list[int] = []
    monkeypatch.setattr(passes, "_made", lambda seed, name, indices, oracle: asked.extend(indices) or [])
    assert len(passes.ready(6, "clean_1hz", [0], cache=tmp_path)) == 1
    assert asked == []


def test_a_kept_pass_without_the_oracle_is_made_again(tmp_path: Path) -> None:
    assert "oracle" not in passes.ready(6, "clean_1hz", [0], cache=tmp_path)[0].facts
    assert "oracle" in passes.ready(6, "clean_1hz", [0], oracle=True, cache=tmp_path)[0].facts


def test_a_torn_file_counts_as_none(tmp_path: Path) -> None:
    whole = passes.ready(6, "clean_1hz", [0], cache=tmp_path)
    [kept] = tmp_path.rglob("*.zip")
    kept.write_bytes(kept.read_bytes()[:200])
    assert passes.ready(6, "clean_1hz", [0], cache=tmp_path) == whole


def test_a_change_of_the_simulator_is_another_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    before = passes.digest()
    monkeypatch.setattr(passes.np, "__version__", "another")
    passes.digest.cache_clear()
    changed = passes.digest()
    monkeypatch.undo()
    passes.digest.cache_clear()
    assert changed != before == passes.digest()


def test_measured_with_and_without_a_cache(tmp_path: Path) -> None:
    bare = accuracy.measure(6, ["clean_1hz"], 2, workers=1)
    assert accuracy.measure(6, ["clean_1hz"], 2, workers=1, cache=tmp_path) == bare
    assert accuracy.measure(6, ["clean_1hz"], 2, workers=1, cache=tmp_path) == bare
    assert [item["index"] for item in bare] == [0, 1]


def test_passes_side_by_side_are_passes_alone(slow: SimulatedPass) -> None:
    """The oracle's lanes don't touch each other, whatever shape and length their neighbours have."""
    runs = [
        slow,
        family("clean_1hz", seeded(6, "clean_1hz", 1)),
        family("gap_wheel", seeded(6, "gap_wheel", 0)),
    ]
    together = oracles(runs)
    for run, answer in zip(runs, together, strict=True):
        alone = oracle(run)
        assert np.max(np.abs(answer.trap_mps - alone.trap_mps)) < 1e-9
        assert np.max(np.abs(answer.sd_mps - alone.sd_mps)) < 1e-9


@pytest.mark.parametrize("density", [10.0, 300.0])
def test_oracle_is_the_dense_posterior(slow: SimulatedPass, density: float) -> None:
    """A Gaussian conditioned on all readings at once, its covariances from closed forms, no recursion.

    White jerk from a diffuse start at t0 (Rasmussen, Williams, "Gaussian Processes for Machine Learning",
    2006, eqs. 2.23-2.24; cov of the twice integrated Wiener process by direct integration); the drifts are
    exponential covariances. Noise wider than a receiver's, so that the dense algebra is well
    conditioned: the tolerance is 1e-6 m/s of about 80.
    """
    logger = GnssLogger(
        rate_hz=1.0, speed_white_mps=1.0, speed_drift_mps=0.5, speed_drift_s=10.0, place_white_m=2.0,
        place_drift_m=1.0, place_drift_s=60.0,
    )  # fmt: skip
    log = log_gnss(np.random.default_rng(2), slow.truth, slow.place, logger, slow.launch_ns)
    run = replace(slow, gnss=(("a.nmea", "nmea", log),))
    answer = oracle(run, np.array([density]))
    speed, sd = _dense(run, density)
    assert answer.trap_mps[0] == pytest.approx(speed, abs=1e-6)
    assert answer.sd_mps[0] == pytest.approx(sd, abs=1e-6)
    assert DENSITIES.min() <= density <= DENSITIES.max()


def test_oracle_knows_a_filtered_speed_from_a_late_one() -> None:
    """All but free of noise, a speed filtered by 0.4 s still tells the trap speed; places are poor on purpose."""
    pulling = family("clean_25hz", seeded(4, "clean_25hz", 6))  # the driver lifts long after the trap
    logger = GnssLogger(
        rate_hz=25.0, speed_white_mps=1e-3, speed_drift_mps=1e-4, place_white_m=5.0, place_drift_m=0.1,
        speed_filter_s=0.4, speed_delay_s=0.1, knot_digits=5,
    )  # fmt: skip
    log = log_gnss(np.random.default_rng(2), pulling.truth, pulling.place, logger, pulling.launch_ns)
    run = replace(pulling, gnss=(("a.nmea", "nmea", log),))
    # a place off by 5 m over the root of 400 epochs costs 1 cm/s at 3 m/s² and 57 m/s: five times that
    assert np.min(np.abs(oracle(run).trap_mps - run.trap_mps)) < 0.05
    untold = replace(log, logger=replace(logger, speed_filter_s=0.0))
    wrong = oracle(replace(run, gnss=(("a.nmea", "nmea", untold),)))
    # untold, what the car gains in 0.4 s is missing, a quarter of it at least: places give some of it back
    gained = 0.4 * run.truth.motion_at(np.array([run.truth.entry_s]))[2][0]
    assert np.all(run.trap_mps - wrong.trap_mps > 0.25 * gained) and gained > 1.0


def test_a_filter_follows_a_ramp() -> None:
    # s' = (v - s) / tau with v = v0 + a t: s = v0 + a (t - tau) + (s0 - v0 + a tau) exp(-t / tau)
    t, tau, v0, a, s0 = 0.3, 0.2, 50.0, 8.0, 47.0
    stay, by_speed, by_accel = _followed(np.array([[t]]), np.array([[tau]]))[:, 0, 0, 0]
    expected = v0 + a * (t - tau) + (s0 - v0 + a * tau) * math.exp(-t / tau)
    assert stay * s0 + by_speed * v0 + by_accel * a == pytest.approx(expected, abs=1e-12)


def test_noise_of_a_filtered_speed() -> None:
    """Against scipy's adaptive quadrature; without a filter, the closed form of the module's head."""
    t, tau, q = 0.9, 0.15, 20.0
    with_filter = _Model(6, np.array([q]), np.ones((2, 2, 1)), np.array([[tau]]), wheel=False)
    found = _jerk_noise(np.array([[t]]), with_filter)[:, :, 0, 0]
    impulse = (lambda u: u * u / 2, lambda u: u, lambda u: 1.0, lambda u: u - tau * (1 - math.exp(-u / tau)))
    for i, one in enumerate(impulse):
        for j, two in enumerate(impulse):
            whole = quad(lambda u, one=one, two=two: one(u) * two(u), 0.0, t)[0]
            assert found[i, j] == pytest.approx(q * whole, rel=1e-9)
    bare = _jerk_noise(np.array([[t]]), replace(with_filter, late_s=np.zeros((0, 1))))[:, :, 0, 0]
    assert np.max(np.abs(bare - found[:3, :3])) < 1e-12


def test_sharp_changes_passes_with_a_wheel_alone(slow: SimulatedPass) -> None:
    wheeled = [family("lift_in_gap_wheel", seeded(6, "lift_in_gap_wheel", index)) for index in range(6)]
    plain, sharp = oracles([slow, *wheeled]), oracles([slow, *wheeled], sharp=True)
    assert np.array_equal(plain[0].trap_mps, sharp[0].trap_mps)
    true = np.array([[run.trap_mps] for run in wheeled])
    errors = [np.array([answer.trap_mps for answer in some[1:]]) - true for some in (plain, sharp)]
    rms = [np.sqrt(np.mean(error**2, axis=0)) for error in errors]
    # the wheel's slip falls at the lift, inside the gap: the smoothed turns show that a sixth of a second late
    assert rms[1].min() < rms[0].min()


def _dense(run: SimulatedPass, density: float) -> tuple[float, float]:
    from speedlog.demo.writers import speed_step_mps
    from tests.benchmarks.oracle import FIRST_SD
    from tests.benchmarks.simple import driven_m

    log, truth = run.gnss[0][2], run.truth
    one, step = log.logger, speed_step_mps(log, "nmea")
    start = log.true_s[0]
    t = log.true_s - start
    beams = np.array([truth.entry_s, truth.exit_s]) - start
    # rows: places and speeds at all epochs and both beams; kind 0 place, 1 speed
    at = np.concatenate([t, t, beams, beams])
    kind = np.concatenate([np.zeros(len(t)), np.ones(len(t)), np.zeros(2), np.ones(2)])
    grow = [np.where(kind == 0, 1.0, 0.0), np.where(kind == 0, at, 1.0), np.where(kind == 0, at**2 / 2, at)]
    prior = sum(sd**2 * np.outer(g, g) for sd, g in zip(FIRST_SD, grow, strict=True))
    # cov of f_a(t), f_b(u) = q * integral to min(t, u) of (t-w)^a/a! (u-w)^b/b!, a = 2 place, 1 speed;
    # Gauss-Legendre with 8 points is exact for these polynomials
    x, w = np.polynomial.legendre.leggauss(8)
    least = np.minimum.outer(at, at)
    for node, weight in zip((x + 1) / 2, w / 2, strict=True):
        left, right = at[:, None] - node * least, at[None, :] - node * least
        a = np.where(kind == 0, 1, 0)
        one_part = np.where(a[:, None] == 1, left**2 / 2, left)
        other = np.where(a[None, :] == 1, right**2 / 2, right)
        prior = prior + density * weight * least * one_part * other
    n, between = len(t), np.abs(np.subtract.outer(t, t))
    noise = np.zeros((2 * n, 2 * n))
    noise[:n, :n] = one.place_drift_m**2 * np.exp(-between / one.place_drift_s)
    noise[n:, n:] = one.speed_drift_mps**2 * np.exp(-between / one.speed_drift_s)
    noise += np.diag(
        np.r_[np.full(n, one.place_white_m**2 + 1e-4), np.full(n, one.speed_white_mps**2 + step**2 / 12)]
    )
    value = np.r_[driven_m(run, log), np.round(log.speed_mps / step) * step]
    seen, wanted = slice(0, 2 * n), slice(2 * n, None)
    weights = np.linalg.solve(prior[seen, seen] + noise, prior[seen, wanted]).T
    x1, x2, v1, v2 = weights @ value
    spread = prior[wanted, wanted] - weights @ prior[seen, wanted]
    length = truth.exit_travel_m - truth.entry_travel_m
    times = beams + (np.array([truth.entry_travel_m, truth.exit_travel_m]) - [x1, x2]) / [v1, v2]
    speed = length / (times[1] - times[0])
    slope = np.array([1 / v1, -1 / v2, 0.0, 0.0])
    return float(speed), float(speed**2 / length * np.sqrt(slope @ spread @ slope))


def test_thirds_by_hand() -> None:
    """Six passes, widths 1, 1, 2, 2, 4, 4 m/s; errors of a quarter, and one of three widths."""
    given = [(1.0, 0.25), (1.0, 3.0), (2.0, 0.5), (2.0, -0.5), (4.0, 1.0), (4.0, -1.0)]
    found = [
        {"family": "x", "true": 50.0, "speedlog": 50.0 + e, "interval": [50.0 + e - w / 2, 50.0 + e + w / 2]}
        for w, e in given
    ]
    [row] = by_width([*found, {"family": "x", "failed": "on purpose"}, {"family": "y", "true": 1.0}], ["x"])
    assert row["passes"] == 6
    assert (row["narrow width"], row["middle width"], row["wide width"]) == (1.0, 2.0, 4.0)
    assert (row["narrow 95 %"], row["middle 95 %"], row["wide 95 %"]) == (50.0, 100.0, 100.0)
    # a quarter of a width is 0.98 of its sd
    assert row["middle z"] == pytest.approx(0.98) and row["wide z"] == pytest.approx(0.98)
    assert row["narrow z"] == pytest.approx(3.92 * math.sqrt((0.25**2 + 3.0**2) / 2))


def test_thirds_of_no_pass() -> None:
    [row] = by_width([], ["x"])
    assert row["passes"] == 0 and math.isnan(row["wide 95 %"])
