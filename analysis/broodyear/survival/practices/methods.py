"""The same contrasts by the methods without random intercepts, and whether they tell the headline's story."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from broodyear.errors import BroodyearError
from broodyear.survival.fit import fit_design
from broodyear.survival.methods.separation import refuse_separation
from broodyear.survival.practices.coding import batch_factor
from broodyear.survival.practices.findings import Contrast, factor_contrasts
from broodyear.survival.practices.model import AdjustedModel, build_columns, design_of

OTHER_METHODS = ("beta_binomial", "quasi_binomial", "clustered", "exchangeable")
#: Batches are a factor where there are this many tanks for each.
TANKS_PER_BATCH = 4


@dataclass(frozen=True, eq=False)
class ByMethod:
    """contrasts: (method, contrast); refused: method -> why; note: what batch was done about."""

    contrasts: list[tuple[str, Contrast]]
    refused: dict[str, str]
    note: str


def other_methods(model: AdjustedModel, names: Sequence[str]) -> ByMethod:
    """Contrasts of some factors by the four other methods."""
    wide, note = _with_batches(model)
    found = ByMethod([], {}, note)
    try:
        refuse_separation(wide.fit.design)
    except BroodyearError as error:
        return replace(found, refused=dict.fromkeys(OTHER_METHODS, str(error)))
    for method in OTHER_METHODS:
        try:
            own = replace(wide, fit=fit_design(wide.fit.design, method))
        except BroodyearError as error:
            found.refused[method] = str(error)
            continue
        told = [one for name in names for one in factor_contrasts(own, name, own.averages_of(name))]
        found.contrasts.extend((method, one) for one in told)
    return found


def _with_batches(model: AdjustedModel) -> tuple[AdjustedModel, str]:
    """The model's rows and columns with batch as a factor where batches are few enough; and what was done."""
    batch = model.rows["batch_id"]
    chosen = (batch.map(batch.value_counts()) > 1).to_numpy()
    number, alone = batch[chosen].nunique(), int((~chosen).sum())
    tail = f"; {alone} tanks alone in their batch left out" if alone else ""
    further, note = [batch_factor(batch[chosen])], f"Batch as a fixed factor{tail}."
    if number < 2 or TANKS_PER_BATCH * number > chosen.sum():
        chosen, further, note = np.ones(len(batch), dtype=bool), [], "Batch is not adjusted for."
    rows = model.rows[chosen].reset_index(drop=True)
    factors, adjusters = (
        {name: replace(factor, codes=factor.codes[chosen]) for name, factor in those.items()}
        for those in (model.factors, model.adjusters)
    )
    numbers = {name: values[chosen] for name, values in model.numbers.items()}
    columns = build_columns(len(rows), [*adjusters.values(), *factors.values(), *further], numbers)
    fit = replace(model.fit, design=design_of(rows, columns, ("site_id",)))
    wide = replace(model, rows=rows, factors=factors, columns=columns, numbers=numbers, fit=fit)
    return wide, note


def spread_of(contrast: Contrast, others: Sequence[Contrast]) -> tuple[float, float, bool]:
    """Smallest and largest difference in points by any method, and whether all lie in the headline's interval."""
    points = [one.points for one in (contrast, *others) if np.isfinite(one.points)]
    inside = all(contrast.points_low <= one <= contrast.points_high for one in points)
    return (min(points), max(points), inside) if points else (np.nan, np.nan, True)
