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
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import CLAIMED_AT, Claim, ClaimKind, Reason, clear_or_not, excludes_zero
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, is_own
from broodyear.development.scoring.thermometers import HAND_LESS_LOGGER
from broodyear.statistics.multiplicity import holm

# Single families differ by about ±10 % (Debowski et al. 2006), a week of the time to hatch; batches pool many.
FARTHEST_BATCH_DAYS = 7.0
ANSWER, WHERE, BETTER = "answer", "where", "better"
#: One row of a table: a tenth of the time of as many series.
Row = Mapping[Any, Any]


def development_claims(
    scores: pd.DataFrame, comparisons: pd.DataFrame, thermometers: pd.DataFrame, site_offsets: pd.DataFrame
) -> tuple[Claim, ...]:
    """Claims from scores, paired comparisons and thermometers, species by species and stage by stage."""
    frames = (scores, comparisons, thermometers, site_offsets)
    whole, pairs, readers, offsets = (_by_stage(one) for one in frames)
    claims: list[Claim] = []
    for key, rows in sorted(whole.items()):
        level = f"{key[0]} {key[1]}"
        claims += _biases(level, [row for row in rows if row["scheme"] == MAIN_SCHEME])
        claims += _better(level, pairs.get(key, []))
        claims += _thermometers(level, readers.get(key, []))
        claims += _sites(level, offsets.get(key, []))
    return tuple(claims)


def _by_stage(frame: pd.DataFrame) -> dict[tuple[str, str], list[Row]]:
    """The rows of each species and stage; a blank stock, of all stocks, is none."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in frame.to_dict("records"):
        stock = row.get("donor_stock")
        found.setdefault((row["species"], row["stage"]), []).append(
            {**row, "donor_stock": stock if isinstance(stock, str) else ""}
        )
    return found


def _family(rows: Sequence[Row]) -> tuple[list[float], int]:
    """The p values of some rows adjusted together, and how many are known."""
    p_values = np.array([row["p_value"] for row in rows], dtype=float)
    return holm(p_values).tolist(), int(np.isfinite(p_values).sum())


def _biases(level: str, rows: Sequence[Row]) -> list[Claim]:
    """The bias of every model over all temperatures, then by band and by stock."""
    of_all = [row for row in rows if row["band"] == "all" and not row["donor_stock"]]
    of_all = [row for row in of_all if row["unscored"] != Reason.NOT_CONVERGED]
    counted = [row for row in of_all if not is_own(row["model"])]
    adjusted, known = _family(counted)
    in_family = {row["model"]: p_family for row, p_family in zip(counted, adjusted, strict=True)}
    claims = []
    for row in of_all:
        of_model = [one for one in rows if one["model"] == row["model"]]
        bands = _parts(level, [one for one in of_model if one["band"] != "all" and not one["donor_stock"]], "band")
        stocks = _parts(level, [one for one in of_model if one["donor_stock"]], "donor_stock")
        p_family = in_family.get(row["model"], float("nan"))
        reason = Reason.STOCKS_DIFFER if _is_opposed(stocks) else _reason(row, p_family)
        section = ANSWER if not is_own(row["model"]) else ""
        claims += [_bias(row, level, reason, p_family, known, section), *bands, *stocks]
    return claims


def _parts(level: str, rows: Sequence[Row], column: str) -> list[Claim]:
    """Claims on one model's bands or stocks, a family by themselves; only those that are clear are stated."""
    rows = [row for row in rows if row["tanks"] > 0 or row["tanks_outside_tested"] > 0]
    adjusted, known = _family(rows)
    claims = []
    for row, p_family in zip(rows, adjusted, strict=True):
        reason = _reason(row, p_family)
        section = WHERE if reason is Reason.CLEAR else ""
        claims.append(_bias(row, f"{level} {row[column]}", reason, p_family, known, section))
    return claims


def _is_opposed(stocks: Iterable[Claim]) -> bool:
    """Whether a model is late for one stock and early for another: clearly so, or by more than any batch is."""
    far = [one for one in stocks if one.is_claimed or abs(one.estimate) > FARTHEST_BATCH_DAYS]
    signs = {np.sign(claim.estimate) for claim in far}
    return {-1.0, 1.0} <= signs


def _reason(row: Row, p_family: float) -> Reason:
    if is_own(row["model"]):
        return Reason.OWN_FIT
    if row["unscored"]:
        return Reason(row["unscored"])
    is_hour = row["bias_high"] < 0.0 and row["p_value"] > CLAIMED_AT
    return Reason.HOUR_OF_LOOKING if is_hour else clear_or_not(float(p_family))


def _bias(row: Row, level: str, reason: Reason, p_family: float, comparisons: int, section: str) -> Claim:
    return Claim(
        ClaimKind.MODEL_BIASED,
        str(row["model"]),
        reason,
        level=level,
        estimate=float(row["bias_days"]),
        low=float(row["bias_low"]),
        high=float(row["bias_high"]),
        unit="days",
        p_value=float(row["p_value"]),
        p_family=float(p_family),
        comparisons=comparisons,
        section=section,
    )


def _better(level: str, rows: Sequence[Row]) -> list[Claim]:
    """Which of two models misses by fewer days on the same tanks; a family of all pairs of the stage.

    The subject of each claim is the one that misses by less, whichever of the two the row names first.
    """
    adjusted, known = _family(rows)
    claims = []
    for row, p_family in zip(rows, adjusted, strict=True):
        gain, low, high = (float(row[name]) for name in ("mae_gain_days", "mae_gain_low", "mae_gain_high"))
        reason = Reason.TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else clear_or_not(p_family)
        if excludes_zero(low, high) and row["p_value"] > CLAIMED_AT:
            reason = Reason.HOUR_OF_LOOKING
        better, other = row["model"], row["against"]
        if gain < 0.0:
            better, other, gain, low, high = other, better, -gain, -high, -low
        claims.append(
            Claim(
                ClaimKind.MODEL_BETTER,
                better,
                reason,
                level=level,
                reference=other,
                estimate=gain,
                low=low,
                high=high,
                unit="days",
                p_value=float(row["p_value"]),
                p_family=p_family,
                comparisons=known,
                section=BETTER if reason is Reason.CLEAR else "",
            )
        )
    return claims


def _sites(level: str, rows: Sequence[Row]) -> list[Claim]:
    """Which sites are predicted otherwise than the others, as an own thermometer makes it: a family."""
    adjusted = [float(row["p_family"]) for row in rows]
    reasons = [Reason.TOO_FEW_TANKS if math.isnan(p) else clear_or_not(p) for p in adjusted]
    judged = sum(reason is not Reason.TOO_FEW_TANKS for reason in reasons)
    return [
        Claim(
            ClaimKind.THERMOMETER,
            str(row["site_id"]),
            reason,
            level=level,
            reference=str(row["model"]),
            estimate=float(row["offset_days"]),
            low=float(row["offset_low"]),
            high=float(row["offset_high"]),
            unit="days",
            p_value=float(row["p_value"]),
            p_family=float(row["p_family"]),
            comparisons=judged,
            section=ANSWER if reason is Reason.CLEAR else "",
        )
        for row, reason in zip(rows, reasons, strict=True)
    ]


def _thermometers(level: str, rows: Sequence[Row]) -> list[Claim]:
    """Whether hand-read tanks differ from logger-read ones: the thermometers, not the model, are off then.

    The models of a stage, which ask it of the same tanks, are a family.
    """
    differences = [row for row in rows if row["read_by"] == HAND_LESS_LOGGER]
    adjusted, known = _family(differences)
    in_family = {row["model"]: p for row, p in zip(differences, adjusted, strict=True)}
    claims = []
    for model in dict.fromkeys(row["model"] for row in rows):
        of_model = [row for row in rows if row["model"] == model]
        found = [row for row in of_model if row["read_by"] == HAND_LESS_LOGGER]
        if found:
            row, reason = found[0], clear_or_not(in_family[model])
        else:
            row = min(of_model, key=lambda one: one["tanks"])
            row = {**row, **dict.fromkeys(("bias_days", "bias_low", "bias_high", "p_value"), float("nan"))}
            reason = Reason.TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else Reason.TOO_FEW_SITES
            if not row["tanks"]:
                reason = Reason.ONE_LEVEL
        claims.append(
            Claim(
                ClaimKind.THERMOMETER,
                model,
                reason,
                level=level,
                estimate=float(row["bias_days"]),
                low=float(row["bias_low"]),
                high=float(row["bias_high"]),
                unit="days",
                p_value=float(row["p_value"]),
                p_family=in_family.get(model, float("nan")),
                comparisons=known if found else 0,
                section=ANSWER,
            )
        )
    return claims
