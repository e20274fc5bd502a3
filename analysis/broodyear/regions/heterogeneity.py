"""How much regions differ within batches beyond chance: variance, share, and where another region would be
expected.

Higgins JPT, Thompson SG, Spiegelhalter DJ (2009) A re-evaluation of random-effects meta-analysis. Journal of
the Royal Statistical Society A 172:137-159, doi:10.1111/j.1467-985X.2008.00552.x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from broodyear.statistics.numbers import FloatArray

HETEROGENEITY_COLUMNS = [
    "outcome", "regions", "tau_log_odds", "tau_points", "i_squared_pct", "q", "p_value", "prediction_low_pct",
    "prediction_high_pct", "within_method",
]  # fmt: skip
#: With fewer regions nothing is said about where another would lie.
FEWEST_REGIONS = 3


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


def heterogeneity(log_odds: FloatArray, covariance: FloatArray, degrees: float = np.inf) -> Heterogeneity:
    """Restricted maximum likelihood from correlated estimates.

    log_odds: one per region, the first the reference (0); covariance: of these, with zero row and column for
    the reference. Shared batches correlate the estimates, so the whole covariance is used. degrees: behind the
    covariance; the test is then F instead of chi-squared. Needs two regions or more.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import fdtrc

    regions = len(log_odds)
    gaps, errors = log_odds[1:], covariance[1:, 1:]
    spread = np.eye(regions - 1) + 1.0  # covariance of differences from one reference, for unit variances

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
        p_value=float(fdtrc(freedom, min(degrees, 1e9), q / max(freedom, 1))),
        new_error=float(np.sqrt(tau**2 * (1.0 + 1.0 / regions) + mean_error)),
    )


def heterogeneity_row(
    log_odds: FloatArray, covariance: FloatArray, degrees: float, mean_share: float
) -> dict[str, Any]:
    """HETEROGENEITY_COLUMNS but the outcome and the method; mean_share: survival at the regions' middle (0–1)."""
    from scipy.special import stdtrit

    found = heterogeneity(log_odds, covariance, degrees)
    centre = float(np.log(mean_share / (1.0 - mean_share)))
    freedom = found.regions - 2 if found.regions >= FEWEST_REGIONS else np.nan
    reach = float(stdtrit(freedom, 0.975)) * found.new_error
    low, high = (100.0 / (1.0 + np.exp(-(centre + side * reach))) for side in (-1.0, 1.0))
    named = {"tau_log_odds": found.tau, "tau_points": 100.0 * found.tau * mean_share * (1.0 - mean_share)}
    return {**vars(found), **named, "prediction_low_pct": low, "prediction_high_pct": high}
