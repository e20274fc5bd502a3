"""Population-averaged logistic regression with exchangeable correlation between the eggs of a cluster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, level_sums
from broodyear.survival.design.matrix import Design, Grouping
from broodyear.survival.methods.answer import Answer
from broodyear.survival.methods.binomial import plain_fit
from broodyear.survival.methods.robust import require_full_robust, robust_notes

ITERATIONS = 200
STEP_TOLERANCE = 1e-9
LENGTHS = 0.1, 2.0  # of a scoring step
FARTHEST = 20.0  # logits of any row: from there steps run away
LONGEST_STEP = 0.5  # logits in any row; longer steps overshoot when the correlation is high
SMALLEST_SPREAD = 1e-12  # of one egg's fate, where the fitted share is 0 or 1 to rounding


def _solve(design: Design, grouping: Grouping) -> FloatArray:
    """Scoring steps, the correlation estimated anew at each; refuses when they run away.

    A correlation that moves with the coefficients makes steps swing to and fro, or creep: each is lengthened or
    shortened by what the last one told (Irons & Tuck 1969, doi 10.1002/nme.1620010306).
    """
    coefficients, length = plain_fit(design).coefficients, 1.0
    last: FloatArray | None = None
    for _ in range(ITERATIONS):
        correlation = _moment_correlation(design, grouping, coefficients)
        sums = _sums(design, grouping, coefficients, correlation)
        away = np.abs(design.matrix @ coefficients).max() > FARTHEST
        if away or not (np.isfinite(sums.information).all() and np.isfinite(sums.score).all()):
            break
        step = np.linalg.lstsq(sums.information, sums.score, rcond=None)[0]
        moved = design.matrix @ step
        longest = float(np.abs(moved).max())
        if last is not None:
            change = moved - last
            length = float(np.clip(-length * (last @ change) / (change @ change), *LENGTHS))
        last, length = moved, min(length, LONGEST_STEP / max(longest, 1e-300))
        coefficients = coefficients + length * step
        if longest < STEP_TOLERANCE:
            return coefficients
    raise _unsettled(grouping)


def _inverse(information: FloatArray, grouping: Grouping) -> FloatArray:
    try:
        return np.asarray(np.linalg.inv(information), dtype=float)
    except np.linalg.LinAlgError as error:
        raise _unsettled(grouping) from error


def _unsettled(grouping: Grouping) -> Refused:
    return Refused(
        f"The exchangeable fit over {grouping.name} did not settle: some clusters are too small or"
        " all-or-nothing; use method='clustered', which needs no working correlation."
    )


@dataclass(frozen=True, eq=False)
class _Sums:
    """Sums over the eggs of each row and cluster that the estimating equations need."""

    score: FloatArray
    information: FloatArray
    cluster_scores: FloatArray


def fit_exchangeable(design: Design) -> Answer:
    """Generalised estimating equations of Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13).

    The equations are those of one row per egg (0 died, 1 survived), all eggs of a cluster equally
    correlated; because the eggs of one tank-season share their covariates, every sum over eggs collapses
    to counts and nothing is expanded. The correlation is the moment estimator on Pearson residuals over
    pairs of eggs in a cluster, the scale being Pearson X² over eggs less coefficients. The robust
    covariance does not depend on that scale.
    """
    grouping = design.groupings[0]
    with np.errstate(all="ignore"):
        coefficients = _solve(design, grouping)
        correlation = _moment_correlation(design, grouping, coefficients)
        sums = _sums(design, grouping, coefficients, correlation)
    bread = _inverse(sums.information, grouping)
    covariance = np.asarray(bread @ (sums.cluster_scores.T @ sums.cluster_scores) @ bread, dtype=float)
    if not np.isfinite(covariance).all():
        raise _unsettled(grouping)
    require_full_robust(design, grouping, covariance, bread)
    notes = robust_notes(design, grouping)
    return Answer(coefficients, covariance, correlation, float("nan"), notes=notes)


def _moment_correlation(design: Design, grouping: Grouping, coefficients: FloatArray) -> float:
    """Mean product of Pearson residuals over pairs of eggs in a cluster, over the Pearson scale."""
    survived, trials = design.rows.survived, design.rows.trials
    share = expit(design.matrix @ coefficients)
    spread = np.sqrt(np.maximum(share * (1.0 - share), SMALLEST_SPREAD))
    row_sums = (survived - trials * share) / spread
    row_squares = (survived * (1.0 - share) ** 2 + (trials - survived) * share**2) / spread**2
    clusters = len(grouping.levels)
    sums = np.bincount(grouping.codes, row_sums, clusters)
    squares = np.bincount(grouping.codes, row_squares, clusters)
    eggs = np.bincount(grouping.codes, trials, clusters)
    terms = design.matrix.shape[1]
    scale = squares.sum() / (trials.sum() - terms)
    pairs = float(np.sum(eggs * (eggs - 1.0)) / 2.0)
    if pairs <= terms:
        raise Refused(
            f"Group {grouping.name!r} has no pairs of eggs to estimate a correlation from: name a group whose"
            " levels hold several eggs."
        )
    return float(np.sum(sums**2 - squares) / 2.0 / scale / (pairs - terms))


def _sums(design: Design, grouping: Grouping, coefficients: FloatArray, correlation: float) -> _Sums:
    """Score, information and cluster scores, with R⁻¹ = (I − c·11')/(1 − α), c = α/(1 + (N − 1)α)."""
    survived, trials = design.rows.survived, design.rows.trials
    share = expit(design.matrix @ coefficients)
    spread = np.sqrt(np.maximum(share * (1.0 - share), SMALLEST_SPREAD))
    clusters = len(grouping.levels)
    weighted = (trials * spread)[:, None] * design.matrix
    own = level_sums(grouping.codes, (survived - trials * share)[:, None] * design.matrix, clusters)
    drift = level_sums(grouping.codes, weighted, clusters)
    residual = np.bincount(grouping.codes, (survived - trials * share) / spread, clusters)
    eggs = np.bincount(grouping.codes, trials, clusters)
    shared = correlation / (1.0 + (eggs - 1.0) * correlation)
    scores = (own - (shared * residual)[:, None] * drift) / (1.0 - correlation)
    direct = design.matrix.T @ (spread[:, None] * weighted)
    information = (direct - drift.T @ (shared[:, None] * drift)) / (1.0 - correlation)
    return _Sums(scores.sum(axis=0), information, scores)
