"""Gaussian unknowns at a chain of knots, each tied to the next: solved at once as a banded system.

The smoother of Rauch, Tung and Striebel (AIAA Journal 3, 1965, 1445-1450) in its other form: the
posterior mean of a linear state model solves A s = b with A block-tridiagonal, here by LAPACK's banded
Cholesky; the same factor gives the response to any number of further unknowns, the determinant for
the likelihood, and every covariance (Rue, Held, "Gaussian Markov Random Fields", 2005, ch. 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chain:
    """A block-tridiagonal precision over K knots of d unknowns, factored.

    Attributes:
        diagonal: (K, d, d); beside: (K-1, d, d), the block of knot k (rows) and k + 1 (columns).
        factor: (2d, K d) upper banded Cholesky factor.
    """

    diagonal: Array
    beside: Array
    factor: Array

    @property
    def log_determinant(self) -> float:
        return 2.0 * float(np.log(self.factor[-1]).sum())

    def solve(self, right: Array) -> Array:
        """A⁻¹ times (K d,) or (K d, m)."""
        found: Array = cho_solve_banded((self.factor, False), right, check_finite=False)
        return found

    def variances(self) -> Array:
        """(K, d, d) covariance of each knot: diagonal blocks of the inverse, by block elimination.

        Forward, T_{k+1} = D_{k+1} - U' T_k⁻¹ U; backward, S_k = T_k⁻¹ + G_k S_{k+1} G_k' with
        G_k = T_k⁻¹ U_k (Takahashi's equations for a chain).
        """
        count = len(self.diagonal)
        eliminated, gain = np.empty_like(self.diagonal), np.empty_like(self.beside)
        eliminated[0] = self.diagonal[0]
        for k in range(count - 1):
            gain[k] = np.linalg.solve(eliminated[k], self.beside[k])
            eliminated[k + 1] = self.diagonal[k + 1] - self.beside[k].T @ gain[k]
        found = np.linalg.inv(eliminated)
        for k in range(count - 2, -1, -1):
            found[k] += gain[k] @ found[k + 1] @ gain[k].T
        return np.asarray(found)


def factored(diagonal: Array, beside: Array) -> Chain:
    """The chain with its Cholesky factor.

    Raises:
        numpy.linalg.LinAlgError: not positive definite.
    """
    count, d = diagonal.shape[:2]
    upper = np.zeros((2 * d, count * d))  # LAPACK: entry (i, j) stands in row 2d - 1 + i - j, column j
    for i in range(d):
        for j in range(d):
            if j >= i:
                upper[2 * d - 1 + i - j, j::d] = diagonal[:, i, j]
            upper[d - 1 + i - j, d + j :: d] = beside[:, i, j]
    return Chain(diagonal, beside, cholesky_banded(upper, overwrite_ab=True, lower=False, check_finite=False))
