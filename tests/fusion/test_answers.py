"""Weights of hypotheses about changes of the pull: Bayes' rule by numerical integration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from speedlog.fusion.answers import NONE, Answers, Moments, weigh
from speedlog.settings import FusionSettings

SETTINGS = FusionSettings()
LIFTS, BRAKES = 25, 19
AT = np.concatenate(
    [1 + np.arange(LIFTS) * SETTINGS.lift_grid_s, 1.02 + np.arange(BRAKES) * SETTINGS.brake_grid_s]
)
MOMENTS = Moments(
    AT, np.repeat([0.055, 0.3], [LIFTS, BRAKES]), LIFTS,
    np.concatenate([np.linspace(-9.0, -11.0, LIFTS), np.linspace(-6.0, -5.0, BRAKES)]),
    np.concatenate([np.linspace(1.5, 2.5, LIFTS), np.linspace(3.0, 3.5, BRAKES)]),
)  # fmt: skip
M = LIFTS + BRAKES


def likelihood(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A joint precision and pull of all changes, as some readings might leave them."""
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.3, (M, M))
    return root @ root.T, rng.normal(0, 1.5, M)


def which(answers: Answers, one: int, two: int, usual: bool) -> int:
    same = (answers.event[:, 0] == one) & (answers.event[:, 1] == two) & (answers.usual == usual)
    (found,) = np.flatnonzero(same)
    return int(found)


def test_without_readings_the_weights_are_the_probabilities_before_them() -> None:
    """Nothing pulls and nothing is known: what is left is the prior, and its changes."""
    answers = weigh(MOMENTS, np.zeros((M, M)), np.zeros(M), SETTINGS)
    weight = np.exp(answers.log_weight)
    assert weight[0] == pytest.approx(1 - SETTINGS.lift_chance)
    # brakes within the least coasting time are left out, sums over a grid stand for integrals: within a tenth
    assert weight.sum() == pytest.approx(1.0, abs=0.1)
    alone = answers.event[:, 1] == NONE
    kinds = answers.usual[1:][alone[1:]]
    assert (kinds.sum(), (~kinds).sum()) == (LIFTS, LIFTS)
    # of the lifts alone, a share is of any kind; both stand over the same moments
    usual, other = weight[alone & answers.usual][1:].sum(), weight[alone & ~answers.usual].sum()
    assert other / (usual + other) == pytest.approx(SETTINGS.any_change_share)
    lift = which(answers, 3, NONE, True)
    assert answers.change[lift, 0] == pytest.approx(MOMENTS.expected_mps2[3])
    assert answers.change_cov[lift, 0, 0] == pytest.approx(MOMENTS.expected_sd_mps2[3] ** 2)


@pytest.mark.parametrize("usual", [True, False])
def test_one_change_weighs_as_the_integral_over_it(usual: bool) -> None:
    """log of the integral of exp(p J - Λ J²/2) N(J; mean, sd²), by scipy.integrate.quad."""
    precision, pull = likelihood()
    before = weigh(MOMENTS, np.zeros((M, M)), np.zeros(M), SETTINGS)
    after = weigh(MOMENTS, precision, pull, SETTINGS)
    lift = which(after, 4, NONE, usual)
    mean, sd = (
        (MOMENTS.expected_mps2[4], MOMENTS.expected_sd_mps2[4])
        if usual
        else (0.0, SETTINGS.any_change_sd_mps2)
    )

    def density(j: float) -> float:
        return float(np.exp(pull[4] * j - precision[4, 4] * j**2 / 2) * norm.pdf(j, mean, sd))

    ends = after.change[lift, 0] + 12 * np.sqrt(after.change_cov[lift, 0, 0]) * np.array([-1, 1])
    total = quad(density, *ends)[0]
    centre = quad(lambda j: j * density(j), *ends)[0] / total
    spread = quad(lambda j: (j - centre) ** 2 * density(j), *ends)[0] / total
    assert after.log_weight[lift] - before.log_weight[lift] == pytest.approx(np.log(total), abs=1e-8)
    assert after.change[lift, 0] == pytest.approx(centre, rel=1e-7)
    assert after.change_cov[lift, 0, 0] == pytest.approx(spread, rel=1e-7)


@pytest.mark.parametrize(("one", "two", "usual"), [(2, LIFTS + 8, True), (1, 7, False)])
def test_two_changes_weigh_as_the_integral_over_both(one: int, two: int, usual: bool) -> None:
    """The same in two dimensions, by sums over a fine grid (exact for what falls to nothing at its edge)."""
    precision, pull = likelihood(2)
    before = weigh(MOMENTS, np.zeros((M, M)), np.zeros(M), SETTINGS)
    after = weigh(MOMENTS, precision, pull, SETTINGS)
    both = which(after, one, two, usual)
    means, sds = MOMENTS.expected_mps2[[one, two]], MOMENTS.expected_sd_mps2[[one, two]]
    if not usual:
        means, sds = np.zeros(2), np.full(2, SETTINGS.any_change_sd_mps2)
    block = precision[np.ix_([one, two], [one, two])]

    centre, half = after.change[both], 9 * np.sqrt(np.diag(after.change_cov[both]))
    grid = np.linspace(-1, 1, 241)
    a, b = np.meshgrid(centre[0] + half[0] * grid, centre[1] + half[1] * grid, indexing="ij")
    j = np.stack([a, b], axis=-1)
    pulled = j @ pull[[one, two]] - np.einsum("abi,ij,abj->ab", j, block, j) / 2
    density = np.exp(pulled) * norm.pdf(a, means[0], sds[0]) * norm.pdf(b, means[1], sds[1])
    cell = half[0] * half[1] * (grid[1] - grid[0]) ** 2
    total = density.sum() * cell
    assert after.log_weight[both] - before.log_weight[both] == pytest.approx(np.log(total), abs=1e-8)
    share = density / density.sum()
    np.testing.assert_allclose([np.sum(share * a), np.sum(share * b)], centre, rtol=1e-8)
    spread = [
        np.sum(share * x * y) for x in (a - centre[0], b - centre[1]) for y in (a - centre[0], b - centre[1])
    ]
    np.testing.assert_allclose(after.change_cov[both].ravel(), spread, rtol=1e-7)


def test_brakes_come_after_the_lift_and_not_at_once() -> None:
    answers = weigh(MOMENTS, np.zeros((M, M)), np.zeros(M), SETTINGS)
    both = answers.usual & (answers.event[:, 1] != NONE)
    apart = AT[answers.event[both, 1]] - AT[answers.event[both, 0]]
    assert apart.min() > SETTINGS.least_coasting_s
    lifts, brakes = np.meshgrid(AT[:LIFTS], AT[LIFTS:])
    assert both.sum() == np.sum(brakes - lifts > SETTINGS.least_coasting_s)
    # the sooner they come the likelier: by the rate, an exponential distribution
    sooner = which(answers, 0, LIFTS + 4, True)
    later = which(answers, 0, LIFTS + 5, True)
    gone = SETTINGS.brakes_per_s * SETTINGS.brake_grid_s
    assert answers.log_weight[sooner] - answers.log_weight[later] == pytest.approx(gone)


def test_a_clear_lift_takes_all_the_weight() -> None:
    """Readings that hold the change at moment 5 to -10 ± 0.1 and say nothing else."""
    precision, pull = np.zeros((M, M)), np.zeros(M)
    precision[5, 5], pull[5] = 100.0, -1000.0
    answers = weigh(MOMENTS, precision, pull, SETTINGS)
    share = np.exp(answers.log_weight - answers.log_weight.max())
    assert share[(answers.event == 5).any(axis=1)].sum() / share.sum() > 0.999
    sure = replace(SETTINGS, lift_chance=0.0001)
    assert weigh(MOMENTS, precision, pull, sure).log_weight[0] > answers.log_weight[0]
