"""Shrinking unit rates towards their common mean: James-Stein and beta-binomial empirical Bayes.

Efron B, Morris C (1975) Data analysis using Stein's estimator and its generalizations. Journal of the
American Statistical Association 70:311-319, doi:10.1080/01621459.1975.10479864; Kleinman JC (1973)
Proportions with extraneous variance. Journal of the American Statistical Association 68:46-54,
doi:10.1080/01621459.1973.10481332.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from broodyear.errors import Refused

Floats = NDArray[np.float64]

#: Stopping rule of the search for the beta prior, far below the precision that is reported.
_SEARCH = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000, "maxfev": 4000}


@dataclass(frozen=True)
class JamesStein:
    """centre: the grand mean; keep: share of each deviation that is kept; estimates: one per unit."""

    centre: float
    keep: float
    estimates: Floats


@dataclass(frozen=True)
class BetaPrior:
    """A beta distribution of unit rates: mean a / (a + b), intra-class correlation 1 / (a + b + 1)."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        """Mean rate, 0 to 1."""
        return self.a / (self.a + self.b)

    @property
    def correlation(self) -> float:
        """Correlation between two eggs of one unit, 0 (binomial) to 1."""
        return 1.0 / (self.a + self.b + 1.0)


def james_stein(survivors: ArrayLike, eggs: float) -> JamesStein:
    """Positive-part-free James-Stein estimates for units with the same number of eggs, raw proportions."""
    rate = np.asarray(survivors, dtype=float) / eggs
    centre = float(rate.mean())
    spread = float(np.sum((rate - centre) ** 2))
    keep = 1.0 - (rate.size - 3) * centre * (1.0 - centre) / eggs / spread
    return JamesStein(centre, keep, centre + keep * (rate - centre))


def james_stein_arcsine(survivors: ArrayLike, eggs: float) -> JamesStein:
    """James-Stein estimates on Efron and Morris's scale sqrt(n) asin(2y - 1), transformed back to
    proportions.

    centre is on the transformed scale.
    """
    scale = np.sqrt(eggs)
    score = scale * np.arcsin(2.0 * np.asarray(survivors, dtype=float) / eggs - 1.0)
    centre = float(score.mean())
    keep = 1.0 - (score.size - 3) / float(np.sum((score - centre) ** 2))
    shrunken = centre + keep * (score - centre)
    return JamesStein(centre, keep, (1.0 + np.sin(shrunken / scale)) / 2.0)


def beta_prior_by_moments(survivors: ArrayLike, eggs: ArrayLike) -> BetaPrior:
    """Prior from the plain mean and variance of the unit rates; ignores their binomial noise."""
    rate = np.asarray(survivors, dtype=float) / np.asarray(eggs, dtype=float)
    mean, variance = float(rate.mean()), float(rate.var(ddof=1))
    if variance <= 0.0 or variance >= mean * (1.0 - mean):
        raise Refused("the unit rates do not vary, so a beta prior cannot be fitted to their moments")
    precision = mean * (1.0 - mean) / variance - 1.0
    return BetaPrior(mean * precision, (1.0 - mean) * precision)


def kleinman_moments(survivors: ArrayLike, eggs: ArrayLike) -> tuple[float, float]:
    """Size-weighted mean rate and intra-class correlation (Kleinman 1973), corrected for binomial noise."""
    number = np.asarray(eggs, dtype=float)
    rate, weight = np.asarray(survivors, dtype=float) / number, number / number.sum()
    mean = float(np.sum(weight * rate))
    spread = float(np.sum(weight * (rate - mean) ** 2))
    noise = mean * (1.0 - mean) * float(np.sum(weight * (1.0 - weight) / number))
    room = mean * (1.0 - mean) * float(np.sum(weight * (1.0 - weight) * (1.0 - 1.0 / number)))
    return mean, (spread - noise) / room


def beta_binomial_log_likelihood(survivors: ArrayLike, eggs: ArrayLike, prior: BetaPrior) -> float:
    """Log-likelihood of the counts, binomial coefficients included."""
    from scipy.special import betaln, gammaln

    count, number = np.asarray(survivors, dtype=float), np.asarray(eggs, dtype=float)
    coefficient = gammaln(number + 1) - gammaln(count + 1) - gammaln(number - count + 1)
    mixed = betaln(count + prior.a, number - count + prior.b) - betaln(prior.a, prior.b)
    return float(np.sum(coefficient + mixed))


def fit_beta_binomial(survivors: ArrayLike, eggs: ArrayLike) -> BetaPrior:
    """Prior by maximum likelihood of the marginal beta-binomial, one row per unit."""
    from scipy.optimize import minimize

    count, number = np.asarray(survivors, dtype=float), np.asarray(eggs, dtype=float)
    pooled = float(count.sum() / number.sum())
    if not 0.0 < pooled < 1.0:
        raise Refused("every unit has the same outcome (all alive or all dead), so no prior can be fitted")

    def loss(point: Floats) -> float:
        return -beta_binomial_log_likelihood(count, number, _prior_from(point))

    start: Floats = np.array([np.log(pooled / (1.0 - pooled)), np.log(20.0)])
    found: Any = minimize(loss, start, method="Nelder-Mead", options=_SEARCH)  # type: ignore[call-overload]
    return _prior_from(np.asarray(found.x))


def _prior_from(point: Floats) -> BetaPrior:
    """point: logit of the mean and log of a + b, held where the log-likelihood stays finite."""
    mean = 1.0 / (1.0 + np.exp(-np.clip(point[0], -30.0, 30.0)))
    precision = np.exp(np.clip(point[1], -10.0, 18.0))
    return BetaPrior(float(mean * precision), float((1.0 - mean) * precision))


def posterior_mean(survivors: ArrayLike, eggs: ArrayLike, prior: BetaPrior) -> Floats:
    """Shrunken rate of each unit, (r + a) / (n + a + b)."""
    number = np.asarray(eggs, dtype=float)
    return np.asarray((np.asarray(survivors) + prior.a) / (number + prior.a + prior.b), dtype=float)


def posterior_sd(survivors: ArrayLike, eggs: ArrayLike, prior: BetaPrior) -> Floats:
    """Standard deviation of each unit's rate given its count."""
    mean = posterior_mean(survivors, eggs, prior)
    return np.asarray(np.sqrt(mean * (1.0 - mean) / (np.asarray(eggs) + prior.a + prior.b + 1.0)), dtype=float)


def posterior_interval(
    survivors: ArrayLike, eggs: ArrayLike, prior: BetaPrior, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Central interval of each unit's rate; makes no allowance for having estimated the prior."""
    from scipy.stats import beta

    count, number = np.asarray(survivors, dtype=float), np.asarray(eggs, dtype=float)
    tail = (1.0 - level) / 2.0
    first, second = count + prior.a, number - count + prior.b
    return np.asarray(beta.ppf(tail, first, second)), np.asarray(beta.ppf(1.0 - tail, first, second))
