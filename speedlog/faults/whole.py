"""A slow log as one Gaussian process: what its speeds and places weigh as evidence of how the car was driven.

As in `likelihood`, but over the whole of a log of few epochs, and with a density of the jerk of its own in
each interval: a lift or the brakes come within one interval, and the drive is smooth before and after. A
window of a slow log would hold two corners of the drive, and call all of it rough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)  # exact for polynomials of degree 5; 4 is needed
_WIDE = 1e3  # m and m/s: the start of a log is unknown


@dataclass(frozen=True)
class Guess:
    """What is not known of a logger and of the drive between its corners.

    Attributes:
        speed_mps, place_m: white noise, one sd.
        wander_m2_s: slow wander of places, a random walk.
        jerk_m2_s5: density of the jerk where nothing happens.
        lag_s: the speed is that of so long ago.
    """

    speed_mps: float
    place_m: float
    wander_m2_s: float
    jerk_m2_s5: float
    lag_s: float


class Weights:
    """(D,) values weighed under one covariance: their log evidence, and what errors in them would gain."""

    def __init__(self, inverse: Array, values: Array, evidence: float) -> None:
        self.inverse, self.pull, self.evidence = inverse, inverse @ values, evidence

    def gain(self, errors: Array) -> tuple[Array, Array]:
        """Log evidence gained by errors, and how large they are.

        Args:
            errors: (M, D, R) of M runs, each column in units of one sd of an error.

        Returns:
            (M,) gains; (M, R) sizes in the columns' unit.
        """
        inner = np.eye(errors.shape[2]) + np.swapaxes(errors, 1, 2) @ (self.inverse @ errors)
        own = np.swapaxes(errors, 1, 2) @ self.pull
        size = np.linalg.solve(inner, own[..., None])[..., 0]
        gain = 0.5 * np.einsum("mr,mr->m", own, size) - 0.5 * np.linalg.slogdet(inner)[1]
        return np.asarray(gain, dtype=float), np.asarray(size, dtype=float)

    def with_errors(self, errors: Array, values: Array) -> Weights:
        """The weights where (D, R) errors are known to be there (Woodbury)."""
        if not errors.shape[1]:
            return self
        across = self.inverse @ errors
        inner = np.eye(errors.shape[1]) + errors.T @ across
        gain = float(self.gain(errors[None])[0][0])
        return Weights(self.inverse - across @ np.linalg.solve(inner, across.T), values, self.evidence + gain)


class Whole:
    """The known speeds and places of a log, (D,) in all, and how its car and its noise may move them."""

    def __init__(self, time_s: Array, speed_mps: Array, place_m: Array, settings: FaultSettings) -> None:
        self.settings = settings
        self.speed_row = np.flatnonzero(np.isfinite(speed_mps))
        self.place_row = np.flatnonzero(np.isfinite(place_m))
        places = place_m[self.place_row]
        self.values = np.concatenate(
            [speed_mps[self.speed_row], places - (places[0] if len(places) else 0.0)]
        )
        self.time_s = time_s - time_s[0]
        self.is_place = np.arange(len(self.values)) >= len(self.speed_row)
        self._driven: dict[float, tuple[Array, Array, Array]] = {}
        since = np.concatenate([np.zeros(len(self.speed_row)), self.time_s[self.place_row]])
        self._walk = np.minimum(since[:, None], since[None, :])
        self._made: dict[tuple[Guess, frozenset[tuple[int, float]]], Weights] = {}

    @property
    def intervals(self) -> int:
        return len(self.time_s) - 1

    def weights(self, guess: Guess, rough: dict[int, float]) -> Weights:
        """The weights with some intervals rougher than the rest.

        Args:
            rough: interval -> density of the jerk, m²/s⁵.
        """
        key = guess, frozenset(rough.items())
        if key not in self._made:
            start, driven, evenly = self._motion(guess.lag_s)
            covariance = start + guess.jerk_m2_s5 * evenly + guess.wander_m2_s * self._walk
            for interval, value in rough.items():
                covariance += (value - guess.jerk_m2_s5) * driven[interval]
            white = np.where(self.is_place, guess.place_m, guess.speed_mps) ** 2
            covariance[np.diag_indices_from(covariance)] += white
            factor = np.linalg.cholesky(covariance)
            half = dtrtri(factor, lower=1)[0]
            whitened = half @ self.values
            evidence = -0.5 * float(whitened @ whitened) - float(np.log(np.diag(factor)).sum())
            self._made[key] = Weights(half.T @ half, self.values, evidence)
        return self._made[key]

    def driven(self, lag_s: float) -> Array:
        """(J, D, D) covariance by each interval's jerk of density 1."""
        return self._motion(lag_s)[1]

    def _motion(self, lag_s: float) -> tuple[Array, Array, Array]:
        """(D, D) of the unknown start; (J, D, D) of each interval's jerk of density 1; (D, D) of them all."""
        if lag_s not in self._driven:
            at = np.concatenate([self.time_s[self.speed_row] - lag_s, self.time_s[self.place_row]]) + lag_s
            start = np.stack([
                np.where(self.is_place, _WIDE, 0.0),
                np.where(self.is_place, at, 1.0) * _WIDE,
                np.where(self.is_place, 0.5 * at**2, at) * self.settings.outlier_accel_mps2,
                np.where(self.is_place, 0.0, self.settings.outlier_bias_mps),
            ])  # fmt: skip
            edges = self.time_s + lag_s
            begin, end = np.concatenate([[0.0], edges[1:-1]]), edges[1:]
            driven = np.stack([self._of_interval(at, *pair) for pair in zip(begin, end, strict=True)])
            self._driven[lag_s] = start.T @ start, driven, driven.sum(axis=0)
        return self._driven[lag_s]

    def _of_interval(self, at: Array, begin: float, end: float) -> Array:
        """(D, D) covariance by jerk of density 1 from `begin` to `end`, of values at these times."""
        found = np.zeros((len(at), len(at)))
        later = np.flatnonzero(at > begin)
        time, place = at[later], self.is_place[later]
        length = np.minimum(np.minimum(time[:, None], time[None, :]), end) - begin
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            since = time[:, None] - begin - 0.5 * length * (1.0 + node)
            one = self._response(since, place[:, None])
            # the lengths are alike from both sides
            found[np.ix_(later, later)] += 0.5 * weight * length * one * one.T
        return found

    @staticmethod
    def _response(since_s: Array, is_place: NDArray[np.bool_]) -> Array:
        """Speed or distance, so long after a unit step of the acceleration."""
        return np.where(is_place, 0.5 * since_s**2, since_s)
