"""Regions by tanks that share a batch: what stays of a difference when each batch is compared with itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.practices.coding import Factor
from broodyear.survival.practices.columns import build_columns
from broodyear.survival.practices.model import AdjustedModel
from broodyear.survival.practices.within import batch_means
from broodyear.survival.practices.working import Estimates

REGION = "region"


class WithinMethod(StrEnum):
    """How batches were held fixed: by their regional shares, or, where those cannot be fitted, each by itself."""

    BATCH_SHARES = "batch_shares"
    BATCH_FIXED = "batch_fixed"


@dataclass(frozen=True, eq=False)
class WithinBatches:
    """Regions within batches on the logit scale, the first region of the factor at zero.

    log_odds, covariance: of the regions in the order given, the reference first; degrees: of a contrast of these.
    """

    log_odds: FloatArray
    covariance: FloatArray
    degrees: Callable[[FloatArray], float]
    method: WithinMethod


def within_answer(model: AdjustedModel, regions: list[str]) -> WithinBatches:
    """The within-batch answer of a model with the factor region, for regions whose difference can be told.

    Batch shares of regions beside the regions leave these to comparisons within batches (Mundlak 1978, doi
    10.2307/1913646). With few batches the shares cannot be told apart from the rest, and every batch has its own
    intercept instead; its answer is the same kind of comparison, with fewer degrees of freedom.
    """
    factor = model.factors[REGION]
    if "batch_id" not in model.groups:
        return _answer(model, regions, model.working.plain, WithinMethod.BATCH_FIXED)
    wider = model.working.with_columns(batch_means(model.rows["batch_id"], factor.columns))
    if wider is not None:
        return _answer(model, regions, wider, WithinMethod.BATCH_SHARES)
    fixed = model.working.with_columns(_batch_columns(model))
    return _answer(model, regions, fixed or model.working.plain, WithinMethod.BATCH_FIXED)


def _batch_columns(model: AdjustedModel) -> FloatArray:
    """Columns of single batches that the model's own columns do not make up."""
    codes, levels = pd.factorize(model.rows["batch_id"], sort=True)
    names = tuple(map(str, levels))
    batch = Factor("batch_id", names, codes.astype(np.int64), names, {}, pd.DataFrame(), 0, {})
    own = build_columns(
        len(model.rows), [*model.adjusters.values(), *model.factors.values(), batch], model.numbers
    )
    span = own.places["batch_id"]
    chosen = own.kept[own.kept >= span.start]
    return np.asarray(own.matrix[:, chosen], dtype=float)


def _answer(model: AdjustedModel, regions: list[str], wider: Estimates, method: WithinMethod) -> WithinBatches:
    factor, place = model.factors[REGION], model.columns.places[REGION]
    plain = model.working.plain
    width, size = len(wider.coefficients), len(plain.coefficients)
    kept = model.columns.kept
    rows = np.zeros((len(regions), width))
    for spot, region in enumerate(regions):
        whole = np.zeros(model.columns.matrix.shape[1])
        whole[place] = factor.dummies[factor.levels.index(region)]
        rows[spot, :size] = whole[kept]
    shift = wider.coefficients[:size] - plain.coefficients
    return WithinBatches(
        log_odds=rows[:, :size] @ (model.fit.coefficients + shift),
        covariance=rows @ wider.covariance @ rows.T,
        degrees=lambda contrast: wider.degrees(contrast @ rows),
        method=method,
    )
