"""Regression that allows for eggs of a cluster sharing a fate without a model of it: cluster-robust errors, and
population-averaged estimates with equal correlation between its eggs; and when either means nothing."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np

from broodyear.errors import Refused
from broodyear.notes import note
from broodyear.statistics.numbers import FloatArray, expit, level_sums
from broodyear.survival.design import Design
from broodyear.survival.methods.binomial import plain_fit
from broodyear.survival.result import SurvivalFit

FEW_CLUSTERS = 30  # sandwich errors are known to be too small below about this many clusters
NO_VARIANCE = 1e-8  # robust over model-based variance: below it only rounding is left
ITERATIONS = 200
STEP_TOLERANCE = 1e-9
LENGTHS = 0.1, 2.0  # of a scoring step
FARTHEST = 20.0  # logits of any row: from there steps run away
LONGEST_STEP = 0.5  # logits in any row; longer steps overshoot when the correlation is high
SMALLEST_SPREAD = 1e-12  # of one egg's fate, where the fitted share is 0 or 1 to rounding


def fit_clustered(design: Design) -> SurvivalFit:
    """Binomial estimates, scores summed within the levels of the one group, times G/(G − 1) for G of them.

    Liang & Zeger 1986 (doi 10.1093/biomet/73.1.13); no further small-sample factor.
    """
    plain, grouping = plain_fit(design), design.groupings[0]
    residual = design.survived - design.trials * expit(design.matrix @ plain.coefficients)
    clusters = len(grouping.levels)
    scores = level_sums(grouping.codes, residual[:, None] * design.matrix, clusters)
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
        last, length = moved, min(length, LONGEST_STEP / max(longest, 1e-300))
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
    share = expit(design.matrix @ coefficients)
    spread = np.sqrt(np.maximum(share * (1.0 - share), SMALLEST_SPREAD))
    off = survived - trials * share
    squared = (survived * (1.0 - share) ** 2 + (trials - survived) * share**2) / spread**2
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
    shares = np.diag(variance) / np.abs(np.diag(fit.variance))
    lost = [term for term, share in zip(design.terms, shares, strict=True) if not share > NO_VARIANCE]
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
