"""How much regions differ beyond chance: variance, share, and where another region would be expected.

Higgins JPT, Thompson SG, Spiegelhalter DJ (2009) A re-evaluation of random-effects meta-analysis. Journal of
the Royal Statistical Society A 172:137-159, doi:10.1111/j.1467-985X.2008.00552.x.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Heterogeneity:
    """tau: SD between regions (logit scale); i_squared_pct: share of the variation that is not chance
    (0-100); q, p_value: test that all regions are alike; new_error: SE of another region around the mean of
    these (logit).
    """

    regions: int
    tau: float
    i_squared_pct: float
    q: float
    p_value: float
    new_error: float


def heterogeneity(log_odds: Floats, covariance: Floats) -> Heterogeneity:
    """Restricted maximum likelihood from correlated estimates.

    log_odds: one per region, the first the reference (0); covariance: of these, with zero row and column for
    the reference. Shared batches correlate the estimates, so the whole covariance is used. Needs two regions
    or more.
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import chi2

    regions = len(log_odds)
    gaps, errors = log_odds[1:], covariance[1:, 1:]
    spread = (
        np.eye(regions - 1) + 1.0
    )  # covariance of differences from one reference, for regions of unit variance

    def minus_log_likelihood(tau: float) -> float:
        total = errors + tau**2 * spread
        return float(np.linalg.slogdet(total)[1] + gaps @ np.linalg.solve(total, gaps))

    found = minimize_scalar(minus_log_likelihood, bounds=(0.0, 3.0), method="bounded", options={"xatol": 1e-6})
    tau = float(found.x) if minus_log_likelihood(float(found.x)) < minus_log_likelihood(0.0) else 0.0
    q = float(gaps @ np.linalg.solve(errors, gaps))
    freedom = regions - 1
    centring = np.eye(regions) - 1.0 / regions
    mean_error = float(np.trace(centring @ covariance @ centring)) / max(freedom, 1) / regions
    return Heterogeneity(
        regions=regions,
        tau=tau,
        i_squared_pct=100.0 * max(0.0, (q - freedom) / q) if q > 0.0 else 0.0,
        q=q,
        p_value=float(chi2.sf(q, freedom)),
        new_error=float(np.sqrt(tau**2 * (1.0 + 1.0 / regions) + mean_error)),
    )
