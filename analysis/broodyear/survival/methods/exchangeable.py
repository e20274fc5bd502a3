"""Population-averaged logistic regression with exchangeable correlation between the eggs of a cluster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, level_sums
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.binomial import Answer, plain_fit, require_full_robust, robust_notes

ITERATIONS = 200
STEP_TOLERANCE = 1e-9
LENGTHS = 0.1, 2.0  # of a scoring step
FARTHEST = 20.0  # logits of any row: from there steps run away
LONGEST_STEP = 0.5  # logits in any row; longer steps overshoot when the correlation is high
SMALLEST_SPREAD = 1e-12  # of one egg's fate, where the fitted share is 0 or 1 to rounding


def fit_exchangeable(design: Design) -> Answer:
    """Generalised estimating equations of Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13).

    The equations are those of one row per egg (0 died, 1 survived), all eggs of a cluster equally
    correlated; because the eggs of one tank-season share their covariates, every sum over eggs collapses
    to counts and nothing is expanded. The correlation is the moment estimator on Pearson residuals over
    pairs of eggs in a cluster, the scale being Pearson X² over eggs less coefficients. The robust
    covariance does not depend on that scale.
    """
    grouping = design.groupings[0]
    unsettled = Refused(
        f"The exchangeable fit over {grouping.name} did not settle: some clusters are too small or"
        " all-or-nothing; use method='clustered', which needs no working correlation."
    )
    with np.errstate(all="ignore"):
        coefficients = _solve(design)
        if coefficients is None:
            raise unsettled
        found = _equations(design, coefficients)
    try:
        bread = np.asarray(np.linalg.inv(found.information), dtype=float)
    except np.linalg.LinAlgError as error:
        raise unsettled from error
    covariance = np.asarray(bread @ (found.scores.T @ found.scores) @ bread, dtype=float)
    if not np.isfinite(covariance).all():
        raise unsettled
    require_full_robust(design, grouping, covariance, bread)
    notes = robust_notes(design, grouping)
    return Answer(coefficients, covariance, found.correlation, float("nan"), notes=notes)


def _solve(design: Design) -> FloatArray | None:
    """Scoring steps, the correlation estimated anew at each; None when they run away.

    A correlation that moves with the coefficients makes steps swing to and fro, or creep: each is lengthened or
    shortened by what the last one told (Irons & Tuck 1969, doi 10.1002/nme.1620010306).
    """
    coefficients, length = plain_fit(design).coefficients, 1.0
    last: FloatArray | None = None
    for _ in range(ITERATIONS):
        here = _equations(design, coefficients)
        away = np.abs(design.matrix @ coefficients).max() > FARTHEST
        if away or not (np.isfinite(here.information).all() and np.isfinite(here.scores).all()):
            break
        step = np.linalg.lstsq(here.information, here.scores.sum(axis=0), rcond=None)[0]
        moved = design.matrix @ step
        longest = float(np.abs(moved).max())
        if last is not None:
            change = moved - last
            length = float(np.clip(-length * (last @ change) / (change @ change), *LENGTHS))
        last, length = moved, min(length, LONGEST_STEP / max(longest, 1e-300))
        coefficients = coefficients + length * step
        if longest < STEP_TOLERANCE:
            return np.asarray(coefficients, dtype=float)
    return None


@dataclass(frozen=True, eq=False)
class _Equations:
    """The estimating equations at some coefficients: correlation between eggs, scores by cluster, information."""

    correlation: float
    scores: FloatArray
    information: FloatArray


def _equations(design: Design, coefficients: FloatArray) -> _Equations:
    """The correlation is the mean product of Pearson residuals over pairs of eggs in a cluster, over the Pearson
    scale; with it R⁻¹ = (I − c·11')/(1 − α), c = α/(1 + (N − 1)α)."""
    grouping, survived, trials = design.groupings[0], design.rows.survived, design.rows.trials
    clusters, terms = len(grouping.levels), design.matrix.shape[1]
    share = expit(design.matrix @ coefficients)
    spread = np.sqrt(np.maximum(share * (1.0 - share), SMALLEST_SPREAD))
    off = survived - trials * share
    squared = (survived * (1.0 - share) ** 2 + (trials - survived) * share**2) / spread**2
    sums, squares, eggs = (
        np.bincount(grouping.codes, values, clusters) for values in (off / spread, squared, trials)
    )
    pairs = float(np.sum(eggs * (eggs - 1.0)) / 2.0)
    if pairs <= terms:
        raise Refused(
            f"Group {grouping.name!r} has no pairs of eggs to estimate a correlation from: name a group whose"
            " levels hold several eggs."
        )
    scale = squares.sum() / (trials.sum() - terms)
    correlation = float(np.sum(sums**2 - squares) / 2.0 / scale / (pairs - terms))
    weighted = (trials * spread)[:, None] * design.matrix
    own = level_sums(grouping.codes, off[:, None] * design.matrix, clusters)
    drift = level_sums(grouping.codes, weighted, clusters)
    shared = correlation / (1.0 + (eggs - 1.0) * correlation)
    scores = (own - (shared * sums)[:, None] * drift) / (1.0 - correlation)
    direct = design.matrix.T @ (spread[:, None] * weighted)
    return _Equations(correlation, scores, (direct - drift.T @ (shared[:, None] * drift)) / (1.0 - correlation))
