"""The same contrasts by the methods without random intercepts, and whether they tell the headline's story."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.statistics.numbers import BoolArray
from broodyear.survival.fit import fit_marginal, require_finite
from broodyear.survival.practices.coding import Factor
from broodyear.survival.practices.columns import build_columns
from broodyear.survival.practices.contrasts import Contrast, averages_of, factor_contrasts, step_contrast
from broodyear.survival.practices.model import AdjustedModel, design_of

OTHER_METHODS = ("beta_binomial", "quasi_binomial", "clustered", "exchangeable")
#: Batches are a factor where there are this many tanks for each.
TANKS_PER_BATCH = 4


@dataclass(frozen=True, eq=False)
class ByMethod:
    """contrasts: (method, contrast); refused: method -> why; note: what batch was done about."""

    contrasts: list[tuple[str, Contrast]]
    refused: dict[str, str]
    note: str


def other_methods(model: AdjustedModel, names: Sequence[str], step: str = "", level: str = "") -> ByMethod:
    """Contrasts of some factors, and of +1 of a measured covariate `step`, by the four other methods."""
    wide, note = _with_batches(model)
    found: list[tuple[str, Contrast]] = []
    refused: dict[str, str] = {}
    try:
        require_finite(wide.fit.design)
    except BroodyearError as error:
        return ByMethod([], dict.fromkeys(OTHER_METHODS, str(error)), note)
    for method in OTHER_METHODS:
        try:
            own = replace(wide, fit=fit_marginal(wide.fit.design, method))
        except BroodyearError as error:
            refused[method] = str(error)
            continue
        for name in names:
            found += [(method, one) for one in factor_contrasts(own, name, averages_of(own, name))]
        if step:
            found.append((method, step_contrast(own, step, level, len(own.rows), 0, 1.0)))
    return ByMethod(found, refused, note)


def _with_batches(model: AdjustedModel) -> tuple[AdjustedModel, str]:
    """The model's rows and columns with batch as a factor where batches are few enough; and what was done."""
    batch = model.rows["batch_id"]
    shared = (batch.map(batch.value_counts()) > 1).to_numpy()
    number = batch[shared].nunique()
    if number < 2 or TANKS_PER_BATCH * number > shared.sum():
        return _on_rows(model, np.ones(len(batch), dtype=bool), []), "Batch is not adjusted for."
    alone = int((~shared).sum())
    tail = f"; {alone} tanks alone in their batch left out" if alone else ""
    codes, levels = pd.factorize(batch[shared], sort=True)
    names = tuple(map(str, levels))
    factor = Factor("batch_id", names, codes.astype(np.int64), names, {}, pd.DataFrame(), 0, {})
    return _on_rows(model, shared, [factor]), f"Batch as a fixed factor{tail}."


def _on_rows(model: AdjustedModel, chosen: BoolArray, further: list[Factor]) -> AdjustedModel:
    rows = model.rows[chosen].reset_index(drop=True)
    factors = {name: replace(factor, codes=factor.codes[chosen]) for name, factor in model.factors.items()}
    adjusters = [replace(factor, codes=factor.codes[chosen]) for factor in model.adjusters.values()]
    numbers = {name: values[chosen] for name, values in model.numbers.items()}
    columns = build_columns(len(rows), [*adjusters, *factors.values(), *further], numbers)
    design = design_of(rows, columns, ("site_id",))
    return replace(
        model, rows=rows, factors=factors, columns=columns, numbers=numbers, fit=replace(model.fit, design=design)
    )


def spread_of(contrast: Contrast, others: Sequence[Contrast]) -> tuple[float, float, bool]:
    """Smallest and largest difference in points by any method, and whether all lie in the headline's interval."""
    points = [one.points for one in (contrast, *others) if np.isfinite(one.points)]
    inside = all(contrast.points_low <= one <= contrast.points_high for one in points)
    return (min(points), max(points), inside) if points else (np.nan, np.nan, True)
