"""The posterior of the whole model against other implementations of it, and against its own draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from speedlog.fusion.model import Model, gather, reweighed, solve
from speedlog.fusion.motion import Layout, Roughness
from speedlog.settings import FusionSettings
from tests.fusion.dense import dense, design, seen_by, simulated, small_model

SETTINGS = FusionSettings()
LAYOUTS = [Layout(1), Layout(2), Layout(2, (0.0, 0.3))]


def statsmodels_result(model: Model):
    """Oracle: statsmodels' Kalman filter and smoother; one speed and one place a knot."""
    d, count = model.layout.size, len(model.knots_s)
    seen = design(model)
    oracle = KalmanSmoother(k_endog=2, k_states=d, k_posdef=d)
    value, noise, rows = np.zeros((count, 2)), np.zeros((2, 2, count)), np.zeros((2, d, count))
    filled = np.zeros(count, dtype=int)
    for i, row in enumerate(seen):
        k = int(np.flatnonzero(row)[0]) // d
        j = filled[k]
        filled[k] += 1
        rows[j, :, k] = row[k * d : (k + 1) * d]
        value[k, j], noise[j, j, k] = model.rows.value[i], 1 / model.weight[i]
    assert filled.tolist() == [2] * count
    oracle.bind(value)
    noises = np.linalg.inv(model.steps.precision)
    oracle["design"], oracle["obs_cov"], oracle["selection"] = rows, noise, np.eye(d)
    # the last transition leads past the end and is never used
    oracle["transition"] = np.concatenate([model.steps.transition, model.steps.transition[-1:]]).transpose(
        1, 2, 0
    )
    oracle["state_cov"] = np.concatenate([noises, noises[-1:]]).transpose(1, 2, 0)
    oracle.initialize_known(model.start_mean, np.diag(model.start_sd**2))
    return oracle.smooth()


@pytest.mark.parametrize(
    ("rough", "tolerance"),
    [(Roughness(12.0, 60.0), 1e-8), (Roughness(1.2, 0.3), 1e-5), (Roughness(0.35, 0.02), 1e-4)],
)
def test_equals_statsmodels_filter_and_smoother(rough: Roughness, tolerance: float) -> None:
    """Rauch, Tung, Striebel 1965 by statsmodels: mean 1e-8, covariances 1e-9 by their own scale, log-likelihood.

    The smoother the motion, the larger its precision (1e10 and more) against the one that holds the place
    (1 / m²): of the determinant some digits are lost, of which no weight feels the last.
    """
    model = small_model(SETTINGS, at_knots=True, knots=40, rough=rough)
    found, wanted = solve(model), statsmodels_result(model)
    spread = found.variances()
    scale = np.sqrt(np.maximum(np.diagonal(spread, axis1=1, axis2=2), 1e-12))
    np.testing.assert_allclose(found.mean, wanted.smoothed_state.T, rtol=1e-8, atol=1e-7)
    np.testing.assert_allclose(found.mean[:, 1], wanted.smoothed_state[1], rtol=1e-10, atol=1e-9)
    off = spread - wanted.smoothed_state_cov.transpose(2, 0, 1)
    assert np.abs(off / (scale[:, :, None] * scale[:, None, :])).max() < 1e-9
    log = found.log_evidence - len(model.rows.value) / 2 * np.log(2 * np.pi)
    assert log == pytest.approx(wanted.llf, abs=max(tolerance, 1e-7))


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("constants", [0, 2])
@pytest.mark.parametrize("rough", [Roughness(0.35, 0.02), Roughness(12.0, 60.0)])
def test_equals_the_dense_posterior(layout: Layout, constants: int, rough: Roughness) -> None:
    """Joint normal of states, constants and readings (tests/fusion/dense.py); density by scipy.stats."""
    model = small_model(SETTINGS, layout=layout, rough=rough, constants=constants)
    found, wanted = solve(model), dense(model)
    size = found.mean.size
    np.testing.assert_allclose(found.mean.ravel(), wanted.mean[:size], rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(found.constants, wanted.mean[size:], rtol=1e-7, atol=1e-8)
    d = layout.size
    spread = found.variances()
    for k in range(len(spread)):
        block = wanted.cov[k * d : (k + 1) * d, k * d : (k + 1) * d]
        even = np.sqrt(np.diag(block))
        np.testing.assert_allclose(spread[k] / np.outer(even, even), block / np.outer(even, even), atol=1e-6)
    np.testing.assert_allclose(found.constant_cov, wanted.cov[size:, size:], rtol=1e-6, atol=1e-10)
    n = len(model.rows.value)
    assert found.log_evidence - n / 2 * np.log(2 * np.pi) == pytest.approx(wanted.log_density, abs=1e-4)
    whole = np.concatenate([found.mean.ravel(), found.constants])
    np.testing.assert_allclose(found.misfit, model.rows.value - design(model) @ whole, atol=1e-9)


def test_evidences_of_two_roughnesses_differ_as_their_densities() -> None:
    """What the data say of a roughness, alone: Bayes factor of two models by scipy.stats."""
    models = [small_model(SETTINGS, rough=Roughness(*level)) for level in ((0.35, 0.02), (12.0, 60.0))]
    found = [solve(item).log_evidence for item in models]
    wanted = [dense(item).log_density for item in models]
    assert found[1] - found[0] == pytest.approx(wanted[1] - wanted[0], abs=1e-4)


def test_a_start_far_off_or_close_by_leads_to_the_same_place() -> None:
    model = small_model(SETTINGS, constants=1)
    first = solve(model)
    again = solve(model, first.mean + 3.0)
    np.testing.assert_allclose(again.mean, first.mean, atol=1e-8)
    assert again.log_evidence == pytest.approx(first.log_evidence, abs=1e-7)


@pytest.mark.parametrize("hz", [12.0, 90.0])  # a reading or two a step; more than a block of eight holds
def test_gathering_in_blocks_is_the_plain_sum(hz: float) -> None:
    """H' W H by NumPy, block by block."""
    model = small_model(SETTINGS, layout=Layout(2, (0.0, 0.3)), constants=2, hz=hz)
    d, count = model.layout.size, len(model.knots_s)
    seen = design(model)
    whole = seen.T @ (model.weight[:, None] * seen)
    states = count * d
    for k in range(count):
        np.testing.assert_allclose(
            model.gathered.diagonal[k], whole[k * d : (k + 1) * d, k * d : (k + 1) * d], rtol=1e-10, atol=1e-8
        )
    for k in range(count - 1):
        np.testing.assert_allclose(
            model.gathered.beside[k],
            whole[k * d : (k + 1) * d, (k + 1) * d : (k + 2) * d],
            rtol=1e-10,
            atol=1e-8,
        )
    np.testing.assert_allclose(model.gathered.cross, whole[:states, states:], rtol=1e-10, atol=1e-8)
    np.testing.assert_allclose(model.gathered.own, whole[states:, states:] + np.eye(2) / 0.1**2, rtol=1e-10)


def test_a_reading_without_weight_is_as_if_it_were_not_there() -> None:
    model = small_model(SETTINGS)
    spoilt = replace(
        model, rows=replace(model.rows, value=model.rows.value + np.eye(len(model.weight))[4] * 500.0)
    )
    weight = np.where(np.arange(len(model.weight)) == 4, 1e-12, model.weight)
    clean = solve(reweighed(model, weight))
    np.testing.assert_allclose(solve(reweighed(spoilt, weight)).mean, clean.mean, atol=1e-5)
    assert np.abs(solve(spoilt).mean - clean.mean).max() > 1.0
    np.testing.assert_array_equal(gather(model.rows, weight, 9).own, np.zeros((0, 0)))


def runs(count: int, seed: int):
    """Drives out of the model's own prior, with the posterior of each."""
    rng = np.random.default_rng(seed)
    model = small_model(SETTINGS, rough=Roughness(1.2, 0.3), knots=12)
    for _ in range(count):
        state, value = simulated(model, rng)
        yield state, solve(replace(model, rows=replace(model.rows, value=value))), rng


def test_errors_are_as_large_as_the_posterior_says() -> None:
    """NEES (Bar-Shalom et al. 2001, 5.4.2; references.md topic 6): mean over N runs ~ chi2(N n) / N."""
    count, sizes = 50, []
    for state, found, _ in runs(count, 5):
        spread = found.variances()[6][:4, :4]
        off = state[6, :4] - found.mean[6, :4]
        sizes.append(off @ np.linalg.solve(spread, off))
    low, high = chi2.ppf([0.025, 0.975], 4 * count) / count
    assert low < np.mean(sizes) < high


def test_the_band_of_the_consistency_test_is_the_published_one() -> None:
    """references.md topic 6: N 50, n 2 -> [1.4844, 2.5912]; N 50, 1-dim -> [0.6471, 1.4284]."""
    assert chi2.ppf([0.025, 0.975], 100) / 50 == pytest.approx([1.4844, 2.5912], abs=1e-4)
    assert chi2.ppf([0.025, 0.975], 50) / 50 == pytest.approx([0.6471, 1.4284], abs=1e-4)


def test_a_new_reading_misses_as_far_as_foretold() -> None:
    """NIS of a reading of the speed at a knot, not used by the estimate: mean over 50 runs within the 95 % band."""
    sizes = []
    for state, found, rng in runs(50, 6):
        layout = found.model.layout
        row = np.zeros(layout.size)
        row[[1, layout.speed_drift(0)]] = 1.0
        spread = row @ found.variances()[-1] @ row + 0.08**2
        reading = row @ state[-1] + rng.normal(0, 0.08)
        sizes.append((reading - row @ found.mean[-1]) ** 2 / spread)
    assert 0.6471 < np.mean(sizes) < 1.4284


def lag_problem(settings: FusionSettings, constant: np.ndarray, sd: float, times: np.ndarray):
    """A motion known to the millimetre a second, and one channel with a constant of its own, read with `sd`."""
    from tests.fusion.dense import model_of

    layout = Layout(2)
    knots = np.arange(times[0] - 0.02, times[-1] + 0.1, 0.1)
    sure = np.sort(np.concatenate([knots, times]))
    time = np.concatenate([sure, sure, times])
    channel = np.concatenate([np.zeros(len(sure)), np.ones(len(sure)), np.full(len(times), 2)]).astype(
        np.int64
    )
    spread = np.concatenate([np.full(2 * len(sure), 1e-5), np.full(len(times), sd)])
    factors = np.concatenate([np.zeros(2 * len(sure)), constant])[:, None]
    seen = seen_by(time, channel, np.zeros(len(time)), spread, layout, factors, constant_sd=10.0)
    return model_of(seen, knots, layout, Roughness(12.0, 60.0), settings)


def test_a_clock_offset_is_known_as_well_as_the_cramer_rao_bound_allows() -> None:
    """Kay 1993, ex. 3.13 (references.md topic 12): var = s0² / sum s'². Ramp +8 then -12 m/s², 25 Hz, 8 s, sd 0.05:
    0.34669 ms. The lag of a logger and the clock of a wheel enter in this one way: times the acceleration."""
    still = replace(SETTINGS, speed_drift_sd_mps=1e-7)
    times = np.arange(200) / 25 + 0.02
    accel = np.where(
        np.arange(200) < 120, 8.0, -12.0
    )  # up for 4.8 s, down for 3.2 s: back at the first speed
    bound = 0.05 / np.sqrt(np.sum(accel**2))
    assert bound == pytest.approx(0.34669e-3, rel=0.06)  # the source's own split of the 8 s is not given
    found = solve(lag_problem(still, -accel, 0.05, times))
    assert np.sqrt(found.constant_cov[0, 0]) == pytest.approx(bound, rel=0.005)


def test_cramer_rao_of_a_sine() -> None:
    """The same source: a 15 m/s sine of 8 s, 200 samples, sd 0.05: 0.424413 ms."""
    still = replace(SETTINGS, speed_drift_sd_mps=1e-7)
    times = np.arange(200) / 25 + 0.02
    accel = 15 * 2 * np.pi / 8 * np.cos(2 * np.pi * times / 8)
    found = solve(lag_problem(still, accel, 0.05, times))
    assert np.sqrt(found.constant_cov[0, 0]) == pytest.approx(0.424413e-3, rel=0.005)
