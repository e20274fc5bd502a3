"""Rows of scores.csv of one species and stage: models by band and stock, with and without suspected dates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broodyear.claims import Reason
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut
from broodyear.development.scoring.score_cells import (
    BAND_NAMES,
    FEW_SITES,
    FEWEST_SITES,
    calibration_scores,
    days_scores,
    first_seen_scores,
    in_band,
    mean_error,
    score_cell,
    sites_of,
)
from broodyear.development.scoring.stage_data import StageData

Mask = NDArray[np.bool_]

# One batch of a stock is not told from the stock; the spread between batches comes from all stocks together.
FEWEST_BATCHES_OF_STOCK = 2
_STOCK_NOTES = {
    Reason.TOO_FEW_SITES: FEW_SITES,
    Reason.TOO_FEW_BATCHES: "one batch: a stock cannot be told from it",
}


class StageCells:
    """Scores of one species and stage; rng: of the randomised probability transforms."""

    def __init__(self, one: StageData, rng: np.random.Generator) -> None:
        self.one, self.rng = one, rng
        self._days: dict[tuple[str, str], dict[str, Any]] = {}  # a published curve predicts alike in every scheme
        self._constant: dict[tuple[bytes, bytes], float] = {}

    def rows(self, scheme: str, predicted: Mapping[str, HeldOut]) -> list[dict[str, Any]]:
        """One row per model over all temperatures; in the main scheme also by band and by stock."""
        base = predicted.get("own_constant_units")
        rows = []
        for model, held in predicted.items():
            is_fit = np.isfinite(held.predicted_day) & (held.is_tested | model.startswith("own_"))
            bands = BAND_NAMES if scheme == MAIN_SCHEME else BAND_NAMES[:1]
            rows += [self._row(model, held, base, scheme, band, is_fit) for band in bands]
            if scheme == MAIN_SCHEME:
                rows += self._stock_rows(model, held, is_fit)
        return rows

    def _row(
        self, model: str, held: HeldOut, base: HeldOut | None, scheme: str, band: str, is_fit: Mask
    ) -> dict[str, Any]:
        records = self.one.records
        is_band = in_band(records.mean_temp_c, band)
        is_in = is_band & is_fit
        cell = self._cell(model, held, band, is_in)
        note = "; ".join(part for part in (cell.pop("note"), held.note if band == "all" else "") if part)
        is_scored = bool(np.isfinite(cell["mae_days"]))
        if held is base and is_scored:
            self._constant[(is_in.tobytes(), held.predicted_day.tobytes())] = cell["mae_days"]
        outside = int((is_band & ~held.is_tested & np.isfinite(held.predicted_day)).sum())
        if not cell["tanks"] and outside:
            cell["unscored"] = str(Reason.OUTSIDE_TESTED)
        extra: dict[str, Any] = first_seen_scores(records, held, is_in) if is_scored else {}
        if is_scored and band == "all" and scheme == MAIN_SCHEME:
            extra |= self._without_suspects(held, is_in)
        return {
            **self._place(model, scheme, band),
            **cell,
            **extra,
            "blocks": held.blocks,
            "tanks_outside_tested": outside,
            "skill_vs_constant": self._skill(model, base, is_in, cell) if is_scored else np.nan,
            "note": note,
        }

    def _place(self, model: str, scheme: str, band: str, stock: str = "") -> dict[str, Any]:
        one = self.one
        return {
            "species": one.species, "stage": one.stage, "model": model, "scheme": scheme, "band": band,
            "donor_stock": stock,
        }  # fmt: skip

    def _cell(self, model: str, held: HeldOut, band: str, is_in: Mask) -> dict[str, Any]:
        known = self._days.get((model, band))
        if known is None or np.isnan(known["mae_days"]) or known["tanks"] != is_in.sum():
            cell = score_cell(self.one.records, held, is_in, self.rng)
            if not model.startswith("own_"):
                self._days[(model, band)] = cell.copy()
            return cell
        return {**known, **calibration_scores(self.one.records, held, is_in, self.rng)}

    def _skill(self, model: str, base: HeldOut | None, is_in: Mask, cell: Mapping[str, Any]) -> float:
        """1 − MAE / MAE of own constant units on the same tanks; 0 for these, NaN without them."""
        if base is None or model == "own_constant_units":
            return float("nan") if base is None else 0.0
        is_both = is_in & np.isfinite(base.predicted_day)
        if not is_both.any():
            return float("nan")
        constant = self._constant_mae(base, is_both)
        return float(1.0 - cell["mae_days"] / constant) if constant > 0 else float("nan")

    def _constant_mae(self, base: HeldOut, is_in: Mask) -> float:
        """Mean absolute error of own constant units on some tanks; each set of tanks is worked out once."""
        key = (is_in.tobytes(), base.predicted_day.tobytes())
        if key not in self._constant:
            self._constant[key] = days_scores(self.one.records, base, is_in)[0]["mae_days"]
        return self._constant[key]

    def _without_suspects(self, held: HeldOut, is_in: Mask) -> dict[str, Any]:
        """The same scores with the dates left out that are probably wrong."""
        suspects = int((self.one.is_suspect & is_in).sum())
        if not suspects:
            return {"suspects": 0}
        is_sure = is_in & ~self.one.is_suspect
        days, _ = days_scores(self.one.records, held, is_sure)
        calibration = calibration_scores(self.one.records, held, is_sure, self.rng)
        return {
            "suspects": suspects,
            "bias_without_suspects": days["bias_days"],
            "mae_without_suspects": days["mae_days"],
            "coverage_95_without_suspects": calibration["coverage_95"],
        }

    def _stock_rows(self, model: str, held: HeldOut, is_fit: Mask) -> list[dict[str, Any]]:
        """The bias for each stock, from one fit with stocks as fixed effects and the other spreads in common."""
        records = self.one.records
        stocks = records.labels.get("stock")
        if stocks is None or not is_fit.any():
            return []
        batches = {
            name: len(np.unique(records.batch[is_fit & (stocks == name)])) for name in np.unique(stocks[is_fit])
        }
        if len(batches) < 2:
            return []
        named = list(batches)
        error = mean_error(
            records, held, is_fit, (stocks[is_fit][:, None] == np.array(named)[None, :]).astype(float)
        )
        has_few_sites = sites_of(records, is_fit) < FEWEST_SITES
        rows = []
        for position, stock in enumerate(named):
            why = _untold(has_few_sites, batches[stock])
            low, high = (np.nan, np.nan) if why else error.interval(position)
            scores = {
                "bias_days": -float(error.estimate[position]),
                "bias_se": np.nan if why else error.std_error(np.eye(len(named))[position]),
                "bias_low": -high,
                "bias_high": -low,
                "p_value": np.nan if why else error.p_value(position),
                "unscored": str(why or ""),
                "note": _STOCK_NOTES.get(why, "") if why else "",
            }
            own = is_fit & (stocks == stock)
            counts = {"tanks": int(own.sum()), "batches": batches[stock], "sites": sites_of(records, own)}
            rows.append({**self._place(model, MAIN_SCHEME, "all", str(stock)), **counts, **scores})
        return rows


def _untold(has_few_sites: bool, batches: int) -> Reason | None:
    """Why nothing is said of how sure the bias for a stock is; None where something is."""
    if batches < FEWEST_BATCHES_OF_STOCK:
        return Reason.TOO_FEW_BATCHES
    return Reason.TOO_FEW_SITES if has_few_sites else None
