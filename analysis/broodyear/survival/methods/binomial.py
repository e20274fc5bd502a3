"""Binomial and quasi-binomial regression, and beta-binomial, in which the eggs of one tank share a fate through a
common, beta-distributed chance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import digamma, gammaln

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, binomial_log_likelihood, expit, log_binomial_coefficients
from broodyear.survival.design import Design, Rows
from broodyear.survival.result import SurvivalFit

ITERATIONS = 500
STEP_TOLERANCE = 1e-10  # logits in any row
LONGEST_STEP = 3.0  # logits in any row; keeps early steps from overshooting
SMALLEST_LOG_ODDS = -13.0  # of the correlation; below it the digamma differences lose their digits
GRADIENT_TOLERANCE = 1e-6  # per standard error
DIFFERENCE = 1e-3  # of standard errors, for second derivatives
NO_DISPERSION = 1e-12  # rounding
NO_CORRELATION = "No more than binomial variation between rows: the correlation is estimated as zero."


def dispersion_of(rows: Rows, share: FloatArray, parameters: float) -> float:
    """Pearson's X² at these shares over rows less parameters; 1 for binomial variation, nan when saturated."""
    variance = np.maximum(rows.trials * share * (1.0 - share), 1e-300)
    spare = rows.used - parameters
    return float(np.sum((rows.survived - rows.trials * share) ** 2 / variance)) / spare if spare > 0 else np.nan


def binomial_at(design: Design, coefficients: FloatArray, variance: FloatArray) -> SurvivalFit:
    """These coefficients with the likelihood and the dispersion that the binomial model has there."""
    rows, log_odds = design.rows, design.matrix @ coefficients
    dispersion = dispersion_of(rows, expit(log_odds), len(coefficients))
    log_likelihood = binomial_log_likelihood(rows.survived, rows.trials, log_odds)
    return SurvivalFit(design, coefficients, variance, expit(log_odds), dispersion, log_likelihood)


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Of a binomial model; penalty: how many times ½ log |information| is added, 0.0 or 1.0."""

    design: Design
    penalty: float = 0.0

    def information(self, values: FloatArray) -> FloatArray:
        matrix, share = self.design.matrix, expit(self.design.matrix @ values)
        weight = self.design.rows.trials * share * (1.0 - share)
        return np.asarray(matrix.T @ (weight[:, None] * matrix), dtype=float)

    def at(self, values: FloatArray) -> float:
        """Its logarithm, binomial coefficients included."""
        rows = self.design.rows
        plain = binomial_log_likelihood(rows.survived, rows.trials, self.design.matrix @ values)
        if not self.penalty:
            return plain
        sign, log_determinant = np.linalg.slogdet(self.information(values))
        return plain + 0.5 * float(log_determinant) if sign > 0 else -np.inf

    def highest(self, values: FloatArray, fixed: int | None = None) -> FloatArray:
        """Scoring steps (McCullagh & Nelder 1989, ch. 4), one coefficient held if fixed is its place.

        Each is halved until the likelihood does not fall beyond rounding. Raises LinAlgError where none settles.
        """
        matrix, rows = self.design.matrix, self.design.rows
        free = np.array([place for place in range(len(values)) if place != fixed], dtype=int)
        if not len(free):
            return values
        for _ in range(ITERATIONS):
            share, information = expit(matrix @ values), self.information(values)
            off = rows.survived - rows.trials * share
            if self.penalty:
                spread = np.einsum("ij,jk,ik->i", matrix, np.linalg.inv(information), matrix)
                off += rows.trials * share * (1.0 - share) * spread * (0.5 - share)
            step = np.zeros(len(values))
            step[free] = np.linalg.solve(information[np.ix_(free, free)], matrix.T[free] @ off)
            longest = float(np.abs(matrix @ step).max())
            step *= min(1.0, LONGEST_STEP / max(longest, 1e-300))
            here = self.at(values)
            lengths = (step * 0.5**halvings for halvings in range(20))
            moved = (values + one for one in lengths if self.at(values + one) >= here - 1e-9 * (1.0 + abs(here)))
            values = next(moved, values)
            if longest < STEP_TOLERANCE:
                return values
        raise np.linalg.LinAlgError("no maximum within reach")


@lru_cache(maxsize=1)
def plain_fit(design: Design) -> SurvivalFit:
    """Maximum likelihood, kept for the next method that asks; right only when eggs do not share a fate."""
    likelihood = Likelihood(design)
    try:
        best = likelihood.highest(np.zeros(len(design.terms)))
        return binomial_at(design, best, np.asarray(np.linalg.inv(likelihood.information(best)), dtype=float))
    except np.linalg.LinAlgError as error:
        raise Refused(
            "The binomial fit did not settle: look for a level with very few tanks, or a covariate with an"
            " extreme value, and take it out."
        ) from error


def fit_quasi_binomial(design: Design) -> SurvivalFit:
    """Binomial estimates, errors widened by Pearson X² over its degrees of freedom, t intervals."""
    plain, spare = plain_fit(design), design.rows.used - len(design.terms)
    if plain.dispersion < NO_DISPERSION:
        raise Refused(
            "Every row has exactly the survival that the formula gives it, so errors by how rows vary would"
            " be zero: take terms out, or use method='beta_binomial', which falls back on binomial variation."
        )
    return replace(plain, joint_covariance=plain.variance * plain.dispersion, degrees_of_freedom=float(spare))


def fit_beta_binomial(design: Design) -> SurvivalFit:
    """Maximum likelihood (Williams 1975, doi 10.2307/2529820; Crowder 1978, doi 10.2307/2346223).

    The covariance comes from the observed information over the coefficients and the logit of the correlation rho
    = 1 / (1 + a + b), which is the dispersion. When no positive correlation raises the likelihood, the binomial
    fit is returned with correlation 0.
    """
    from scipy.optimize import minimize

    binomial, size = plain_fit(design), len(design.terms)
    origin, scale = np.append(binomial.coefficients, 0.0), np.eye(size + 1)
    scale[:size, :size] = np.linalg.cholesky(binomial.variance)

    def objective(scaled: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = _log_likelihood(origin + scale @ scaled, design)
        return -value, -(scale.T @ gradient)

    starts = [np.append(np.zeros(size), start) for start in (-4.0, -1.5)]
    best = minimize(
        objective,
        min(starts, key=lambda start: objective(start)[0]),
        jac=True,
        method="L-BFGS-B",
        bounds=[(None, None)] * size + [(SMALLEST_LOG_ODDS, 8.0)],
        options={"maxiter": 500, "gtol": GRADIENT_TOLERANCE, "ftol": 0.0},
    )
    constant = log_binomial_coefficients(design.rows.survived, design.rows.trials)
    if constant - best.fun <= binomial.log_likelihood + 1e-6 or best.x[-1] <= SMALLEST_LOG_ODDS + 0.5:
        return replace(binomial, dispersion=0.0, notes=(NO_CORRELATION,))
    moves = DIFFERENCE * np.eye(size + 1)
    changes = np.array([objective(best.x + move)[1] - objective(best.x - move)[1] for move in moves])
    information = (changes + changes.T) / (4.0 * DIFFERENCE)
    if not np.all(np.isfinite(information)) or np.linalg.eigvalsh(information)[0] <= 0:
        raise Refused(
            "The beta-binomial fit did not reach a maximum: a level with very few tanks, or all-or-nothing"
            " tanks, leaves its correlation open. Merge levels, or use method='mixed'."
        )
    inverse = np.linalg.inv(information)
    values = origin + scale @ (best.x - inverse @ objective(best.x)[1])  # the last step, to rounding
    log_likelihood, fitted = constant + _log_likelihood(values, design)[0], expit(design.matrix @ values[:-1])
    covariance, rho = (scale @ inverse @ scale.T)[:-1, :-1], float(expit(values[-1:])[0])
    return SurvivalFit(design, values[:-1], covariance, fitted, rho, log_likelihood)


def _log_likelihood(values: FloatArray, design: Design) -> tuple[float, FloatArray]:
    """Log-likelihood without binomial coefficients, and its gradient; values end with logit(rho)."""
    survived, trials, share = design.rows.survived, design.rows.trials, expit(design.matrix @ values[:-1])
    share = np.clip(share, 1e-12, 1.0 - 1e-12)
    total = float(np.exp(-values[-1]))  # a + b = (1 - rho) / rho
    a, b, died = total * share, total * (1.0 - share), trials - survived
    value = gammaln(survived + a) - gammaln(a) + gammaln(died + b) - gammaln(b)
    value += gammaln(total) - gammaln(trials + total)
    slope_a, slope_b = digamma(survived + a) - digamma(a), digamma(died + b) - digamma(b)
    by_total = share * slope_a + (1.0 - share) * slope_b + digamma(total) - digamma(trials + total)
    by_log_odds = total * share * (1.0 - share) * (slope_a - slope_b)
    return float(value.sum()), np.append(design.matrix.T @ by_log_odds, -total * by_total.sum())
