"""Weighted least squares whose standard errors hold where the rows of a cluster are off together.

The covariance is the sandwich of Liang and Zeger (1986) with the correction G/(G-1) · (N-1)/(N-K), called CR1
by Cameron and Miller, "A Practitioner's Guide to Cluster-Robust Inference", Journal of Human Resources 50
(2015), section II; their section VI sets it against t with G-1 degrees of freedom. statsmodels'
`WLS(...).fit(cov_type="cluster", use_t=True)` is the same and stands in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Fit:
    """What a fit found.

    Attributes:
        beta: (K,) coefficients.
        robust_se: (K,) standard errors, clustered. stated_se: (K,) those that the rows' own uncertainties give.
        chi2: weighted sum of the squares left.
        clusters: G.
    """

    beta: Array
    robust_se: Array
    stated_se: Array
    chi2: float
    clusters: int


def cluster_fit(columns: Array, y: Array, u: Array, cluster: NDArray[np.int64]) -> Fit:
    """Fit y = columns · beta, each row weighted by 1/u².

    Args:
        columns: (N, K), of full rank. y: (N,) what to explain. u: (N,) standard uncertainties.
        cluster: (N,) which rows belong together; at least two clusters.
    """
    x, r = columns / u[:, None], y / u
    inverse = np.linalg.inv(x.T @ x)
    beta = inverse @ (x.T @ r)
    left = r - x @ beta
    names = np.unique(cluster)
    scores = np.array([x[cluster == name].T @ left[cluster == name] for name in names])
    count, rank, groups = len(y), columns.shape[1], len(names)
    factor = groups / (groups - 1) * (count - 1) / max(count - rank, 1)
    covariance = factor * inverse @ (scores.T @ scores) @ inverse
    return Fit(beta, np.sqrt(np.diag(covariance)), np.sqrt(np.diag(inverse)), float(left @ left), groups)
