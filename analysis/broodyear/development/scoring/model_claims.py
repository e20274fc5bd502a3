"""What the scores show, as claims: which models are biased, which predict better, and whether readings are to
blame.

Every model is judged over all temperatures, by band and by donor stock, from its rows of scores.csv. Families,
each adjusted by Holm: the models of one species and stage over all temperatures; the bands of one model; its
stocks. What the unknown hour of looking can do is no finding: a bias must differ from all between −hour_days and
0, and one model be better than another whether the looks were early or late in their days. Between tanks read by
hand and by logger the hour cancels.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import (
    CLAIMED_AT,
    Claim,
    ClaimKind,
    Decision,
    Reason,
    claims_from,
    clear_or_not,
    excludes_zero,
)
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.scoring.comparisons import HAND_LESS_LOGGER
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, is_own
from broodyear.statistics.multiplicity import holm

# Single families differ by about ±10 % (Debowski et al. 2006), a week of the time to hatch; batches pool many.
FARTHEST_BATCH_DAYS = 7.0
ANSWER, WHERE, BETTER = "answer", "where", "better"
#: One row of a table: a tenth of the time of as many series.
Row = dict[Any, Any]
#: Where the rows of scores and of thermometers have what a claim calls otherwise; those of comparisons and sites.
_BIAS = {"subject": "model", "estimate": "bias_days", "low": "bias_low", "high": "bias_high"}
_GAIN = {"subject": "model", "reference": "against", "estimate": "gain", "low": "low", "high": "high"}
_OFFSET = {
    "subject": "site_id", "reference": "model", "estimate": "offset_days", "low": "offset_low",
    "high": "offset_high",
}  # fmt: skip

_LATER = {
    "subject": "donor_stock", "reference": "other_stock", "estimate": "later_days", "low": "later_low",
    "high": "later_high",
}  # fmt: skip


def development_claims(
    scores: pd.DataFrame,
    comparisons: pd.DataFrame,
    thermometers: pd.DataFrame,
    site_offsets: pd.DataFrame,
    stocks: pd.DataFrame,
) -> tuple[Claim, ...]:
    """Claims from scores, paired comparisons, thermometers and stocks, species by species and stage by stage."""
    frames = (scores, comparisons, thermometers, site_offsets, stocks)
    whole, pairs, readers, offsets, of_stocks = (_by_stage(one) for one in frames)
    claims: list[Claim] = []
    for key, rows in sorted(whole.items()):
        level = f"{key[0]} {key[1]}"
        for kind, found, columns in (
            (ClaimKind.MODEL_BIASED, _biases(level, [row for row in rows if row["scheme"] == MAIN_SCHEME]), _BIAS),
            (ClaimKind.MODEL_BETTER, _better(pairs.get(key, [])), _GAIN),
            (ClaimKind.THERMOMETER, _thermometers(readers.get(key, [])), _BIAS),
            (ClaimKind.THERMOMETER, _sites(offsets.get(key, [])), _OFFSET),
            (ClaimKind.STOCKS_DIFFER, _stocks(of_stocks.get(key, [])), _LATER),
        ):
            stated = pd.DataFrame([{"level": level, **row} for row in found])
            claims += claims_from(stated, columns, kind=kind, unit="days")
    return tuple(claims)


def off_in_part(claims: Iterable[Claim]) -> int:
    """How many models are off in a band or for a stock, and not shown to be over all temperatures."""
    biases = [claim for claim in claims if claim.kind is ClaimKind.MODEL_BIASED]
    stages = {(claim.subject, " ".join(claim.level.split(" ")[:2])) for claim in biases if claim.section == WHERE}
    whole = [claim for claim in biases if claim.section == ANSWER and claim.decision is Decision.NOT_CLAIMED]
    return len(stages & {(claim.subject, claim.level) for claim in whole})


def pairs_compared(claims: Iterable[Claim], comparisons: pd.DataFrame) -> dict[str, int]:
    """all: pairs of models that could be compared; alone: those that would be clear, had they alone been."""
    pairs = [claim for claim in claims if claim.kind is ClaimKind.MODEL_BETTER]
    alone = int(comparisons["is_told_apart"].sum()) - sum(pair.is_claimed for pair in pairs)
    return {"all": sum(not math.isnan(pair.p_value) for pair in pairs), "alone": max(alone, 0)}


def sites_read(thermometers: pd.DataFrame) -> dict[str, int]:
    """At how many sites tanks were read by a logger and by hand, at most over stages and models."""
    most = thermometers.groupby("read_by")["sites"].max().fillna(0)
    return {reader: int(most.get(reader, 0)) for reader in ("logger", "hand")}


def _by_stage(frame: pd.DataFrame) -> dict[tuple[str, str], list[Row]]:
    """The rows of each species and stage; a blank stock, of all stocks, is none."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in frame.to_dict("records"):
        stock = row.get("donor_stock")
        found.setdefault((row["species"], row["stage"]), []).append(
            {**row, "donor_stock": stock if isinstance(stock, str) else ""}
        )
    return found


def _family(rows: Sequence[Row]) -> list[Row]:
    """Some rows with their p values adjusted together, and how many are known."""
    p_values = np.array([row["p_value"] for row in rows], dtype=float)
    known, adjusted = int(np.isfinite(p_values).sum()), holm(p_values)
    return [{**row, "p_family": p, "comparisons": known} for row, p in zip(rows, adjusted.tolist(), strict=True)]


def _biases(level: str, rows: Sequence[Row]) -> list[Row]:
    """The bias of every model over all temperatures, then by band and by stock."""
    of_all = [row for row in rows if row["band"] == "all" and not row["donor_stock"]]
    of_all = [row for row in of_all if row["unscored"] != Reason.NOT_CONVERGED]
    counted = _family([row for row in of_all if not is_own(row["model"])])
    in_family = {row["model"]: row for row in counted}
    uncounted = {"p_family": math.nan, "comparisons": counted[0]["comparisons"] if counted else 0}
    claims = []
    for row in of_all:
        of_model = [one for one in rows if one["model"] == row["model"]]
        bands = _parts(level, [one for one in of_model if one["band"] != "all" and not one["donor_stock"]], "band")
        stocks = _parts(level, [one for one in of_model if one["donor_stock"]], "donor_stock")
        judged = in_family.get(row["model"], {**row, **uncounted})
        reason = Reason.STOCKS_DIFFER if _is_opposed(stocks) else _reason(judged)
        claims += [
            {**judged, "reason": reason, "section": "" if is_own(row["model"]) else ANSWER},
            *bands,
            *stocks,
        ]
    return claims


def _parts(level: str, rows: Sequence[Row], column: str) -> list[Row]:
    """Claims on one model's bands or stocks, a family by themselves; only those that are clear are stated."""
    some = [row for row in rows if row["tanks"] > 0 or row["tanks_outside_tested"] > 0]
    judged = [{**row, "level": f"{level} {row[column]}", "reason": _reason(row)} for row in _family(some)]
    return [{**row, "section": WHERE if row["reason"] is Reason.CLEAR else ""} for row in judged]


def _is_opposed(stocks: Iterable[Row]) -> bool:
    """Whether a model is late for one stock and early for another: clearly so, or by more than any batch is."""
    far = [one for one in stocks if one["reason"] is Reason.CLEAR or abs(one["bias_days"]) > FARTHEST_BATCH_DAYS]
    signs = {np.sign(one["bias_days"]) for one in far}
    return {-1.0, 1.0} <= signs


def _reason(row: Row) -> Reason:
    if is_own(row["model"]):
        return Reason.OWN_FIT
    if row["unscored"]:
        return Reason(row["unscored"])
    is_hour = row["bias_high"] < 0.0 and row["p_value"] > CLAIMED_AT
    return Reason.HOUR_OF_LOOKING if is_hour else clear_or_not(row["p_family"])


def _better(rows: Sequence[Row]) -> list[Row]:
    """Which of two models misses by fewer days on the same tanks; a family of all pairs of the stage.

    The subject of each claim is the one that misses by less, whichever of the two the row names first.
    """
    claims = []
    for row in _family(rows):
        gain, low, high = (row[name] for name in ("mae_gain_days", "mae_gain_low", "mae_gain_high"))
        reason = Reason.TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else clear_or_not(row["p_family"])
        if excludes_zero(low, high) and row["p_value"] > CLAIMED_AT:
            reason = Reason.HOUR_OF_LOOKING
        found = {**row, "gain": gain, "low": low, "high": high}
        if gain < 0.0:
            found |= {"model": row["against"], "against": row["model"], "gain": -gain, "low": -high, "high": -low}
        claims.append({**found, "reason": reason, "section": BETTER if reason is Reason.CLEAR else ""})
    return claims


def _sites(rows: Sequence[Row]) -> list[Row]:
    """Which sites are predicted otherwise than the others, as an own thermometer makes it: a family."""
    judged = sum(not math.isnan(row["p_family"]) for row in rows)
    claims = []
    for row in rows:
        p_family = row["p_family"]
        reason = Reason.TOO_FEW_TANKS if math.isnan(p_family) else clear_or_not(p_family)
        section = ANSWER if reason is Reason.CLEAR else ""
        claims.append({**row, "reason": reason, "comparisons": judged, "section": section})
    return claims


def _stocks(rows: Sequence[Row]) -> list[Row]:
    """Which two donor stocks differ, the one first whose eggs came sooner; stated where it is clear, and where it
    cannot be told for their batches or regions."""
    told = {str(Reason.CLEAR), str(Reason.CONFOUNDED)}
    return [{**row, "section": WHERE if row["reason"] in told else ""} for row in rows]


def _thermometers(rows: Sequence[Row]) -> list[Row]:
    """Whether hand-read tanks differ from logger-read ones: the thermometers, not the model, are off then.

    The models of a stage, which ask it of the same tanks, are a family.
    """
    found = {row["model"]: row for row in _family([row for row in rows if row["read_by"] == HAND_LESS_LOGGER])}
    blank = dict.fromkeys(("bias_days", "bias_low", "bias_high", "p_value", "p_family"), math.nan)
    claims = []
    for model in dict.fromkeys(row["model"] for row in rows):
        row = min((row for row in rows if row["model"] == model), key=lambda one: one["tanks"])
        if model in found:
            row, reason = found[model], clear_or_not(found[model]["p_family"])
        elif not row["tanks"]:
            row, reason = row | blank, Reason.ONE_LEVEL
        else:
            is_few = row["batches"] < FEWEST_BATCHES
            row, reason = row | blank, Reason.TOO_FEW_BATCHES if is_few else Reason.TOO_FEW_SITES
        claims.append({"comparisons": 0, **row, "reason": reason, "section": ANSWER})
    return claims
