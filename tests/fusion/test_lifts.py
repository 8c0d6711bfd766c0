"""Changes of the pull as further unknowns: against the dense posterior, and against draws from the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import kstest

from speedlog.fusion.answers import NONE, weigh
from speedlog.fusion.estimate import accounts
from speedlog.fusion.lifts import Branch, _inputs, _moments, _pull, _responses, branches, likeliest
from speedlog.fusion.measure import GnssSource, Noise
from speedlog.fusion.model import Model, solve
from speedlog.fusion.motion import ACCEL, SPEED, Layout, Roughness, make_steps, ramps
from speedlog.fusion.passage import mixture_interval
from speedlog.fusion.settle import Settled
from speedlog.physics.roadload import coasting_accel
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass
from tests.fusion.dense import dense, design, model_of, seen_by, small_model

SETTINGS = FusionSettings()


def carried(model: Model, inputs: np.ndarray, first: int) -> np.ndarray:
    """(K d, M) states after unit changes, from the inputs of each step on."""
    count, d, m = len(model.knots_s), model.layout.size, inputs.shape[2]
    state = np.zeros((count, d, m))
    for k in range(count - 1):
        state[k + 1] = model.steps.transition[k] @ state[k]
        if first <= k < first + len(inputs):
            state[k + 1] += inputs[k - first]
    return state.reshape(count * d, m)


@pytest.mark.parametrize("layout", [Layout(1), Layout(2, (0.0, 0.3))])
@pytest.mark.parametrize("constants", [0, 2])
@pytest.mark.parametrize("held", [0.0, 0.2])  # 0: no change brings an excess jerk with it
def test_responses_are_those_of_the_dense_posterior(layout: Layout, constants: int, held: float) -> None:
    """Three changes as unknowns N(0, 5²): mean and covariance of all states, and the density of the readings."""
    model = small_model(SETTINGS, layout=layout, constants=constants, rough=Roughness(4.0, 5.0), knots=14)
    knots, (first, last) = model.knots_s, (2, 12)
    at = np.array([knots[4] + 0.01, knots[7]])
    inputs = np.concatenate(
        [
            ramps(knots, first, last, at, 0.055, layout, 0.0),
            ramps(knots, first, last, at[1:], 0.3, layout, held),
        ],
        axis=2,
    )
    solved, sd = solve(model), 5.0
    response, precision, pull = _responses(solved, first, last, inputs)
    plain, wanted = dense(model), dense(model, sd * carried(model, inputs, first))
    held = precision + np.eye(3) / sd**2
    change = np.linalg.solve(held, pull)
    size = solved.mean.size
    flat = response.reshape(size, 3)
    np.testing.assert_allclose(solved.mean.ravel() - flat @ change, wanted.mean[:size], rtol=1e-6, atol=1e-5)
    gain = 0.5 * (pull @ change - np.linalg.slogdet(np.eye(3) + sd**2 * precision)[1])
    assert gain == pytest.approx(wanted.log_density - plain.log_density, abs=1e-5)
    spread = flat @ np.linalg.solve(held, flat.T)
    d = layout.size
    for k in range(len(knots)):
        of = slice(k * d, (k + 1) * d)
        even = np.sqrt(np.diag(wanted.cov[of, of]))
        found = solved.variances()[k] + spread[of, of]
        np.testing.assert_allclose(
            found / np.outer(even, even), wanted.cov[of, of] / np.outer(even, even), atol=1e-4
        )


# ---- draws from the model itself -------------------------------------------------------------------------------

COARSE = replace(
    SETTINGS, lift_grid_s=0.1, brake_grid_s=0.2, pull_excess_mps3=(0.35, 4.0), pull_white_m2_s5=(0.02, 5.0),
    pull_chance=(0.7, 0.3),
)  # fmt: skip
STRETCH = (1.6, 3.6)


def template() -> Settled:
    """A pass of 5 s at 10 Hz with a hole from 2.4 to 3.0 s; its free motion is given, not found."""
    layout, knots = Layout(1), np.arange(51) * 0.1
    heard = np.array([t for t in np.arange(50) * 0.1 + 0.03 if not 2.4 < t < 3.0])
    time, channel = np.concatenate([heard, heard]), np.repeat([0, 1], len(heard))
    value = np.concatenate([70 + 5 * heard, 70 * heard + 2.5 * heard**2])
    seen = seen_by(time, channel, value, np.full(len(time), 0.07), layout)
    model = model_of(seen, knots, layout, Roughness(12.0, 60.0), COARSE)
    solved = solve(model)
    mean = np.zeros((51, layout.size))
    mean[:, :3] = np.stack([70 * knots + 2.5 * knots**2, 70 + 5 * knots, np.full(51, 5.0)], axis=1)
    ok = np.ones(len(heard), dtype=bool)
    source = GnssSource(heard, value[: len(heard)], value[len(heard) :], ok, ok, 0.1)
    return Settled(
        (source,), (), (Noise(0.07, 0.07, 0.01),), (), layout, seen, 1 / seen.variance, np.array([60.0]), (STRETCH,),
        knots, replace(solved, mean=mean),
    )  # fmt: skip


def draws(count: int, seed: int):
    """Drives from the prior: a roughness, a hypothesis, its changes, the states, the readings."""
    rng, found = np.random.default_rng(seed), template()
    knots, layout = found.knots_s, found.layout
    first, last = (int(k) for k in np.searchsorted(knots, np.array(STRETCH) - 1e-6))
    moments = _moments(found, first, last, COARSE)
    inputs = _inputs(knots, first, last, moments, layout, COARSE)
    m = len(moments.at_s)
    prior = weigh(moments, np.zeros((m, m)), np.zeros(m), COARSE)
    chance = np.exp(prior.log_weight) / np.exp(prior.log_weight).sum()
    base = model_of(found.seen, knots, layout, Roughness(12.0, 60.0), COARSE)
    seen = design(base)
    noises = []
    for level in zip(COARSE.pull_excess_mps3, COARSE.pull_white_m2_s5, strict=True):
        held = found.roughness(COARSE)
        held[first:last] = [Roughness(*level)] * (last - first)
        steps = make_steps(np.diff(knots), held, layout, found.place_drift_s, COARSE)
        noises.append((steps.transition, np.linalg.cholesky(steps.precision)))
    for _ in range(count):
        transition, factor = noises[int(rng.random() < COARSE.pull_chance[1])]
        which = int(rng.choice(len(chance), p=chance))
        change = rng.multivariate_normal(prior.change[which], prior.change_cov[which])
        state = np.empty((len(knots), layout.size))
        state[0] = base.start_mean + base.start_sd * rng.standard_normal(layout.size)
        for k in range(len(knots) - 1):
            noise = np.linalg.solve(factor[k].T, rng.standard_normal(layout.size))
            state[k + 1] = transition[k] @ state[k] + noise
            for event, size in zip(prior.event[which], change, strict=True):
                if event != NONE and first <= k < last:
                    state[k + 1] += inputs[k - first, :, event] * size
        value = seen @ state.ravel() + rng.normal(0, 0.07, len(seen))
        again = branches(replace(found, seen=replace(found.seen, value=value)), STRETCH, COARSE)
        yield state, int(prior.event[which][0]), again, rng


def speeds_at(every: list[Branch], knot: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weight, mean and sd of the speed at a knot over all hypotheses and roughnesses, none left out."""
    weight, mean, sd = [], [], []
    for item in every:
        padded = np.concatenate([item.response[knot, SPEED], [0.0]])  # the last for no change
        moved = padded[item.answers.event]
        weight.append(item.answers.log_weight)
        mean.append(item.solved.mean[knot, SPEED] - np.sum(moved * item.answers.change, axis=1))
        own = np.einsum("hi,hij,hj->h", moved, item.answers.change_cov, moved)
        sd.append(np.sqrt(item.solved.variances()[knot, SPEED, SPEED] + own))
    log = np.concatenate(weight)
    share = np.exp(log - log.max())
    return share / share.sum(), np.concatenate(mean), np.concatenate(sd)


def test_on_drives_from_the_model_the_mixture_is_exact() -> None:
    """Over 200 drives drawn from the prior, 95 % intervals of the speed hold 92 to 98 %, and both the speed's
    and the lift's place in their posterior are evenly spread (Dawid, J. R. Stat. Soc. A 147 (1984) 278-292)."""
    inside, place_of_speed, place_of_lift = 0, [], []
    knot = 27  # 2.7 s, in the middle of the hole
    for state, event, every, rng in draws(200, 8):
        weight, mean, sd = speeds_at(every, knot)
        low, high = mixture_interval(weight, mean, sd)
        inside += low <= state[knot, SPEED] <= high
        place_of_speed.append(float(weight @ ndtr((state[knot, SPEED] - mean) / sd)))
        firsts = np.concatenate([item.answers.event[:, 0] for item in every])
        lower, same = weight[firsts < event].sum(), weight[firsts == event].sum()
        place_of_lift.append(float(lower + rng.random() * same))
    assert 0.92 <= inside / 200 <= 0.98
    assert kstest(place_of_speed, "uniform").pvalue > 0.01
    assert kstest(place_of_lift, "uniform").pvalue > 0.01


# ---- on a made pass ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def looked_at(clean_pass: MadePass) -> tuple[Settled, list[Branch]]:
    (found, *_) = accounts([clean_pass.source], [], (clean_pass.entry_m, clean_pass.exit_m), SETTINGS)
    stretch = next(item for item in found.close if item[0] < 12.0 < item[1])
    return found, branches(found, stretch, SETTINGS)


def test_the_lift_is_found_where_it_was_made(looked_at: tuple[Settled, list[Branch]]) -> None:
    """Made: +8 to -1 m/s² at 12.0 s, to -10 at 12.6 s; 25 Hz."""
    best, which = likeliest(looked_at[1])
    lift, brake = best.answers.event[which]
    assert best.moments.at_s[lift] == pytest.approx(12.0, abs=0.06)
    assert best.moments.at_s[brake] == pytest.approx(12.6, abs=0.12)
    assert best.answers.change[which] == pytest.approx([-9.0, -9.0], abs=1.5)


def test_expected_are_a_lift_from_the_pull_to_coasting_and_brakes_from_there(
    looked_at: tuple[Settled, list[Branch]],
) -> None:
    """By hand: at 79 m/s, pulling at 8 m/s²: -(r + k 79²) - 8, the pull fading until the lift; at 74 m/s, braking."""
    moments, set_to = looked_at[1][0].moments, SETTINGS
    lift = int(np.argmin(np.abs(moments.at_s[: moments.lifts] - 11.9)))
    coasting = coasting_accel(np.array([79.2, 74.0]), set_to.drag_per_m, set_to.rolling_mps2)
    pull = 8.0 * np.exp(-set_to.pull_fades_per_s * set_to.pull_before_s)
    assert moments.expected_mps2[lift] == pytest.approx(coasting[0] - pull, abs=0.7)
    brake = moments.lifts + int(np.argmin(np.abs(moments.at_s[moments.lifts :] - 13.1)))
    assert moments.expected_mps2[brake] == pytest.approx(set_to.brake_mps2 - coasting[1], abs=0.3)
    assert moments.expected_sd_mps2[lift] == pytest.approx(
        np.hypot(set_to.pull_sd_mps2, set_to.drag_share * coasting[0]), rel=0.05
    )


def test_the_pull_before_a_lift_is_read_where_it_was_heard() -> None:
    """By hand, hole from 2.33 to 3.03 s, acceleration 3 + t: read a while before the lift, or 0.1 s before the
    hole; from there it fades."""
    found = template()
    mean = found.solved.mean.copy()
    mean[:, ACCEL] = 3.0 + found.knots_s
    found = replace(found, solved=replace(found.solved, mean=mean))
    usual = SETTINGS.pull_before_s
    lifts = np.array([1.9, 2.7, 3.0 + usual, 3.6 + 2 * usual])
    before = np.array([1.9 - usual, 2.23, 2.23, 3.6 + usual])
    wanted = (3.0 + before) * np.exp(-SETTINGS.pull_fades_per_s * (lifts - before))
    np.testing.assert_allclose(_pull(found, lifts, SETTINGS), wanted, rtol=1e-9)


def test_roughness_levels_and_their_number(looked_at: tuple[Settled, list[Branch]]) -> None:
    found, every = looked_at
    assert len(every) == len(SETTINGS.pull_chance)
    stretch = next(item for item in found.close if item[0] < 12.0 < item[1])
    few = branches(found, stretch, SETTINGS, 2)
    assert len(few) == 2
    np.testing.assert_allclose(few[0].answers.log_weight, every[0].answers.log_weight)
    # smooth pull, clean logs: the smoothest levels explain it
    heaviest = max(range(len(every)), key=lambda i: float(every[i].answers.log_weight.max()))
    assert heaviest <= 1


def test_each_level_weighs_by_its_chance_before_the_readings(looked_at: tuple[Settled, list[Branch]]) -> None:
    found, every = looked_at
    stretch = next(item for item in found.close if item[0] < 12.0 < item[1])
    even = replace(SETTINGS, pull_chance=(0.25,) * 4)
    for item, same, chance in zip(every, branches(found, stretch, even), SETTINGS.pull_chance, strict=True):
        gain = item.answers.log_weight - same.answers.log_weight
        np.testing.assert_allclose(gain, np.log(chance / 0.25), atol=1e-9)


def test_the_path_with_its_changes_is_straight_where_the_drive_was(
    looked_at: tuple[Settled, list[Branch]],
) -> None:
    best, which = likeliest(looked_at[1])
    state = best.solved.mean.copy()
    for event, change in zip(best.answers.event[which], best.answers.change[which], strict=True):
        state -= best.response[:, :, event] * change
    knots = best.solved.model.knots_s
    for time, wanted in ((11.5, 8.0), (12.3, -1.0)):
        assert np.interp(time, knots, state[:, ACCEL]) == pytest.approx(wanted, abs=0.9)
