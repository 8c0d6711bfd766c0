"""Gaussian unknowns at a chain of knots, each tied to the next: solved at once as a banded system.

The smoother of Rauch, Tung and Striebel (AIAA Journal 3, 1965, 1445-1450) in its other form: the
posterior mean of a linear state model solves A s = b with A block-tridiagonal, here by LAPACK's banded
Cholesky; the same factor gives the response to any number of further unknowns, the determinant for
the likelihood, and every covariance (Rue, Held, "Gaussian Markov Random Fields", 2005, ch. 2).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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

    def solve_wide(self, first: int, right: Array) -> Array:
        """(K, d, m) A⁻¹ times many columns that are nought but at the knots from `first` on.

        Knot by knot with whole blocks: LAPACK's banded solve takes one column after the other.

        Args:
            right: (k, d, m) of these knots.
        """
        inverse, gain = self._inverse_blocks, self.gain
        found = np.zeros((len(self.diagonal), *right.shape[1:]))
        np.matmul(inverse[first : first + len(right)].mT, right, out=found[first : first + len(right)])
        forward = (self._next_blocks[first:] @ inverse[first + 1 :]).mT
        for k, turned in enumerate(forward, start=first + 1):
            found[k] -= turned @ found[k - 1]
        found[first:] = inverse[first:] @ found[first:]
        for k in range(len(found) - 2, -1, -1):
            found[k] -= gain[k] @ found[k + 1]
        return found

    def variances(self) -> Array:
        """(K, d, d) covariance of each knot: diagonal blocks of the inverse.

        Backward from the last knot, S_k = (U_k' U_k)⁻¹ + G_k S_{k+1} G_k' with G_k = U_k⁻¹ U_{k,k+1} of
        the Cholesky factor's blocks (Takahashi's equations for a chain).
        """
        gain, turned = self.gain, self.gain.mT
        found = self._inverse_blocks @ self._inverse_blocks.mT
        for k in range(len(found) - 2, -1, -1):
            found[k] += gain[k] @ found[k + 1] @ turned[k]
        return np.asarray(found)

    @cached_property
    def _next_blocks(self) -> Array:
        """(K-1, d, d) blocks U_{k,k+1} of the factor."""
        d, columns = self.diagonal.shape[1], self._columns[1:]
        out = np.empty_like(self.beside)
        for j in range(d):
            out[:, :, j] = columns[:, j, d - 1 - j : 2 * d - 1 - j]
        return out

    @property
    def _columns(self) -> Array:
        """(K, d, 2d) the factor's columns, as `factored` lays them out."""
        return self.factor.T.reshape(*self.diagonal.shape[:2], -1)

    @cached_property
    def _inverse_blocks(self) -> Array:
        """(K, d, d) inverses of the triangular blocks U_{k,k} of the factor, all knots at once, column by column."""
        d, columns = self.diagonal.shape[1], self._columns
        out = np.zeros_like(self.diagonal)
        for j in range(d):
            own = columns[:, j, 2 * d - 1 - j :]
            out[:, j, j] = 1 / own[:, j]
            above = out[:, :j, :j] @ own[:, :j, None]
            out[:, :j, j] = -above[..., 0] * out[:, j, j, None]
        return out

    @cached_property
    def gain(self) -> Array:
        """(K-1, d, d) U_k⁻¹ U_{k,k+1}: a knot follows the next one by minus this."""
        return np.asarray(self._inverse_blocks[:-1] @ self._next_blocks)


def factored(diagonal: Array, beside: Array) -> Chain:
    """The chain with its Cholesky factor.

    Raises:
        numpy.linalg.LinAlgError: not positive definite.
    """
    count, d = diagonal.shape[:2]
    # LAPACK: entry (i, j) stands in row 2d - 1 + i - j of column j; column after column in memory
    columns = np.zeros((count, d, 2 * d))
    for j in range(d):
        columns[1:, j, d - 1 - j : 2 * d - 1 - j] = beside[:, :, j]
        columns[:, j, 2 * d - 1 - j :] = diagonal[:, : j + 1, j]
    upper = columns.reshape(count * d, 2 * d).T
    return Chain(diagonal, beside, cholesky_banded(upper, overwrite_ab=True, lower=False, check_finite=False))
