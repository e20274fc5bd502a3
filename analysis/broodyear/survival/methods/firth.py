"""Firth's penalised likelihood: finite estimates where ordinary ones run to infinity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, binomial_log_likelihood, expit
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.binomial import Answer, summarise

ITERATIONS = 500
STEP_TOLERANCE = 1e-10
LONGEST_STEP = 3.0  # logits in any row; keeps early steps from overshooting
HALF_CRITICAL = 1.9207294103470636  # half the 95 % point of chi-squared on 1 degree of freedom
BINOMIAL_ONLY = (
    "Penalised (Firth) estimates with profile-likelihood intervals: they allow for binomial variation"
    " only, so the intervals are too narrow where eggs of a tank share a fate."
)
UNSETTLED = "Firth's penalised fit did not settle: put covariates in other units, or merge levels."


def fit_firth(design: Design) -> Answer:
    """Bias-reduced logistic regression (Firth 1993, doi 10.1093/biomet/80.1.27).

    Limits and tests by profiling the penalised likelihood (Heinze & Schemper 2002, doi 10.1002/sim.1047).
    It assumes binomial variation: where eggs of a tank share a fate its intervals are too narrow.
    """
    from scipy.special import chdtrc

    counts = design.matrix, design.rows.survived, design.rows.trials
    likelihood, terms = _Penalised(*counts), range(design.matrix.shape[1])
    try:
        with np.errstate(all="ignore"):
            best = likelihood.highest(np.zeros(len(terms)))
            covariance = np.asarray(np.linalg.inv(likelihood.information(best)), dtype=float)
            profiles = [_Profile(likelihood, best, covariance[term], term) for term in terms]
            p_values = [float(chdtrc(1.0, max(2.0 * profile.fall(0.0), 0.0))) for profile in profiles]
            limits = [np.array([profile.limit(side) for profile in profiles]) for side in (-1.0, 1.0)]
    except np.linalg.LinAlgError as error:
        raise Refused(UNSETTLED) from error
    plain = summarise(*counts, best)
    return Answer(
        best, covariance, plain.dispersion, plain.log_likelihood, notes=(BINOMIAL_ONLY,),
        intervals=(limits[0], limits[1], np.array(p_values)),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Penalised:
    """Log-likelihood + ½ log |information|, binomial coefficients included."""

    matrix: FloatArray
    survived: FloatArray
    trials: FloatArray

    def information(self, values: FloatArray) -> FloatArray:
        share = expit(self.matrix @ values)
        weighted = (self.trials * share * (1.0 - share))[:, None] * self.matrix
        return np.asarray(self.matrix.T @ weighted, dtype=float)

    def at(self, values: FloatArray) -> float:
        sign, log_determinant = np.linalg.slogdet(self.information(values))
        plain = binomial_log_likelihood(self.survived, self.trials, self.matrix @ values)
        return plain + 0.5 * float(log_determinant) if sign > 0 else -np.inf

    def highest(self, values: FloatArray, fixed: int | None = None) -> FloatArray:
        """Scoring steps on the modified score, one coefficient held when `fixed` names its place.

        Each step is halved until the penalised likelihood does not fall beyond rounding.
        """
        free = np.array([place for place in range(len(values)) if place != fixed], dtype=int)
        if not len(free):
            return values
        for _ in range(ITERATIONS):
            share, information = expit(self.matrix @ values), self.information(values)
            spread = np.einsum("ij,jk,ik->i", self.matrix, np.linalg.inv(information), self.matrix)
            leverage = self.trials * share * (1.0 - share) * spread
            score = self.matrix.T @ (self.survived - self.trials * share + leverage * (0.5 - share))
            step = np.zeros(len(values))
            step[free] = np.linalg.solve(information[np.ix_(free, free)], score[free])
            longest = float(np.abs(self.matrix @ step).max())
            step *= min(1.0, LONGEST_STEP / max(longest, 1e-300))
            here = self.at(values)
            lengths = (step * 0.5**halvings for halvings in range(20))
            moved = (values + one for one in lengths if self.at(values + one) >= here - 1e-9 * (1.0 + abs(here)))
            values = next(moved, values)
            if longest < STEP_TOLERANCE:
                return values
        raise Refused(UNSETTLED)


@dataclass(frozen=True, eq=False)
class _Profile:
    """One coefficient (its place: term; covariances: of it with all), the others at their best beside it."""

    likelihood: _Penalised
    best: FloatArray
    covariances: FloatArray
    term: int

    def fall(self, value: float) -> float:
        """By how much the penalised likelihood falls from its top with the coefficient held at a value."""
        near = self.best + self.covariances / self.covariances[self.term] * (value - self.best[self.term])
        near[self.term] = value
        return self.likelihood.at(self.best) - self.likelihood.at(self.likelihood.highest(near, self.term))

    def limit(self, side: float) -> float:
        """Where the fall reaches half the critical value on one side of the estimate."""
        from scipy.optimize import brentq

        def beyond(value: float) -> float:
            return self.fall(value) - HALF_CRITICAL

        reach = side * float(np.sqrt(self.covariances[self.term]))
        for errors in range(2, 62, 2):
            outer = self.best[self.term] + errors * reach
            if beyond(outer) > 0:
                return float(brentq(beyond, self.best[self.term], outer, xtol=1e-7))
        return float(np.copysign(np.inf, reach))
