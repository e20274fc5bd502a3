"""Contrasts of an adjusted model: levels against their reference, on the log-odds scale and in points."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from broodyear.claims import Reason
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.averaging import Average, Difference, average, difference
from broodyear.survival.practices.model import AdjustedModel


@dataclass(frozen=True, eq=False)
class Contrast(Difference):
    """One level against a reference, or one step of a measured covariate (reference blank).

    typical_points: at a site and batch in the middle of the spread. direction: over the model's coefficients.
    refused: why there is no estimate; partners: factors it cannot be told apart from, where that is why.
    """

    factor: str
    level: str
    reference: str
    tanks: int
    batches: int
    typical_points: float = np.nan
    direction: FloatArray | None = None
    refused: Reason | None = None
    partners: tuple[str, ...] = ()


def averages_of(model: AdjustedModel, name: str) -> dict[str, Average]:
    """Survival at every level of a factor whose contrast with the reference can be told, averaged over the rows
    that can be compared."""
    factor, rows = model.factors[name], model.comparable_rows(name)
    return {
        level: model.average_at(name, level, rows)
        for level in factor.levels
        if model.columns.is_estimable(model.direction(name, level, factor.reference))
    }


def factor_contrasts(model: AdjustedModel, name: str, averages: Mapping[str, Average]) -> list[Contrast]:
    """Every level of a factor that may be compared against its reference, refusals included."""
    factor = model.factors[name]
    return [_contrast(model, name, level, averages) for level in factor.compared if level != factor.reference]


def _contrast(model: AdjustedModel, name: str, level: str, averages: Mapping[str, Average]) -> Contrast:
    factor = model.factors[name]
    blank = Contrast(name, level, factor.reference, *factor.size_of(level))
    direction = model.direction(name, level, factor.reference)
    if not model.columns.is_estimable(direction):
        return replace(blank, refused=Reason.CONFOUNDED, partners=model.columns.partners(direction, name))
    if not factor.shares_batches(level):
        return replace(blank, refused=Reason.NEVER_SHARE_BATCH)
    return estimated(model, blank, direction[model.columns.kept], averages[level], averages[factor.reference])


def step_contrast(model: AdjustedModel, name: str, level: str, tanks: int, batches: int, step: float) -> Contrast:
    """The effect of raising a measured covariate by a step in every row."""
    blank = Contrast(name, level, "", tanks, batches)
    direction = np.zeros(model.columns.matrix.shape[1])
    direction[model.columns.places[name]] = step
    if not model.columns.is_estimable(direction):
        return replace(blank, refused=Reason.CONFOUNDED, partners=model.columns.partners(direction, name))
    vector, matrix, sd = direction[model.columns.kept], model.fit.design.matrix, model.fit.total_group_sd
    first, second = average(model.fit, matrix + vector, sd), average(model.fit, matrix, sd)
    return estimated(model, blank, vector, first, second)


def estimated(
    model: AdjustedModel, blank: Contrast, vector: FloatArray, first: Average, second: Average
) -> Contrast:
    """A contrast with its estimates, delta-method errors and degrees of freedom."""
    found = difference(model.fit, vector, first, second)
    typical = 100.0 * (first.typical - second.typical)
    return replace(blank, **vars(found), typical_points=typical, direction=vector)


def correlation_of(model: AdjustedModel, contrasts: Iterable[Contrast]) -> FloatArray:
    """Correlation of the estimates of some contrasts of one model (log-odds)."""
    vectors = np.array([contrast.direction for contrast in contrasts])
    covariance = vectors @ model.fit.covariance.to_numpy(dtype=float) @ vectors.T
    errors = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(errors, errors), dtype=float)
