"""Rows of scores.csv of one species and stage: models by band and stock, with and without suspected dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodyear.claims import Reason
from broodyear.development.arrays import Masks
from broodyear.development.likelihood.crossed import CrossedMean, Work
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut, is_fair
from broodyear.development.scoring.score_cells import (
    BAND_NAMES,
    FEW_SITES,
    FEWEST_SITES,
    UNSETTLED,
    calibration_scores,
    can_be_scored,
    days_scores,
    first_seen_scores,
    hour_days,
    in_band,
    mean_absolute,
    mean_error,
    score_cell,
    sites_of,
    spread_of_errors,
)
from broodyear.development.scoring.stage_data import StageData

Rows = list[dict[str, Any]]

# One batch of a stock is not told from the stock; the spread between batches comes from all stocks together.
FEWEST_BATCHES_OF_STOCK = 2
_STOCK_NOTES = {
    Reason.TOO_FEW_SITES: FEW_SITES,
    Reason.SPREADS_UNKNOWN: UNSETTLED,
    Reason.TOO_FEW_BATCHES: "one batch: a stock cannot be told from it",
}


@dataclass(frozen=True)
class _Scored:
    """A model of a stage to score in one scheme. base: own constant units in it, if fitted; is_fit: (n,) tanks it
    may be judged on; rng: of the randomised probability transforms."""

    stage: StageData
    model: str
    scheme: str
    held: HeldOut
    base: HeldOut | None
    is_fit: Masks
    rng: np.random.Generator

    def place(self, band: str, stock: str = "") -> dict[str, Any]:
        """Whose scores a row holds."""
        return {
            "species": self.stage.species, "stage": self.stage.stage, "model": self.model, "scheme": self.scheme,
            "band": band, "donor_stock": stock,
        }  # fmt: skip


def rows_wanted(
    stage: StageData, by_scheme: Mapping[str, Mapping[str, HeldOut]], rng: np.random.Generator
) -> list[Work[Rows]]:
    """The rows of one species and stage: one per scheme and model over all temperatures; in the main scheme also
    by band and by stock.

    by_scheme: predictions by scheme and model.
    """
    works = []
    for scheme, predicted in by_scheme.items():
        for model, held in predicted.items():
            base = predicted.get("own_constant_units")
            one = _Scored(stage, model, scheme, held, base, is_fair(model, held), rng)
            works += [_row(one, band) for band in (BAND_NAMES if scheme == MAIN_SCHEME else BAND_NAMES[:1])]
            works += [_stock_rows(one)] if scheme == MAIN_SCHEME else []
    return works


def _row(one: _Scored, band: str) -> Work[Rows]:
    """The row of a band of temperature, or of all; that of all in the main scheme is the one pages speak of."""
    records, held, base = one.stage.records, one.held, one.base
    is_band = in_band(records.mean_temp_c, band)
    is_in = is_band & one.is_fit
    is_main = band == "all" and one.scheme == MAIN_SCHEME
    is_sure = is_in & ~one.stage.is_suspect
    is_both = is_in if base is None else is_in & np.isfinite(base.predicted_day)
    wanted = {}
    if can_be_scored(records, is_in):
        wanted = {"error": mean_error(records, held, is_in), "spread": spread_of_errors(held, is_in)}
        if is_main and (is_sure != is_in).any():
            sure = mean_error(records, held, is_sure), spread_of_errors(held, is_sure)
            wanted |= dict(zip(("sure_error", "sure_spread"), sure, strict=True))
        if base is not None and is_both.any():
            wanted["base"] = mean_error(records, base, is_both)
    found = dict(zip(wanted, (yield list(wanted.values())), strict=True))
    cell = score_cell(records, held, is_in, one.rng, (found["error"], found["spread"]) if found else None)
    note = "; ".join(part for part in (cell.pop("note"), held.note if band == "all" else "") if part)
    outside = int((is_band & ~held.is_tested & np.isfinite(held.predicted_day)).sum())
    if not cell["tanks"] and outside:
        cell["unscored"] = str(Reason.OUTSIDE_TESTED)
    extra: dict[str, Any] = {"skill_vs_constant": np.nan}
    if np.isfinite(cell["mae_days"]):
        extra = first_seen_scores(records, held, is_in)
        extra |= _without_suspects(one, is_in, is_sure, found) if is_main else {}
        extra["skill_vs_constant"] = _skill(one, cell["mae_days"], is_both, found.get("base"))
    return [
        {**one.place(band), **cell, **extra, "blocks": held.blocks, "tanks_outside_tested": outside, "note": note}
    ]


def _skill(one: _Scored, mae_days: float, is_both: Masks, base: CrossedMean | None) -> float:
    """1 − MAE / MAE of own constant units on the same tanks; 0 for these, NaN without them."""
    if one.base is one.held:
        return 0.0
    if one.base is None or base is None:
        return float("nan")
    constant = mean_absolute(one.stage.records, one.base, is_both, base)
    return float(1.0 - mae_days / constant) if constant > 0 else float("nan")


def _without_suspects(
    one: _Scored, is_in: Masks, is_sure: Masks, found: Mapping[str, CrossedMean]
) -> dict[str, Any]:
    """The same scores with the dates left out that are probably wrong."""
    suspects = int((is_in & ~is_sure).sum())
    if not suspects:
        return {"suspects": 0}
    days, _ = days_scores(one.stage.records, one.held, is_sure, found["sure_error"])
    calibration = calibration_scores(one.held, is_sure, one.rng, found["sure_spread"])
    return {
        "suspects": suspects,
        "bias_without_suspects": days["bias_days"],
        "mae_without_suspects": days["mae_days"],
        "coverage_95_without_suspects": calibration["coverage_95"],
    }


def _stock_rows(one: _Scored) -> Work[Rows]:
    """The bias for each stock where two were predicted or more, from one fit with stocks as fixed effects and the
    other spreads in common."""
    records, is_fit = one.stage.records, one.is_fit
    stocks = records.labels.get("stock", np.array([], dtype=str))
    named = np.unique(stocks[is_fit]) if len(stocks) else stocks
    if len(named) < 2:
        return []
    design = (stocks[is_fit][:, None] == named[None, :]).astype(float)
    (error,) = yield [mean_error(records, one.held, is_fit, design)]
    has_few_sites, hour = sites_of(records, is_fit) < FEWEST_SITES, hour_days(records, is_fit)
    rows = []
    for position, stock in enumerate(named):
        own = is_fit & (stocks == stock)
        batches = len(np.unique(records.batch[own]))
        why = _untold(has_few_sites, batches, error.is_settled)
        low, high = (np.nan, np.nan) if why else error.interval(position)
        scores = {
            "bias_days": -float(error.estimate[position]),
            "bias_se": np.nan if why else error.std_error(position),
            "bias_low": -high,
            "bias_high": -low,
            "p_value": np.nan if why else error.p_value(position, hour),
            "hour_days": hour,
            "unscored": str(why or ""),
            "note": _STOCK_NOTES.get(why, "") if why else "",
        }
        counts = {"tanks": int(own.sum()), "batches": batches, "sites": sites_of(records, own)}
        rows.append({**one.place("all", str(stock)), **counts, **scores})
    return rows


def _untold(has_few_sites: bool, batches: int, is_settled: bool) -> Reason | None:
    """Why nothing is said of how sure the bias for a stock is; None where something is."""
    if batches < FEWEST_BATCHES_OF_STOCK:
        return Reason.TOO_FEW_BATCHES
    if has_few_sites:
        return Reason.TOO_FEW_SITES
    return None if is_settled else Reason.SPREADS_UNKNOWN
