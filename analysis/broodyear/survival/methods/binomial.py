"""Binomial regression without random effects: plain, quasi-binomial and cluster-robust; and when cluster-robust
errors mean nothing, or too little."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, binomial_log_likelihood, expit, level_sums, log1p_exp
from broodyear.survival.design.matrix import Design, Grouping
from broodyear.survival.mixed.system import Precision

ITERATIONS = 100
DEVIANCE_TOLERANCE = 1e-8  # relative; the Newton steps after it bring the estimates to rounding
NEWTON_STEPS = 2
FEW_ITERATIONS = 25
WORST_CONDITION = 1e8  # of the scaled normal equations: they square the condition, and half the digits are left
FEW_CLUSTERS = 30  # sandwich errors are known to be too small below about this many clusters
NO_VARIANCE = 1e-8  # robust over model-based variance: below it only rounding is left
MOST_NAMED = 3


@dataclass(frozen=True, eq=False)
class Answer:
    """What a method finds, before it becomes the result that all share.

    coefficients, covariance: logit scale. dispersion: see `SurvivalFit`. log_likelihood: binomial coefficients
    included. intervals: low, high and p value of every coefficient where they are not Wald's.
    Of the mixed model alone: sds: logit standard deviation per grouping, 0.0 where the best fit has none. modes:
    grouping -> level, effect and std_error: conditional modes on the logit scale and their errors given the
    coefficients and spreads. joint_covariance: of (log sds of the groupings above zero, coefficients), from the
    observed information. fitted: survival per row at the modes. precision: of the coefficients, for the degrees of
    freedom of contrasts; small-sample fits only.
    """

    coefficients: FloatArray
    covariance: FloatArray
    dispersion: float
    log_likelihood: float
    degrees_of_freedom: float = np.inf
    notes: tuple[str, ...] = ()
    intervals: tuple[FloatArray, FloatArray, FloatArray] | None = None
    sds: Sequence[float] | FloatArray = ()
    modes: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    joint_covariance: FloatArray | None = None
    fitted: FloatArray | None = None
    precision: Precision | None = None


@dataclass(frozen=True, eq=False)
class Logistic:
    """A binomial maximum-likelihood fit on the logit scale.

    coefficients: shape (terms,). information: expected information, shape (terms, terms).
    log_likelihood: with the binomial coefficients. pearson: sum of squared Pearson residuals.
    degrees_of_freedom: rows less coefficients.
    """

    coefficients: FloatArray
    information: FloatArray
    log_likelihood: float
    pearson: float
    degrees_of_freedom: int

    @property
    def covariance(self) -> FloatArray:
        """Inverse information: right only when eggs do not share a fate."""
        return np.asarray(np.linalg.inv(self.information), dtype=float)

    @property
    def dispersion(self) -> float:
        """Pearson X² over its degrees of freedom; 1 for purely binomial variation, nan when saturated."""
        return self.pearson / self.degrees_of_freedom if self.degrees_of_freedom else float("nan")


def fit_logistic(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> Logistic:
    """Maximum likelihood by iteratively reweighted least squares (McCullagh & Nelder 1989, ch. 4).

    By normal equations where these settle; hard rows go to the library, whose decomposition bears more.
    """
    coefficients = _by_normal_equations(matrix, survived, trials)
    if coefficients is None:
        coefficients = _by_library(matrix, survived, trials)
    for _ in range(NEWTON_STEPS):
        score = matrix.T @ (survived - trials * expit(matrix @ coefficients))
        information = summarise(matrix, survived, trials, coefficients).information
        coefficients = coefficients + np.linalg.solve(information, score)
    return summarise(matrix, survived, trials, coefficients)


@lru_cache(maxsize=1)
def plain_fit(design: Design) -> Logistic:
    """The binomial fit of a design, kept for the next method that begins with it."""
    return fit_logistic(design.matrix, design.rows.survived, design.rows.trials)


def _by_normal_equations(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> FloatArray | None:
    """Coefficients once the deviance no longer falls, or None where the equations are poorly conditioned."""
    share = (survived + 0.5) / (trials + 1.0)
    log_odds, last = np.log(share / (1.0 - share)), np.inf
    for _ in range(FEW_ITERATIONS):
        weight = trials * share * (1.0 - share)
        if not weight.all():
            return None
        response = weight * log_odds + survived - trials * share
        information = matrix.T @ (weight[:, None] * matrix)
        scale = np.sqrt(np.diag(information))
        if np.linalg.cond(information / np.outer(scale, scale)) > WORST_CONDITION:
            return None
        coefficients = np.linalg.solve(information, matrix.T @ response)
        log_odds = matrix @ coefficients
        share = expit(log_odds)
        deviance = float(2.0 * np.sum(trials * log1p_exp(log_odds) - survived * log_odds))
        if abs(deviance - last) <= DEVIANCE_TOLERANCE * abs(deviance):
            return np.asarray(coefficients, dtype=float)
        last = deviance
    return None


def _by_library(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> FloatArray:
    """Two-column counts with the scale fixed at 1: the library's own Pearson scale divides by the eggs rather
    than by the rows, so the dispersion is worked out here.
    """
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    counts = np.column_stack([survived, trials - survived])
    result = GLM(counts, matrix, family=Binomial()).fit(
        scale=1.0, maxiter=ITERATIONS, tol=0.0, rtol=DEVIANCE_TOLERANCE, tol_criterion="deviance"
    )
    if not result.converged:
        raise Refused(
            "The binomial fit did not settle: look for a level with very few tanks, or a covariate with an"
            " extreme value, and take it out."
        )
    return np.asarray(result.params, dtype=float)


def summarise(matrix: FloatArray, survived: FloatArray, trials: FloatArray, coefficients: FloatArray) -> Logistic:
    """Likelihood, information and Pearson X² of a logistic model at given coefficients."""
    log_odds = matrix @ coefficients
    share = expit(log_odds)
    weight = trials * share * (1.0 - share)
    residual = survived - trials * share
    return Logistic(
        coefficients=coefficients,
        information=matrix.T @ (weight[:, None] * matrix),
        log_likelihood=binomial_log_likelihood(survived, trials, log_odds),
        pearson=float(np.sum(residual**2 / np.maximum(weight, 1e-300))),
        degrees_of_freedom=len(trials) - matrix.shape[1],
    )


def fit_quasi_binomial(design: Design) -> Answer:
    """Binomial estimates, errors widened by Pearson X² over its degrees of freedom, t intervals."""
    plain = plain_fit(design)
    return Answer(
        plain.coefficients, plain.covariance * plain.dispersion, plain.dispersion, plain.log_likelihood,
        float(plain.degrees_of_freedom),
    )  # fmt: skip


def fit_clustered(design: Design) -> Answer:
    """Binomial estimates, scores summed within the levels of the one group, times G/(G − 1) for G of them.

    Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13); no further small-sample factor.
    """
    plain, grouping = plain_fit(design), design.groupings[0]
    residual = design.rows.survived - design.rows.trials * expit(design.matrix @ plain.coefficients)
    clusters = len(grouping.levels)
    scores = level_sums(grouping.codes, residual[:, None] * design.matrix, clusters)
    covariance = plain.covariance @ (scores.T @ scores) @ plain.covariance * (clusters / (clusters - 1.0))
    require_full_robust(design, grouping, covariance, plain.covariance)
    notes = robust_notes(design, grouping)
    return Answer(plain.coefficients, covariance, plain.dispersion, plain.log_likelihood, notes=notes)


def require_clusters(grouping: Grouping) -> None:
    """Refuse one cluster: what varies between clusters cannot be told from it."""
    if len(grouping.levels) < 2:
        raise Refused(
            f"All rows lie in one level of {grouping.name} ({grouping.levels[0]}), so no cluster-robust error can"
            f" be worked out: add rows of another {grouping.name}, or use method='quasi_binomial'."
        )


def require_full_robust(design: Design, grouping: Grouping, robust: FloatArray, plain: FloatArray) -> None:
    """Refuse robust variances of zero: with few clusters the scores of each cluster can all vanish."""
    shares = np.diag(robust) / np.abs(np.diag(plain))
    lost = [term for term, share in zip(design.terms, shares, strict=True) if not share > NO_VARIANCE]
    if lost:
        raise Refused(
            f"The {len(grouping.levels)} levels of {grouping.name} leave no variation between them to judge"
            f" {_listed(lost)} by, so a cluster-robust error of zero would be printed: take terms out, add"
            f" {grouping.name}s, or use method='quasi_binomial'."
        )


def robust_notes(design: Design, grouping: Grouping) -> tuple[str, ...]:
    """Sentences on few clusters, and on levels of a factor that only one cluster has."""
    clusters, name = len(grouping.levels), grouping.name
    notes = []
    if clusters < FEW_CLUSTERS:
        notes.append(
            f"Only {clusters} levels of {name}: robust standard errors are too small below about {FEW_CLUSTERS}."
        )
    alone = [
        term
        for term, column in zip(design.terms, design.matrix.T, strict=True)
        if np.isin(column, (0.0, 1.0)).all() and len(np.unique(grouping.codes[column == 1.0])) == 1
    ]
    if alone:
        notes.append(
            f"Rows with {_listed(alone)} all lie in one level of {name}, so the robust error leaves out how"
            f" levels of {name} differ and is too small."
        )
    return tuple(notes)


def _listed(terms: list[str]) -> str:
    more = len(terms) - MOST_NAMED
    return ", ".join(terms[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
