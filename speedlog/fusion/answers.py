"""What may have happened near the trap, and how likely each answer is: none, one or two changes of the pull."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
NONE = -1


@dataclass(frozen=True, eq=False)
class Moments:
    """M moments at which the acceleration may change: first the lifts, then the brakes.

    Attributes:
        at_s: (M,). width_s: (M,) over which it changes. lifts: how many of them are lifts.
        expected_mps2, expected_sd_mps2: (M,) change that each brings to a usual drive: by the force balance,
            a lift from the pull to coasting, the brakes from coasting to what brakes do.
    """

    at_s: Array
    width_s: Array
    lifts: int
    expected_mps2: Array
    expected_sd_mps2: Array


@dataclass(frozen=True, eq=False)
class Answers:
    """H hypotheses: up to two changes each.

    Attributes:
        log_weight: (H,). event: (H, 2) index into the moments, NONE for no change.
        change: (H, 2) m/s². change_cov: (H, 2, 2).
        usual: (H,) no change, or a lift, then or not the brakes.
    """

    log_weight: Array
    event: Ints
    change: Array
    change_cov: Array
    usual: NDArray[np.bool_]


def weigh(moments: Moments, precision: Array, pull: Array, settings: FusionSettings) -> Answers:
    """Every hypothesis with its weight and the changes that it brings.

    Before the readings: no change in the stretch; a lift, evenly likely anywhere, then or not the brakes at
    a steady rate; or, less often, any two changes (a bump, a gear, a throttle that comes back).

    Args:
        precision: (M, M) joint precision of all changes. pull: (M,). The log-likelihood of changes J is
            pull' J - J' precision J / 2.
    """
    system = _System(precision, pull)
    parts = [_no_change(settings), *_usual(system, moments, settings), *_any(system, moments, settings)]
    usual = np.repeat([True, True, True, False, False], [len(part[0]) for part in parts])
    weight, event, change, cov = (np.concatenate([part[i] for part in parts]) for i in range(4))
    return Answers(weight, event, change, cov, usual)


_Part = tuple[Array, Ints, Array, Array]  # log weight, event, change and its covariance of some hypotheses


def _no_change(settings: FusionSettings) -> _Part:
    weight = np.array([np.log(1 - settings.lift_chance)])
    return weight, np.full((1, 2), NONE), np.zeros((1, 2)), np.zeros((1, 2, 2))


def _spread(moments: Moments, settings: FusionSettings) -> tuple[Ints, Array, float]:
    """The lifts; log probability of no further change after each; log density of a lift on its grid."""
    lifts, grid = np.arange(moments.lifts), settings.lift_grid_s
    even = settings.lift_chance * grid / max(float(np.ptp(moments.at_s[lifts])), grid)
    alone = -settings.brakes_per_s * np.maximum(float(moments.at_s[-1]) - moments.at_s[lifts], 0.0)
    return lifts, alone, float(np.log(even))


def _usual(system: _System, moments: Moments, settings: FusionSettings) -> list[_Part]:
    """A lift alone; a lift and the brakes."""
    lifts, alone, even = _spread(moments, settings)
    even += float(np.log(1 - settings.any_change_share))
    expected, sd = moments.expected_mps2, moments.expected_sd_mps2
    one = system.one(lifts, expected[lifts], sd[lifts], even + alone)
    brakes = np.arange(moments.lifts, len(moments.at_s))
    first, second = (item.ravel() for item in np.meshgrid(lifts, brakes, indexing="ij"))
    apart = moments.at_s[second] - moments.at_s[first]
    later = apart > settings.least_coasting_s
    first, second, apart = first[later], second[later], apart[later]
    before = even + np.log(settings.brake_grid_s * settings.brakes_per_s) - settings.brakes_per_s * apart
    mean, spread = (expected[first], expected[second]), (sd[first], sd[second])
    return [one, system.two(first, second, mean, spread, before)]


def _any(system: _System, moments: Moments, settings: FusionSettings) -> list[_Part]:
    """One change of any sign; two of them."""
    lifts, alone, even = _spread(moments, settings)
    even += float(np.log(settings.any_change_share))
    sd = np.full(len(lifts), settings.any_change_sd_mps2)
    nothing = np.zeros(len(lifts))
    one = system.one(lifts, nothing, sd, even + alone)
    first, second = (lifts[item] for item in np.triu_indices(len(lifts), 2))
    apart = moments.at_s[second] - moments.at_s[first]
    before = even + np.log(settings.lift_grid_s * settings.brakes_per_s) - settings.brakes_per_s * apart
    mean, spread = (nothing[first], nothing[second]), (sd[first], sd[second])
    return [one, system.two(first, second, mean, spread, before)]


@dataclass(frozen=True, eq=False)
class _System:
    """Joint precision and pull of all changes; a prior N(mean, sd²) on those that happen."""

    precision: Array
    pull: Array

    def one(self, event: Ints, mean: Array, sd: Array, before: Array) -> _Part:
        held = self.precision[event, event] + 1 / sd**2
        pulled = self.pull[event] + mean / sd**2
        log_weight = before + 0.5 * (pulled**2 / held - np.log(held * sd**2) - (mean / sd) ** 2)
        count = len(event)
        change, cov = np.zeros((count, 2)), np.zeros((count, 2, 2))
        change[:, 0], cov[:, 0, 0] = pulled / held, 1 / held
        return log_weight, np.stack([event, np.full(count, NONE)], axis=1), change, cov

    def two(
        self, one: Ints, two: Ints, mean: tuple[Array, Array], sd: tuple[Array, Array], before: Array
    ) -> _Part:
        a, c = self.precision[one, one] + 1 / sd[0] ** 2, self.precision[two, two] + 1 / sd[1] ** 2
        b = self.precision[one, two]
        p, q = self.pull[one] + mean[0] / sd[0] ** 2, self.pull[two] + mean[1] / sd[1] ** 2
        size = a * c - b * b
        first, second = (c * p - b * q) / size, (a * q - b * p) / size
        log_weight = before + 0.5 * (
            p * first + q * second - np.log(size * (sd[0] * sd[1]) ** 2)
            - (mean[0] / sd[0]) ** 2 - (mean[1] / sd[1]) ** 2
        )  # fmt: skip
        cov = np.empty((len(one), 2, 2))
        cov[:, 0, 0], cov[:, 1, 1], cov[:, 0, 1], cov[:, 1, 0] = c / size, a / size, -b / size, -b / size
        return log_weight, np.stack([one, two], axis=1), np.stack([first, second], axis=1), cov
