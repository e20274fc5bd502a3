"""Whether donor stocks differ: how far one model is off for one of them and for another, on the same scale.

No curve is right for two stocks that differ. A difference is told only between stocks that are more than their
batches and that were kept in the same regions, directly or through others: else it may be the batch's or region's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Reason, clear_or_not
from broodyear.development.arrays import Masks, Texts
from broodyear.development.likelihood.crossed import Work
from broodyear.development.likelihood.tank_records import NOT_RECORDED
from broodyear.development.scoring.cross_validation import HeldOut, is_fair, is_own
from broodyear.development.scoring.score_cells import (
    FEWEST_BATCHES_OF_STOCK,
    FEWEST_SITES,
    Rows,
    bias_of,
    mean_error,
    sites_of,
)
from broodyear.development.scoring.stage_data import StageData
from broodyear.statistics.multiplicity import holm
from broodyear.statistics.numbers import connected_parts

STOCK_COLUMNS = (
    "species", "stage", "model", "donor_stock", "other_stock", "tanks", "batches", "other_tanks", "other_batches",
    "later_days", "later_low", "later_high", "p_value", "p_family", "comparisons", "reason",
)  # fmt: skip
_LIMITS = {"later_days": "bias_days", "later_low": "bias_low", "later_high": "bias_high", "p_value": "p_value"}


def stock_pairs(one: StageData, *models: tuple[str, HeldOut]) -> Work[Rows]:
    """STOCK_COLUMNS, one row per two donor stocks of a species and stage, from one fit with stocks as fixed
    effects and batch and site as crossed groups.

    models: those shown; the first that was not fitted here is asked, for its constants know of no stock.
    later_days: by how much later the model is for donor_stock than for other_stock, so that eggs of the former
    came that much sooner at the same temperatures; the hour of looking cancels. p_family: over the pairs (Holm).
    Blank where the two cannot be told apart from their batches or regions, or nothing can be estimated.
    """
    if not models or "stock" not in one.records.labels:
        return []
    model, held = next((each for each in models if not is_own(each[0])), models[0])
    is_in = is_fair(model, held) & (one.records.labels["stock"] != NOT_RECORDED)
    stocks = one.records.labels["stock"][is_in]
    named = np.unique(stocks)
    if len(named) < 2:
        return []
    pairs = list(combinations(range(len(named)), 2))
    unasked = _unasked(one, is_in, stocks, named, pairs)
    key = {"species": one.species, "stage": one.stage, "model": model}
    rows = [{**key, **_counted(one, is_in, stocks, named[list(pair)])} for pair in pairs]
    asked = [number for number, why in enumerate(unasked) if not why]
    found: Mapping[int, dict[str, Any]] = {}
    if asked:
        (first, second), each = np.array([pairs[number] for number in asked]).T, np.eye(len(named))
        design = (stocks[:, None] == named[None, :]).astype(float)
        (error,) = yield [replace(mean_error(one.records, held, is_in, design), sums=each[first] - each[second])]
        found = {number: bias_of(error, position) for position, number in enumerate(asked)}
    return _decided(rows, unasked, found)


def _decided(rows: Rows, unasked: Sequence[str], found: Mapping[int, dict[str, Any]]) -> Rows:
    """The rows with differences, their p over all pairs, and why each is or is not told."""
    blank = dict.fromkeys(_LIMITS.values(), np.nan)
    p_family = holm([found.get(number, blank)["p_value"] for number in range(len(rows))])
    comparisons = int(np.isfinite(p_family).sum())
    decided = []
    for number, (row, why) in enumerate(zip(rows, unasked, strict=True)):
        limits = {name: found.get(number, blank)[source] for name, source in _LIMITS.items()}
        p = float(p_family[number])
        family = {"p_family": p, "comparisons": comparisons, "reason": why or str(clear_or_not(p))}
        decided.append(_sooner_first({**row, **limits, **family}))
    return decided


def _sooner_first(row: dict[str, Any]) -> dict[str, Any]:
    """The row with the stock first whose eggs came sooner."""
    if not row["later_days"] < 0.0:
        return row
    sides = (("donor_stock", "other_stock"), ("tanks", "other_tanks"), ("batches", "other_batches"))
    turned = {name: row[other] for one, two in sides for name, other in ((one, two), (two, one))}
    ends = {"later_days": -row["later_days"], "later_low": -row["later_high"], "later_high": -row["later_low"]}
    return {**row, **turned, **ends}


def _counted(one: StageData, is_in: Masks, stocks: Texts, pair: Texts) -> dict[str, Any]:
    """Both stocks of a pair with their tanks and batches."""
    batch = one.records.batch[is_in]
    counts: dict[str, int] = {}
    for stock, prefix in zip(pair, ("", "other_"), strict=True):
        own = batch[stocks == stock]
        counts |= {f"{prefix}tanks": len(own), f"{prefix}batches": len(np.unique(own))}
    return {"donor_stock": str(pair[0]), "other_stock": str(pair[1]), **counts}


def _unasked(
    one: StageData, is_in: Masks, stocks: Texts, named: Texts, pairs: Sequence[tuple[int, int]]
) -> list[str]:
    """Why the two stocks of each pair cannot be told apart, blank where they can: a stock of a single batch is
    that batch, stocks that met in no region, directly or through others, may be the regions."""
    if sites_of(one.records, is_in) < FEWEST_SITES:
        return [str(Reason.TOO_FEW_SITES)] * len(pairs)
    batch, code = one.records.batch[is_in], np.searchsorted(named, stocks)
    batches = [len(np.unique(batch[code == number])) for number in range(len(named))]
    part = np.zeros(len(named), dtype=np.int64)
    if "region" in one.rows:
        region, regions = pd.factorize(one.rows["region"][is_in].astype(object).fillna(NOT_RECORDED))
        part = connected_parts(code, region, len(named), len(regions))
    return [
        str(Reason.CONFOUNDED)
        if min(batches[first], batches[second]) < FEWEST_BATCHES_OF_STOCK or part[first] != part[second]
        else ""
        for first, second in pairs
    ]
