"""How much likelier a few rows are if their speed is wrong than if the car really did that.

A window of rows is a Gaussian process: the acceleration wanders as a random walk of density q (m²/s⁵; a
lift or brakes ask for a large one), speed and distance are its integrals, readings are the speed with white
noise, places the distance with white noise and a slow wander. Whether the rows in the middle share a wrong
step, or each have an error of their own, or none, is weighed by the evidence of each (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, sections 2.7 and 5.4.1), each at the density that
suits it best. So a step up and the same step down counts for more where the car drives smoothly, and where
places beside it know nothing of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
What = Literal["speed", "place"]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)  # exact for polynomials of degree 5; 4 is needed
_SURELY = 2.0  # of log evidence
_WIDE = 1e3  # m and m/s: the start of a window is unknown


@dataclass(frozen=True, eq=False)
class Noise:
    """(N,) of each row: white speed (m/s) and place (m) noise, one sd, and the wander of places (m²/s)."""

    speed_mps: Array
    place_m: Array
    wander_m2_s: Array

    def of(self, rows: Rows | slice) -> Noise:
        return Noise(self.speed_mps[rows], self.place_m[rows], self.wander_m2_s[rows])


@dataclass(frozen=True, eq=False)
class Weighed:
    """K windows of one form: (Q, D, K) their values weighed; (Q, K) log evidence that all are sound."""

    pull: Array
    true: Array


@dataclass(frozen=True, eq=False)
class Doubt:
    """(K,) log evidence that a run is wrong, and that it is sound; (K,) its mean error if it is wrong."""

    wrong: Array
    sound: Array
    size: Array


@dataclass(frozen=True, eq=False)
class Window:
    """The weights of windows of one form: their times, and which speeds and places are known.

    Attributes:
        precision: (Q, D, D) inverse covariance of the known speeds and places under each density.
        log_scale: (Q,) minus half the log determinant of the covariance.
        at: of speeds and of places, (W,) where that of each row stands among the D values; -1: not known.
        size: one sd of how large the error of a wrong speed (m/s) or place (m) is.
        jumps: (D, J) what a jump of the places at each row but the first does, in units of one sd of it.
        jump_pull, jump_inner: (Q, D, J), (Q, J) the precision times them, and their own precisions.
    """

    precision: Array
    log_scale: Array
    at: dict[What, Rows]
    size: dict[What, float]
    jumps: Array
    jump_pull: Array
    jump_inner: Array

    def weigh(self, values: Array) -> Weighed:
        """The values weighed, and the log evidence that all of them are sound.

        Args:
            values: (D, K) speeds, then places, of K windows.
        """
        pull = self.precision @ values
        return Weighed(pull, self.log_scale[:, None] - 0.5 * np.einsum("dk,qdk->qk", values, pull))

    def doubt(self, given: Weighed, what: What, rows: Rows) -> Doubt:
        """Whether the speeds (or the places) of these rows are wrong, whatever the others of them are.

        Wrong by one step for the whole run, or each by an error of its own. Either way the places may jump
        once and stay there: that is no outlier.
        """
        free = self._errors("place" if what == "speed" else "speed", rows)[-1:]
        none = np.zeros((self.precision.shape[1], 0))
        sound = [given.true + self._gain(given, beside)[0] for beside in [none, *free]]
        if free and np.all(sound[1].max(axis=0) < sound[0].max(axis=0) - _SURELY):
            free = []  # the others are all right: nothing is gained by doubting them as well
        wrong, sizes = [], []
        for error in self._errors(what, rows):
            for beside in [none, *free]:
                gain, size = self._gain(given, np.hstack([error, beside]))
                wrong.append(given.true + gain)
                sizes.append(size[:, : error.shape[1]].mean(axis=1))
        evidence = np.concatenate(wrong)
        best = evidence.argmax(axis=0), np.arange(evidence.shape[1])
        return Doubt(evidence[best], np.concatenate(sound).max(axis=0), np.concatenate(sizes)[best])

    def _errors(self, what: What, rows: Rows) -> list[Array]:
        """(D, R) how errors of these rows show in the values, in units of one sd of them."""
        at = self.at[what][rows]
        at = at[at >= 0]
        if not len(at):
            return []
        each = np.zeros((self.precision.shape[1], len(at)))
        each[at, np.arange(len(at))] = self.size[what]
        return [each] if len(at) == 1 else [each.sum(axis=1, keepdims=True), each]

    def _gain(self, given: Weighed, errors: Array) -> tuple[Array, Array]:
        """(Q, K) log evidence gained by these errors; (Q, R, K) the errors themselves.

        With the places' one jump that suits best, or none.
        """
        inner = np.eye(errors.shape[1]) + errors.T @ self.precision @ errors
        pull = errors.T @ given.pull
        own = np.asarray(np.linalg.solve(inner, pull) if errors.shape[1] else pull, dtype=float)
        gain = 0.5 * np.einsum("qrk,qrk->qk", pull, own) - 0.5 * np.linalg.slogdet(inner)[1][:, None]
        if self.jumps.shape[1]:
            gain = gain + np.maximum(self._jump_gain(given, errors, inner, own), 0.0)
        return gain, own * errors.max(axis=0, initial=0.0)[:, None]

    def _jump_gain(self, given: Weighed, errors: Array, inner: Array, own: Array) -> Array:
        """(Q, K) gained by the best jump beside the errors (block inverse of errors and jump)."""
        cross = errors.T @ self.jump_pull
        rest = self.jumps.T @ given.pull - np.swapaxes(cross, 1, 2) @ own
        spread = self.jump_inner
        if errors.shape[1]:
            spread = spread - np.einsum("qrj,qrj->qj", cross, np.linalg.solve(inner, cross))
        spread = 1.0 + np.maximum(spread, 0.0)[:, :, None]
        every = 0.5 * rest**2 / spread - 0.5 * np.log(spread) - np.log(self.jumps.shape[1])
        return np.asarray(every.max(axis=1))


def window(
    time_s: Array, known: dict[What, Flags], noise: Noise, settings: FaultSettings, *, jumps: bool
) -> Window:
    """The weights for windows with rows at these times.

    Args:
        time_s: (W,) any origin.
        known: of speeds and of places, (W,) rows at which there is one.
        jumps: the places may jump once and stay there.
    """
    speed, place = known["speed"], known["place"]
    covariance = _covariance(time_s - time_s[0], speed, place, noise, settings)
    precision, first = np.asarray(np.linalg.inv(covariance), dtype=float), int(speed.sum())
    each = np.zeros((len(covariance[0]), max(int(place.sum()) - 1, 0) if jumps else 0))
    each[first:] = settings.outlier_size_m * np.tri(int(place.sum()), each.shape[1], -1)
    jump_pull = precision @ each
    return Window(
        precision=precision,
        log_scale=-0.5 * np.linalg.slogdet(covariance)[1],
        at={
            "speed": np.where(speed, np.cumsum(speed) - 1, -1),
            "place": np.where(place, speed.sum() + np.cumsum(place) - 1, -1),
        },
        size={"speed": settings.outlier_size_mps, "place": settings.outlier_size_m},
        jumps=each,
        jump_pull=jump_pull,
        jump_inner=np.einsum("dj,qdj->qj", each, jump_pull),
    )


def _covariance(time: Array, speed: Flags, place: Flags, noise: Noise, settings: FaultSettings) -> Array:
    """(Q, D, D) of the known speeds, then of the known places."""
    at = np.concatenate([time[speed], time[place]])
    is_place = np.arange(len(at)) >= speed.sum()
    # how each value follows from the window's start: place, speed, acceleration, and the speed's own error
    start = np.stack([
        np.where(is_place, _WIDE, 0.0),
        np.where(is_place, at, 1.0) * _WIDE,
        np.where(is_place, 0.5 * at**2, at) * settings.outlier_accel_mps2,
        np.where(is_place, 0.0, settings.outlier_bias_mps),
    ])  # fmt: skip
    white = np.concatenate([noise.speed_mps[speed], noise.place_m[place]]) ** 2
    wandered = np.concatenate([[0.0], np.cumsum(noise.wander_m2_s[1:] * np.diff(time))])
    walk = np.concatenate([np.zeros(speed.sum()), wandered[place]])
    fixed = start.T @ start + np.diag(white) + np.minimum(walk[:, None], walk[None, :])
    shared = np.minimum(at[:, None], at[None, :])
    driven = np.zeros_like(shared)
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        moment = 0.5 * shared * (1.0 + node)
        left = _response(at[:, None] - moment, is_place[:, None])
        driven += 0.5 * shared * weight * left * _response(at[None, :] - moment, is_place[None, :])
    densities = np.asarray(settings.outlier_jerk_m2_s5)
    return np.asarray(fixed + densities[:, None, None] * driven)


def _response(since_s: Array, is_place: Flags) -> Array:
    """Speed or distance, so long after a unit step of the acceleration."""
    return np.where(is_place, 0.5 * since_s**2, since_s)
