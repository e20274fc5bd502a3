"""Firth's penalised likelihood: finite estimates where ordinary ones run to infinity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, IntArray, binomial_log_likelihood, expit

ITERATIONS = 500
STEP_TOLERANCE = 1e-10
LONGEST_STEP = 3.0  # logits in any row; keeps early steps from overshooting
HALF_CRITICAL = 1.9207294103470636  # half the 95 % point of chi-squared on 1 degree of freedom


@dataclass(frozen=True, eq=False)
class Firth:
    """A penalised fit.

    coefficients, covariance: the covariance is the inverse expected information at the penalised estimate.
    ci_low, ci_high: 95 % profile penalised-likelihood limits. p_values: penalised likelihood-ratio tests.
    penalised: log-likelihood + ½ log|information| at the maximum, binomial coefficients included.
    """

    coefficients: FloatArray
    covariance: FloatArray
    ci_low: FloatArray
    ci_high: FloatArray
    p_values: FloatArray
    log_likelihood: float
    penalised: float


def fit_firth(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> Firth:
    """Bias-reduced logistic regression (Firth 1993, doi 10.1093/biomet/80.1.27).

    Limits and tests by profiling the penalised likelihood (Heinze & Schemper 2002, doi 10.1002/sim.1047).
    It assumes binomial variation: where eggs of a tank share a fate its intervals are too narrow.
    """
    try:
        with np.errstate(all="ignore"):
            return _fit(matrix, survived, trials)
    except np.linalg.LinAlgError as error:
        raise _unsettled() from error


def _fit(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> Firth:
    from scipy.special import chdtrc

    terms = matrix.shape[1]
    best = _maximise(matrix, survived, trials, np.zeros(terms), None)
    top = _penalised(matrix, survived, trials, best)
    covariance = np.asarray(np.linalg.inv(_information(matrix, trials, best)), dtype=float)
    low, high, p_values = np.empty(terms), np.empty(terms), np.empty(terms)
    for term in range(terms):
        low[term] = _limit(matrix, survived, trials, best, top, term, covariance, -1.0)
        high[term] = _limit(matrix, survived, trials, best, top, term, covariance, 1.0)
        without = _maximise(matrix, survived, trials, _along(best, covariance, term, 0.0), term)
        drop = max(2.0 * (top - _penalised(matrix, survived, trials, without)), 0.0)
        p_values[term] = float(chdtrc(1.0, drop))
    return Firth(
        coefficients=best,
        covariance=covariance,
        ci_low=low,
        ci_high=high,
        p_values=p_values,
        log_likelihood=binomial_log_likelihood(survived, trials, matrix @ best),
        penalised=top,
    )


def _information(matrix: FloatArray, trials: FloatArray, coefficients: FloatArray) -> FloatArray:
    share = expit(matrix @ coefficients)
    return np.asarray(matrix.T @ ((trials * share * (1.0 - share))[:, None] * matrix), dtype=float)


def _penalised(matrix: FloatArray, survived: FloatArray, trials: FloatArray, coefficients: FloatArray) -> float:
    sign, log_determinant = np.linalg.slogdet(_information(matrix, trials, coefficients))
    if sign <= 0:
        return -np.inf
    return binomial_log_likelihood(survived, trials, matrix @ coefficients) + 0.5 * float(log_determinant)


def _maximise(
    matrix: FloatArray, survived: FloatArray, trials: FloatArray, start: FloatArray, fixed: int | None
) -> FloatArray:
    """Scoring steps on the modified score, one coefficient held when `fixed` names its place."""
    free = np.array([place for place in range(matrix.shape[1]) if place != fixed], dtype=int)
    values = start.copy()
    if not len(free):
        return values
    for _ in range(ITERATIONS):
        share = expit(matrix @ values)
        weight = trials * share * (1.0 - share)
        inverse = np.linalg.inv(matrix.T @ (weight[:, None] * matrix))
        leverage = weight * np.einsum("ij,jk,ik->i", matrix, inverse, matrix)
        score = matrix.T @ (survived - trials * share + leverage * (0.5 - share))
        step = np.linalg.solve(_information(matrix, trials, values)[np.ix_(free, free)], score[free])
        longest = float(np.abs(matrix[:, free] @ step).max())
        step *= min(1.0, LONGEST_STEP / max(longest, 1e-300))
        values = _climb(matrix, survived, trials, values, free, step)
        if longest < STEP_TOLERANCE:
            return values
    raise _unsettled()


def _unsettled() -> Refused:
    return Refused("Firth's penalised fit did not settle: put covariates in other units, or merge levels.")


def _climb(
    matrix: FloatArray,
    survived: FloatArray,
    trials: FloatArray,
    values: FloatArray,
    free: IntArray,
    step: FloatArray,
) -> FloatArray:
    """Move along a step, halved until the penalised likelihood does not fall beyond rounding."""
    here = _penalised(matrix, survived, trials, values)
    for _ in range(20):
        moved = values.copy()
        moved[free] += step
        if _penalised(matrix, survived, trials, moved) >= here - 1e-9 * (1.0 + abs(here)):
            return moved
        step *= 0.5
    return values


def _along(best: FloatArray, covariance: FloatArray, term: int, value: float) -> FloatArray:
    """Coefficients with one held at a value and the others moved as the curvature says, a near start."""
    moved = best + covariance[:, term] / covariance[term, term] * (value - best[term])
    moved[term] = value
    return np.asarray(moved, dtype=float)


def _limit(
    matrix: FloatArray,
    survived: FloatArray,
    trials: FloatArray,
    best: FloatArray,
    top: float,
    term: int,
    covariance: FloatArray,
    side: float,
) -> float:
    """Where the profile falls by half the critical value on one side of the estimate."""
    from scipy.optimize import brentq

    def fall(value: float) -> float:
        held = _maximise(matrix, survived, trials, _along(best, covariance, term, value), term)
        return top - _penalised(matrix, survived, trials, held) - HALF_CRITICAL

    reach = side * float(np.sqrt(covariance[term, term]))
    outer = best[term] + 2.0 * reach
    for _ in range(30):
        if fall(outer) > 0:
            return float(brentq(fall, best[term], outer, xtol=1e-7))
        outer += 2.0 * reach
    return float(np.copysign(np.inf, reach))
