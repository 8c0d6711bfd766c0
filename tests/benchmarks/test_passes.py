"""Passes made ready for the accuracy benchmark: kept and made ones are the same."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLogger, log_gnss
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks import accuracy, passes
from tests.benchmarks.oracle import DENSITIES, oracle, oracles
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
