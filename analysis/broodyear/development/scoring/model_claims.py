"""What the scores show, as claims: which models are biased, which predict better, and whether readings are to
blame.

Every model is judged over all temperatures, by band and by donor stock, from its rows of scores.csv. Families,
each adjusted by Holm: the models of one species and stage over all temperatures; the bands of one model; its
stocks. What the unknown hour of looking can do is no finding: a bias must differ from all between −hour_days and
0, and one model be better than another whether the looks were early or late in their days. Between tanks read by
hand and by logger the hour cancels.
"""

from __future__ import annotations

from collections.abc import Iterable

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


def development_claims(
    scores: pd.DataFrame, comparisons: pd.DataFrame, thermometers: pd.DataFrame
) -> tuple[Claim, ...]:
    """Claims from scores, paired comparisons and thermometers, species by species and stage by stage."""
    main = scores[scores["scheme"] == MAIN_SCHEME]
    claims: list[Claim] = []
    for (species, stage), rows in main.groupby(["species", "stage"], sort=True):
        key = (str(species), str(stage))
        level = f"{key[0]} {key[1]}"
        claims += _biases(level, rows)
        claims += _better(level, _of(comparisons, key))
        claims += _thermometers(level, _of(thermometers, key))
    return tuple(claims)


def _of(frame: pd.DataFrame, key: tuple[str, str]) -> pd.DataFrame:
    return frame[(frame["species"] == key[0]) & (frame["stage"] == key[1])]


def _biases(level: str, rows: pd.DataFrame) -> list[Claim]:
    """The bias of every model over all temperatures, then by band and by stock."""
    is_whole = (rows["band"] == "all") & (rows["donor_stock"].fillna("") == "")
    whole = rows[is_whole & (rows["unscored"] != Reason.NOT_CONVERGED)]
    counted = whole[~whole["model"].map(is_own).astype(bool)]
    adjusted = dict(zip(counted.index, holm(counted["p_value"].to_numpy(dtype=float)), strict=True))
    claims = []
    for index, row in whole.iterrows():
        model = str(row["model"])
        others = rows[(rows["model"] == model) & ~is_whole]
        bands = _parts(level, others[others["donor_stock"].fillna("") == ""], "band")
        stocks = _parts(level, others[others["donor_stock"].fillna("") != ""], "donor_stock")
        p_family = adjusted.get(index, float("nan"))
        reason = Reason.STOCKS_DIFFER if _is_opposed(stocks) else _reason(row, p_family)
        section = ANSWER if not is_own(model) else ""
        claims += [_bias(row, level, reason, p_family, int(counted["p_value"].notna().sum()), section)]
        claims += [*bands, *stocks]
    return claims


def _parts(level: str, rows: pd.DataFrame, column: str) -> list[Claim]:
    """Claims on one model's bands or stocks, a family by themselves; only those that are clear are stated."""
    rows = rows[(rows["tanks"] > 0) | (rows["tanks_outside_tested"].fillna(0) > 0)]
    adjusted = dict(zip(rows.index, holm(rows["p_value"].to_numpy(dtype=float)), strict=True))
    known = int(rows["p_value"].notna().sum())
    claims = []
    for index, row in rows.iterrows():
        reason = _reason(row, adjusted[index])
        section = WHERE if reason is Reason.CLEAR else ""
        claims.append(_bias(row, f"{level} {row[column]}", reason, adjusted[index], known, section))
    return claims


def _is_opposed(stocks: Iterable[Claim]) -> bool:
    """Whether a model is late for one stock and early for another: clearly so, or by more than any batch is."""
    far = [one for one in stocks if one.is_claimed or abs(one.estimate) > FARTHEST_BATCH_DAYS]
    signs = {np.sign(claim.estimate) for claim in far}
    return {-1.0, 1.0} <= signs


def _reason(row: pd.Series, p_family: float) -> Reason:
    if is_own(str(row["model"])):
        return Reason.OWN_FIT
    if row["unscored"]:
        return Reason(row["unscored"])
    is_hour = row["bias_high"] < 0.0 and row["p_value"] > CLAIMED_AT
    return Reason.HOUR_OF_LOOKING if is_hour else clear_or_not(float(p_family))


def _bias(row: pd.Series, level: str, reason: Reason, p_family: float, comparisons: int, section: str) -> Claim:
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


def _better(level: str, rows: pd.DataFrame) -> list[Claim]:
    """Which of two models misses by fewer days on the same tanks; a family of all pairs of the stage.

    The subject of each claim is the one that misses by less, whichever of the two the row names first.
    """
    adjusted = dict(zip(rows.index, holm(rows["p_value"].to_numpy(dtype=float)), strict=True))
    known = int(rows["p_value"].notna().sum())
    claims = []
    for index, row in rows.iterrows():
        gain, low, high = (float(row[name]) for name in ("mae_gain_days", "mae_gain_low", "mae_gain_high"))
        reason = Reason.TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else clear_or_not(adjusted[index])
        if excludes_zero(low, high) and row["p_value"] > CLAIMED_AT:
            reason = Reason.HOUR_OF_LOOKING
        better, other = str(row["model"]), str(row["against"])
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
                p_family=adjusted[index],
                comparisons=known,
                section=BETTER if reason is Reason.CLEAR else "",
            )
        )
    return claims


def _thermometers(level: str, rows: pd.DataFrame) -> list[Claim]:
    """Whether hand-read tanks differ from logger-read ones: the thermometers, not the model, are off then."""
    claims = []
    for model, of_model in rows.groupby("model", sort=False):
        found = of_model[of_model["read_by"] == HAND_LESS_LOGGER]
        if len(found):
            row, reason = found.iloc[0], clear_or_not(float(found.iloc[0]["p_value"]))
        else:
            row = of_model.sort_values("tanks").iloc[0]
            row = row.where(~row.index.isin(["bias_days", "bias_low", "bias_high", "p_value"]), np.nan)
            reason = Reason.TOO_FEW_BATCHES if row["batches"] < FEWEST_BATCHES else Reason.TOO_FEW_SITES
        claims.append(
            Claim(
                ClaimKind.THERMOMETER,
                str(model),
                reason,
                level=level,
                estimate=float(row["bias_days"]),
                low=float(row["bias_low"]),
                high=float(row["bias_high"]),
                unit="days",
                p_value=float(row["p_value"]),
                p_family=float(row["p_value"]),
                comparisons=1 if len(found) else 0,
                section=ANSWER,
            )
        )
    return claims
