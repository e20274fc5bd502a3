"""Regression without random intercepts: binomial and quasi-binomial; beta-binomial, in which the eggs of one tank
share a fate through a common, beta-distributed chance; which coefficients have no end, and Firth's answer with a
finite one; and two that allow for eggs of a cluster sharing a fate without a model of it, by cluster-robust
errors, and by population-averaged estimates with equal correlation between its eggs.

Each takes a design and returns a `SurvivalFit`, to which `fit.py` gives the name of the method.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import betaln, digamma, expit

from broodyear.errors import Refused
from broodyear.notes import note
from broodyear.statistics.numbers import (
    FloatArray,
    binomial_log_likelihood,
    differenced,
    level_sums,
    log_binomial_coefficients,
)
from broodyear.survival.design import Design
from broodyear.survival.result import SurvivalFit

ITERATIONS = 200
STEP_TOLERANCE = 1e-10  # logits in any row
LONGEST_STEP = 3.0  # logits in any row; keeps early steps from overshooting
SMALLEST_LOG_ODDS = -13.0  # of the correlation; below it the digamma differences lose their digits
GRADIENT_TOLERANCE = 1e-6  # per standard error
NO_DISPERSION = 1e-12  # rounding
GAIN_TOLERANCE = 1e-7  # the linear programme's own accuracy
MOST_ERRORS = 60  # standard errors to either side in which a limit is looked for
HALF_CRITICAL = 1.9207294103470636  # half the 95 % point of chi-squared on 1 degree of freedom
FEW_CLUSTERS = 30  # sandwich errors are known to be too small below about this many clusters
NO_VARIANCE = 1e-8  # robust over model-based variance: below it only rounding is left
LENGTHS = 0.1, 2.0  # of a scoring step
FARTHEST = 20.0  # logits of any row: from there steps run away
LONGEST_CLUSTER_STEP = 0.5  # logits in any row; longer steps overshoot when the correlation is high
SMALLEST_SPREAD = 1e-12  # of one egg's fate, where the fitted probability is 0 or 1 to rounding


def dispersion_of(design: Design, probability: FloatArray, parameters: float) -> float:
    """Pearson's X² there over rows less parameters; 1 for binomial variation, nan when saturated."""
    spare, off = len(probability) - parameters, design.residuals(probability)
    return (
        float(np.sum(off**2 / np.maximum(design.variances(probability), 1e-300))) / spare if spare > 0 else np.nan
    )


def binomial_at(design: Design, coefficients: FloatArray, variance: FloatArray) -> SurvivalFit:
    """These coefficients with the likelihood and the dispersion that the binomial model has there."""
    log_odds = design.matrix @ coefficients
    dispersion = dispersion_of(design, expit(log_odds), len(coefficients))
    log_likelihood = binomial_log_likelihood(design.survived, design.trials, log_odds)
    return SurvivalFit(design, coefficients, variance, expit(log_odds), dispersion, log_likelihood)


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Of a binomial model; penalty: how many times ½ log |information| is added, 0.0 or 1.0."""

    design: Design
    penalty: float = 0.0

    def information(self, values: FloatArray) -> FloatArray:
        matrix = self.design.matrix
        weight = self.design.variances(expit(matrix @ values))
        return np.asarray(matrix.T @ (weight[:, None] * matrix), dtype=float)

    def at(self, values: FloatArray) -> float:
        """Its logarithm, binomial coefficients included."""
        design = self.design
        plain = binomial_log_likelihood(design.survived, design.trials, design.matrix @ values)
        if not self.penalty:
            return plain
        sign, log_determinant = np.linalg.slogdet(self.information(values))
        return plain + 0.5 * float(log_determinant) if sign > 0 else -np.inf

    def highest(self, values: FloatArray, fixed: int | None = None) -> FloatArray:
        """Scoring steps (McCullagh & Nelder 1989, ch. 4), one coefficient held if fixed is its index.

        Each is halved until the likelihood does not fall beyond rounding. Raises LinAlgError where none settles.
        """
        matrix = self.design.matrix
        free = np.array([index for index in range(len(values)) if index != fixed], dtype=int)
        if not len(free):
            return values
        for _ in range(ITERATIONS):
            probability, information = expit(matrix @ values), self.information(values)
            off = self.design.residuals(probability)
            if self.penalty:
                spread = np.einsum("ij,jk,ik->i", matrix, np.linalg.inv(information), matrix)
                off += self.design.variances(probability) * spread * (0.5 - probability)
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
        raise Refused(note("survival", "unsettled_binomial")) from error


def fit_quasi_binomial(design: Design) -> SurvivalFit:
    """Binomial estimates, errors widened by Pearson X² over its degrees of freedom, t intervals."""
    plain, spare = plain_fit(design), len(design.trials) - len(design.terms)
    if plain.dispersion < NO_DISPERSION:
        raise Refused(note("survival", "no_variation"))
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
    constant = log_binomial_coefficients(design.survived, design.trials)
    if constant - best.fun <= binomial.log_likelihood + 1e-6 or best.x[-1] <= SMALLEST_LOG_ODDS + 0.5:
        return replace(binomial, dispersion=0.0, notes=(note("survival", "no_correlation"),))
    information = differenced(lambda at: objective(at)[1], best.x)
    if not np.all(np.isfinite(information)) or np.linalg.eigvalsh(information)[0] <= 0:
        raise Refused(note("survival", "unsettled_beta"))
    inverse = np.linalg.inv(information)
    values = origin + scale @ (best.x - inverse @ objective(best.x)[1])  # the last step, to rounding
    log_likelihood, fitted = constant + _log_likelihood(values, design)[0], expit(design.matrix @ values[:-1])
    covariance, rho = (scale @ inverse @ scale.T)[:-1, :-1], float(expit(values[-1:])[0])
    return SurvivalFit(design, values[:-1], covariance, fitted, rho, log_likelihood)


def _log_likelihood(values: FloatArray, design: Design) -> tuple[float, FloatArray]:
    """Log-likelihood without binomial coefficients, and its gradient; values end with logit(rho)."""
    mean, total = np.clip(expit(design.matrix @ values[:-1]), 1e-12, 1.0 - 1e-12), float(np.exp(-values[-1]))
    survived, died, trials = design.survived, design.trials - design.survived, design.trials
    a, b = total * mean, total * (1.0 - mean)  # of each row's beta distribution
    value = betaln(survived + a, died + b) - betaln(a, b)
    slope_a, slope_b = digamma(survived + a) - digamma(a), digamma(died + b) - digamma(b)
    by_total = mean * slope_a + (1.0 - mean) * slope_b + digamma(total) - digamma(trials + total)
    by_log_odds = total * mean * (1.0 - mean) * (slope_a - slope_b)
    return float(value.sum()), np.append(design.matrix.T @ by_log_odds, -total * by_total.sum())


def separated_terms(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> tuple[int, ...]:
    """Indices of the coefficients without a finite maximum-likelihood estimate; empty when all are finite.

    There is none when some direction in the coefficients raises every row with only survivors, lowers every row
    with only deaths, and leaves the rows in between alone (Albert & Anderson 1984, doi 10.1093/biomet/71.1.1).
    Such a direction is looked for by linear programming (Konis 2007).
    matrix: design matrix, shape (rows, terms); survived, trials: counts per row.
    """
    full, outer = survived == trials, (survived == trials) | (survived == 0)
    inner = matrix[~outer]
    if len(inner) and np.linalg.matrix_rank(inner) == matrix.shape[1]:
        return ()
    from scipy.optimize import linprog

    scaled = matrix / np.maximum(np.abs(matrix).max(axis=0), 1e-300)
    signed = (scaled * np.where(full, 1.0, -1.0)[:, None])[outer]
    solution = linprog(
        -signed.sum(axis=0),
        A_ub=-signed,
        b_ub=np.zeros(len(signed)),
        A_eq=scaled[~outer],
        b_eq=np.zeros(len(inner)),
        bounds=(-1.0, 1.0),
        method="highs",
    )
    if solution.x is None or solution.fun is None or solution.fun >= -GAIN_TOLERANCE:
        return ()
    return tuple(int(index) for index in np.flatnonzero(np.abs(solution.x) > GAIN_TOLERANCE))


@lru_cache(maxsize=1)
def refuse_separation(design: Design) -> None:
    """Raise Refused, naming the coefficients and the cure, when an estimate would be infinite."""
    terms, survived, trials = design.terms, design.survived, design.trials
    if (survived == trials).all() or (survived == 0).all():
        fate = "survived" if survived.any() else "died"
        raise Refused(note("survival", "one_fate", rows=len(trials), fate=fate))
    indices = separated_terms(design.matrix, survived, trials)
    if not indices:
        return
    named = [terms[index] for index in indices if terms[index] != "Intercept"] or [terms[indices[0]]]
    raise Refused(note("survival", "separated", terms=", ".join(named)))


def fit_firth(design: Design) -> SurvivalFit:
    """Bias-reduced logistic regression (Firth 1993, doi 10.1093/biomet/80.1.27).

    Limits and tests by profiling the penalised likelihood (Heinze & Schemper 2002, doi 10.1002/sim.1047).
    It assumes binomial variation: where eggs of a tank share a fate its intervals are too narrow.
    """
    likelihood, terms = Likelihood(design, penalty=1.0), range(len(design.terms))
    try:
        with np.errstate(all="ignore"):
            best = likelihood.highest(np.zeros(len(terms)))
            covariance = np.asarray(np.linalg.inv(likelihood.information(best)), dtype=float)
            low, high, p_values = np.array(
                [_profile(likelihood, best, covariance[term], term) for term in terms]
            ).T
    except np.linalg.LinAlgError as error:
        raise Refused(note("survival", "unsettled_firth")) from error
    found = binomial_at(design, best, covariance)
    return replace(found, notes=(note("survival", "binomial_only"),), intervals=(low, high, p_values))


def _profile(
    likelihood: Likelihood, best: FloatArray, covariances: FloatArray, term: int
) -> tuple[float, float, float]:
    """Limits and p value of one coefficient (its index: term), the others at their best beside it.

    covariances: of it with all."""
    from scipy.optimize import brentq
    from scipy.special import chdtrc

    def fall(value: float) -> float:
        near = best + covariances / covariances[term] * (value - best[term])
        near[term] = value
        return likelihood.at(best) - likelihood.at(likelihood.highest(near, term))

    def limit(side: float) -> float:
        """Where the fall reaches half the critical value on one side of the estimate."""
        outside = best[term] + side * np.sqrt(covariances[term]) * np.arange(2.0, MOST_ERRORS + 2.0, 2.0)
        outer = next((value for value in outside if fall(value) > HALF_CRITICAL), side * np.inf)
        if np.isinf(outer):
            return float(outer)
        return float(brentq(lambda value: fall(value) - HALF_CRITICAL, best[term], outer, xtol=1e-7))

    return limit(-1.0), limit(1.0), float(chdtrc(1.0, max(2.0 * fall(0.0), 0.0)))


def fit_clustered(design: Design) -> SurvivalFit:
    """Binomial estimates, scores summed within the levels of the one group, times G/(G − 1) for G of them.

    Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13); no further small-sample factor.
    """
    plain, grouping = plain_fit(design), design.groupings[0]
    clusters = len(grouping.levels)
    scores = level_sums(grouping.codes, design.residuals(plain.fitted)[:, None] * design.matrix, clusters)
    return _robust(plain, scores * np.sqrt(clusters / (clusters - 1.0)))


def fit_exchangeable(design: Design) -> SurvivalFit:
    """Generalised estimating equations of Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13).

    The equations are those of one row per egg (0 died, 1 survived), all eggs of a cluster equally
    correlated; because the eggs of one tank-season share their covariates, every sum over eggs collapses
    to counts and nothing is expanded. The correlation is the moment estimator on Pearson residuals over
    pairs of eggs in a cluster, the scale being Pearson X² over eggs less coefficients. The robust
    covariance does not depend on that scale.
    """
    with np.errstate(all="ignore"), suppress(np.linalg.LinAlgError):
        coefficients = _solved(design)
        if coefficients is not None:
            correlation, scores, information = _equations(design, coefficients)
            bread = np.asarray(np.linalg.inv(information), dtype=float)
            if np.isfinite(bread).all():
                fitted = expit(design.matrix @ coefficients)
                return _robust(SurvivalFit(design, coefficients, bread, fitted, correlation, np.nan), scores)
    raise Refused(note("survival", "unsettled_exchangeable", name=design.groupings[0].name))


def _solved(design: Design) -> FloatArray | None:
    """Scoring steps, the correlation estimated anew at each; None when they run away.

    A correlation that moves with the coefficients makes steps swing to and fro, or creep: each is lengthened or
    shortened by what the last one told (Irons & Tuck 1969, doi 10.1002/nme.1620010306).
    """
    coefficients, length = plain_fit(design).coefficients, 1.0
    last: FloatArray | None = None
    for _ in range(ITERATIONS):
        _, scores, information = _equations(design, coefficients)
        away = np.abs(design.matrix @ coefficients).max() > FARTHEST
        if away or not (np.isfinite(information).all() and np.isfinite(scores).all()):
            break
        step = np.linalg.lstsq(information, scores.sum(axis=0), rcond=None)[0]
        moved = design.matrix @ step
        longest = float(np.abs(moved).max())
        if last is not None:
            change = moved - last
            length = float(np.clip(-length * (last @ change) / (change @ change), *LENGTHS))
        last, length = moved, min(length, LONGEST_CLUSTER_STEP / max(longest, 1e-300))
        coefficients = coefficients + length * step
        if longest < STEP_TOLERANCE:
            return np.asarray(coefficients, dtype=float)
    return None


def _equations(design: Design, coefficients: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """The correlation between eggs, scores by cluster, and information.

    The correlation is the mean product of Pearson residuals over pairs of eggs in a cluster, over the Pearson
    scale; with it R⁻¹ = (I − c·11')/(1 − α), c = α/(1 + (N − 1)α)."""
    grouping, survived, trials = design.groupings[0], design.survived, design.trials
    clusters, terms = len(grouping.levels), design.matrix.shape[1]
    probability = expit(design.matrix @ coefficients)
    spread = np.sqrt(np.maximum(probability * (1.0 - probability), SMALLEST_SPREAD))
    off = design.residuals(probability)
    squared = (survived * (1.0 - probability) ** 2 + (trials - survived) * probability**2) / spread**2
    sums, squares, eggs = (
        np.bincount(grouping.codes, values, clusters) for values in (off / spread, squared, trials)
    )
    pairs = float(np.sum(eggs * (eggs - 1.0)) / 2.0)
    if pairs <= terms:
        raise Refused(note("survival", "no_pairs", name=grouping.name))
    scale = squares.sum() / (trials.sum() - terms)
    correlation = float(np.sum(sums**2 - squares) / 2.0 / scale / (pairs - terms))
    weighted = (trials * spread)[:, None] * design.matrix
    own = level_sums(grouping.codes, off[:, None] * design.matrix, clusters)
    drift = level_sums(grouping.codes, weighted, clusters)
    shared = correlation / (1.0 + (eggs - 1.0) * correlation)
    scores = (own - (shared * sums)[:, None] * drift) / (1.0 - correlation)
    direct = design.matrix.T @ (spread[:, None] * weighted)
    return correlation, scores, (direct - drift.T @ (shared[:, None] * drift)) / (1.0 - correlation)


def _robust(fit: SurvivalFit, scores: FloatArray) -> SurvivalFit:
    """The fit with the covariance that the scores of the clusters show (clusters × terms), and sentences on few
    clusters, and on levels of a factor that only one cluster has.

    Refuses robust variances of zero: with few clusters the scores of each cluster can all vanish.
    """
    design, clusters = fit.design, len(scores)
    name, codes = design.groupings[0].name, design.groupings[0].codes
    variance = fit.variance @ (scores.T @ scores) @ fit.variance
    ratios = np.diag(variance) / np.abs(np.diag(fit.variance))
    lost = [term for term, ratio in zip(design.terms, ratios, strict=True) if not ratio > NO_VARIANCE]
    if lost:
        raise Refused(note("survival", "no_robust_error", name=name, clusters=clusters, terms=lost))
    notes = []
    if clusters < FEW_CLUSTERS:
        notes.append(note("survival", "few_clusters", name=name, clusters=clusters, enough=FEW_CLUSTERS))
    alone = [
        term
        for term, column in zip(design.terms, design.matrix.T, strict=True)
        if np.isin(column, (0.0, 1.0)).all() and len(np.unique(codes[column == 1.0])) == 1
    ]
    if alone:
        notes.append(note("survival", "alone", name=name, terms=alone))
    return replace(fit, joint_covariance=variance, notes=tuple(notes))
