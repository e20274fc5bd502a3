"""Firth's penalised likelihood: finite estimates where ordinary ones run to infinity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, IntArray, binomial_log_likelihood, expit
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.answer import Answer
from broodyear.survival.methods.binomial import summarise

ITERATIONS = 500
STEP_TOLERANCE = 1e-10
LONGEST_STEP = 3.0  # logits in any row; keeps early steps from overshooting
HALF_CRITICAL = 1.9207294103470636  # half the 95 % point of chi-squared on 1 degree of freedom
BINOMIAL_ONLY = (
    "Penalised (Firth) estimates with profile-likelihood intervals: they allow for binomial variation"
    " only, so the intervals are too narrow where eggs of a tank share a fate."
)


def fit_firth(design: Design) -> Answer:
    """Bias-reduced logistic regression (Firth 1993, doi 10.1093/biomet/80.1.27).

    Limits and tests by profiling the penalised likelihood (Heinze & Schemper 2002, doi 10.1002/sim.1047).
    It assumes binomial variation: where eggs of a tank share a fate its intervals are too narrow.
    """
    try:
        with np.errstate(all="ignore"):
            return _fit(_Penalised(design.matrix, design.rows.survived, design.rows.trials))
    except np.linalg.LinAlgError as error:
        raise _unsettled() from error


def _unsettled() -> Refused:
    return Refused("Firth's penalised fit did not settle: put covariates in other units, or merge levels.")


def _fit(likelihood: _Penalised) -> Answer:
    from scipy.special import chdtrc

    terms = likelihood.matrix.shape[1]
    best = likelihood.highest(np.zeros(terms), None)
    top = likelihood.at(best)
    covariance = np.asarray(np.linalg.inv(likelihood.information(best)), dtype=float)
    profiles = [_Profile(likelihood, best, top, covariance, term) for term in range(terms)]
    p_values = [float(chdtrc(1.0, max(2.0 * profile.fall(0.0), 0.0))) for profile in profiles]
    limits = [np.array([profile.limit(side) for profile in profiles]) for side in (-1.0, 1.0)]
    plain = summarise(likelihood.matrix, likelihood.survived, likelihood.trials, best)
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
        if sign <= 0:
            return -np.inf
        return binomial_log_likelihood(self.survived, self.trials, self.matrix @ values) + 0.5 * float(
            log_determinant
        )

    def highest(self, start: FloatArray, fixed: int | None) -> FloatArray:
        """Scoring steps on the modified score, one coefficient held when `fixed` names its place."""
        free = np.array([place for place in range(len(start)) if place != fixed], dtype=int)
        values = start.copy()
        if not len(free):
            return values
        for _ in range(ITERATIONS):
            share = expit(self.matrix @ values)
            information = self.information(values)
            spread = np.einsum("ij,jk,ik->i", self.matrix, np.linalg.inv(information), self.matrix)
            leverage = self.trials * share * (1.0 - share) * spread
            score = self.matrix.T @ (self.survived - self.trials * share + leverage * (0.5 - share))
            step = np.linalg.solve(information[np.ix_(free, free)], score[free])
            longest = float(np.abs(self.matrix[:, free] @ step).max())
            values = self._climb(values, free, step * min(1.0, LONGEST_STEP / max(longest, 1e-300)))
            if longest < STEP_TOLERANCE:
                return values
        raise _unsettled()

    def _climb(self, values: FloatArray, free: IntArray, step: FloatArray) -> FloatArray:
        """Move along a step, halved until the penalised likelihood does not fall beyond rounding."""
        here = self.at(values)
        for _ in range(20):
            moved = values.copy()
            moved[free] += step
            if self.at(moved) >= here - 1e-9 * (1.0 + abs(here)):
                return moved
            step = 0.5 * step
        return values


@dataclass(frozen=True, eq=False)
class _Profile:
    """One coefficient (its place: term), the others at their best beside it."""

    likelihood: _Penalised
    best: FloatArray
    top: float
    covariance: FloatArray
    term: int

    def fall(self, value: float) -> float:
        """By how much the penalised likelihood falls from its top with the coefficient held at a value."""
        near = self.best + self.covariance[:, self.term] / self.covariance[self.term, self.term] * (
            value - self.best[self.term]
        )
        near[self.term] = value
        return self.top - self.likelihood.at(self.likelihood.highest(near, self.term))

    def limit(self, side: float) -> float:
        """Where the fall reaches half the critical value on one side of the estimate."""
        from scipy.optimize import brentq

        def beyond(value: float) -> float:
            return self.fall(value) - HALF_CRITICAL

        reach = side * float(np.sqrt(self.covariance[self.term, self.term]))
        outer = self.best[self.term] + 2.0 * reach
        for _ in range(30):
            if beyond(outer) > 0:
                return float(brentq(beyond, self.best[self.term], outer, xtol=1e-7))
            outer += 2.0 * reach
        return float(np.copysign(np.inf, reach))
