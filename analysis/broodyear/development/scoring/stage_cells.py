"""Rows of scores.csv of one species and stage: models by band and stock, with and without suspected dates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broodyear.claims import Reason
from broodyear.development.likelihood.crossed import CrossedMean, crossed_means
from broodyear.development.likelihood.crossed_posterior import MeanWanted
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

Mask = NDArray[np.bool_]

# One batch of a stock is not told from the stock; the spread between batches comes from all stocks together.
FEWEST_BATCHES_OF_STOCK = 2
_STOCK_NOTES = {
    Reason.TOO_FEW_SITES: FEW_SITES,
    Reason.SPREADS_UNKNOWN: UNSETTLED,
    Reason.TOO_FEW_BATCHES: "one batch: a stock cannot be told from it",
}


@dataclass(frozen=True)
class _Scored:
    """A model to score in one scheme. base: own constant units in it; is_fit: (n,) tanks it may be judged on."""

    model: str
    held: HeldOut
    base: HeldOut | None
    scheme: str
    is_fit: Mask

    @property
    def bands(self) -> tuple[str, ...]:
        """Bands of temperature that are scored by themselves, all temperatures first."""
        return BAND_NAMES if self.scheme == MAIN_SCHEME else BAND_NAMES[:1]

    def is_main(self, band: str) -> bool:
        """Whether this is the row that pages speak of."""
        return band == "all" and self.scheme == MAIN_SCHEME


class StageCells:
    """Scores of one species and stage by scheme and model; rng: of the randomised probability transforms."""

    def __init__(
        self, one: StageData, by_scheme: Mapping[str, Mapping[str, HeldOut]], rng: np.random.Generator
    ) -> None:
        self.one, self.rng = one, rng
        self.scored = [
            _Scored(model, held, predicted.get("own_constant_units"), scheme, is_fair(model, held))
            for scheme, predicted in by_scheme.items()
            for model, held in predicted.items()
        ]
        self._found: dict[tuple[bytes, ...], CrossedMean] = {}

    def held_out(self) -> dict[tuple[str, str, str, str], HeldOut]:
        """The predictions by species, stage, model and scheme."""
        return {(self.one.species, self.one.stage, one.model, one.scheme): one.held for one in self.scored}

    def wanted(self) -> dict[tuple[bytes, ...], MeanWanted]:
        """The means that its rows are made of."""
        return {key: mean for one in self.scored for key, mean in self._wanted(one)}

    def rows(self, found: Mapping[tuple[bytes, ...], CrossedMean]) -> list[dict[str, Any]]:
        """One row per scheme and model over all temperatures; in the main scheme also by band and by stock.

        found: the means that are wanted.
        """
        self._found = dict(found)
        rows = []
        for one in self.scored:
            rows += [self._row(one, band) for band in one.bands]
            rows += self._stock_rows(one) if one.scheme == MAIN_SCHEME else []
        return rows

    def _wanted(self, one: _Scored) -> Iterator[tuple[tuple[bytes, ...], MeanWanted]]:
        """The means that the rows of one model and scheme are made of."""
        records = self.one.records
        for band in one.bands:
            is_in = one.is_fit & in_band(records.mean_temp_c, band)
            if not can_be_scored(records, is_in):
                continue
            has_suspects = one.is_main(band) and (self.one.is_suspect & is_in).any()
            for is_used in (is_in, is_in & ~self.one.is_suspect) if has_suspects else (is_in,):
                yield _key(one.held, is_used), mean_error(records, one.held, is_used)
                yield _spread_key(one.held, is_used), spread_of_errors(one.held, is_used)
            if one.base is not None:
                is_both = is_in & np.isfinite(one.base.predicted_day)
                if not is_both.any():
                    continue
                yield _key(one.base, is_both), mean_error(records, one.base, is_both)
        stocks = self._stocks(one)
        if stocks:
            design = (records.labels["stock"][one.is_fit][:, None] == np.array(list(stocks))[None, :]).astype(
                float
            )
            yield (b"stocks", *_key(one.held, one.is_fit)), mean_error(records, one.held, one.is_fit, design)

    def _row(self, one: _Scored, band: str) -> dict[str, Any]:
        records, held = self.one.records, one.held
        is_band = in_band(records.mean_temp_c, band)
        is_in = is_band & one.is_fit
        cell = score_cell(records, held, is_in, self.rng, self._means(held, is_in))
        note = "; ".join(part for part in (cell.pop("note"), held.note if band == "all" else "") if part)
        is_scored = bool(np.isfinite(cell["mae_days"]))
        outside = int((is_band & ~held.is_tested & np.isfinite(held.predicted_day)).sum())
        if not cell["tanks"] and outside:
            cell["unscored"] = str(Reason.OUTSIDE_TESTED)
        extra: dict[str, Any] = first_seen_scores(records, held, is_in) if is_scored else {}
        if is_scored and one.is_main(band):
            extra |= self._without_suspects(held, is_in)
        return {
            **self._place(one.model, one.scheme, band),
            **cell,
            **extra,
            "blocks": held.blocks,
            "tanks_outside_tested": outside,
            "skill_vs_constant": self._skill(one, is_in, cell["mae_days"]) if is_scored else np.nan,
            "note": note,
        }

    def _means(self, held: HeldOut, is_used: Mask) -> tuple[CrossedMean, CrossedMean] | None:
        error, spread = (self._found.get(key(held, is_used)) for key in (_key, _spread_key))
        return None if error is None or spread is None else (error, spread)

    def _place(self, model: str, scheme: str, band: str, stock: str = "") -> dict[str, Any]:
        one = self.one
        return {
            "species": one.species, "stage": one.stage, "model": model, "scheme": scheme, "band": band,
            "donor_stock": stock,
        }  # fmt: skip

    def _skill(self, one: _Scored, is_in: Mask, mae_days: float) -> float:
        """1 − MAE / MAE of own constant units on the same tanks; 0 for these, NaN without them."""
        if one.base is None or one.base is one.held:
            return float("nan") if one.base is None else 0.0
        is_both = is_in & np.isfinite(one.base.predicted_day)
        if not is_both.any():
            return float("nan")
        constant = mean_absolute(self.one.records, one.base, is_both, self._found[_key(one.base, is_both)])
        return float(1.0 - mae_days / constant) if constant > 0 else float("nan")

    def _without_suspects(self, held: HeldOut, is_in: Mask) -> dict[str, Any]:
        """The same scores with the dates left out that are probably wrong."""
        suspects = int((self.one.is_suspect & is_in).sum())
        if not suspects:
            return {"suspects": 0}
        is_sure = is_in & ~self.one.is_suspect
        error, spread = self._found[_key(held, is_sure)], self._found[_spread_key(held, is_sure)]
        days, _ = days_scores(self.one.records, held, is_sure, error)
        calibration = calibration_scores(held, is_sure, self.rng, spread)
        return {
            "suspects": suspects,
            "bias_without_suspects": days["bias_days"],
            "mae_without_suspects": days["mae_days"],
            "coverage_95_without_suspects": calibration["coverage_95"],
        }

    def _stocks(self, one: _Scored) -> dict[str, int]:
        """Stocks with their batches, where the main scheme predicted two of them or more."""
        records, stocks = self.one.records, self.one.records.labels.get("stock")
        if one.scheme != MAIN_SCHEME or stocks is None:
            return {}
        batches = {
            str(name): len(np.unique(records.batch[one.is_fit & (stocks == name)]))
            for name in np.unique(stocks[one.is_fit])
        }
        return batches if len(batches) > 1 else {}

    def _stock_rows(self, one: _Scored) -> list[dict[str, Any]]:
        """The bias for each stock, from one fit with stocks as fixed effects and the other spreads in common."""
        records, model, is_fit = self.one.records, one.model, one.is_fit
        batches = self._stocks(one)
        if not batches:
            return []
        named, stocks = list(batches), records.labels["stock"]
        error = self._found[(b"stocks", *_key(one.held, is_fit))]
        has_few_sites, hour = sites_of(records, is_fit) < FEWEST_SITES, hour_days(records, is_fit)
        rows = []
        for position, stock in enumerate(named):
            why = _untold(has_few_sites, batches[stock], error.is_settled)
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
            own = is_fit & (stocks == stock)
            counts = {"tanks": int(own.sum()), "batches": batches[stock], "sites": sites_of(records, own)}
            rows.append({**self._place(model, MAIN_SCHEME, "all", stock), **counts, **scores})
        return rows


def scored_rows(cells: Sequence[StageCells]) -> list[list[dict[str, Any]]]:
    """The rows of each; mean errors and spreads of all are worked out together, in a fraction of the time."""
    wanted = [one.wanted() for one in cells]
    found = iter(crossed_means([mean for means in wanted for mean in means.values()]))
    return [one.rows({key: next(found) for key in means}) for one, means in zip(cells, wanted, strict=True)]


def _key(held: HeldOut, is_used: Mask) -> tuple[bytes, ...]:
    """What a mean error rests on: a published curve predicts alike in every scheme, and is scored once."""
    return is_used.tobytes(), held.predicted_day.tobytes()


def _spread_key(held: HeldOut, is_used: Mask) -> tuple[bytes, ...]:
    return is_used.tobytes(), held.lower.tobytes(), held.log_sd.tobytes()


def _untold(has_few_sites: bool, batches: int, is_settled: bool) -> Reason | None:
    """Why nothing is said of how sure the bias for a stock is; None where something is."""
    if batches < FEWEST_BATCHES_OF_STOCK:
        return Reason.TOO_FEW_BATCHES
    if has_few_sites:
        return Reason.TOO_FEW_SITES
    return None if is_settled else Reason.SPREADS_UNKNOWN
