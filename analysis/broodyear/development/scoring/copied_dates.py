"""Dates that were copied from a forecast sheet instead of being seen.

Some say so (dating = copied_from_forecast). Others give themselves away together: a sheet counts constant units K
at the set point, so a copied date lies exactly ceil((K − units at delivery) / set point) days after delivery, and
nobody looked the day before. If, among the dates without an earlier look, far more agree exactly with one K than
lie a day before or after it, a sheet with that K was in use, and the agreeing dates are taken for copies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import bdtrc

Floats = NDArray[np.float64]

# Sheets use round numbers of units.
_STEP_C_DAYS = 5.0
# Agreement this improbable by chance, after counting every K tried, is copying.
LARGEST_CHANCE = 1e-3
FEWEST_AGREEING = 5


@dataclass(frozen=True)
class CopiedDates:
    """Which rows to leave out, and why.

    is_declared, is_suspected: by row of the frame; sheets: one row per sheet found, with species, stage,
    units_c_days, tanks (dates without an earlier look), agreeing, expected_by_chance (as many as a day off),
    chance (probability of so much agreement, times the sheets tried) and left_out.
    """

    is_declared: pd.Series
    is_suspected: pd.Series
    sheets: pd.DataFrame


def find_copied_dates(rows: pd.DataFrame) -> CopiedDates:
    """Declared and suspected copies among stage rows (see ``stage_rows``); needs dating, set_point_c and units."""
    is_declared = (rows["dating"] == "copied_from_forecast").fillna(False).astype(bool)
    is_suspected = pd.Series(False, index=rows.index)
    sheets = []
    for (species, stage), group in rows[~is_declared].groupby(["species", "stage"], sort=True):
        sheet = _sheet(group)
        if sheet is None:
            continue
        is_copy = (_days_off(group, np.array([sheet["units_c_days"]]))[0] == 0) & group["last_absent_on"].isna()
        is_suspected.loc[group.index[is_copy]] = True
        sheets.append({"species": species, "stage": stage, **sheet, "left_out": int(is_copy.sum())})
    columns = ["species", "stage", "units_c_days", "tanks", "agreeing", "expected_by_chance", "chance", "left_out"]
    return CopiedDates(is_declared, is_suspected, pd.DataFrame(sheets, columns=columns))


def _days_off(group: pd.DataFrame, units_c_days: Floats) -> Floats:
    """(sheets, n) whole days between each date and where sheets of these units put it."""
    delivered = group["units_at_delivery_c_days"].to_numpy(dtype=float)
    left = np.maximum(units_c_days[:, None] - delivered, 0.0)
    # Rounded first: 240 units at 8 °C are 30 days, not 31 because of the last bit of a division.
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.ceil(np.round(left / group["set_point_c"].to_numpy(dtype=float), 6))
    return np.asarray(_days_since_delivery(group) - days, dtype=float)


def _days_since_delivery(group: pd.DataFrame) -> Floats:
    since = pd.to_datetime(group["first_seen_on"]) - pd.to_datetime(group["delivered_on"])
    return np.asarray(since.dt.days, dtype=float)


def _sheet(group: pd.DataFrame) -> dict[str, float] | None:
    """The sheet that stands out among round numbers of units, or None."""
    known = group.dropna(subset=["units_at_delivery_c_days", "set_point_c", "delivered_on"])
    known = known[(known["set_point_c"].astype(float) > 0) & known["last_absent_on"].isna()]
    if len(known) < FEWEST_AGREEING:
        return None
    units, set_point = (known[name].to_numpy(dtype=float) for name in ("units_at_delivery_c_days", "set_point_c"))
    low, high = np.quantile(units + _days_since_delivery(known) * set_point, [0.1, 0.9])
    tried = np.arange(np.floor(low / _STEP_C_DAYS), np.ceil(high / _STEP_C_DAYS) + 1) * _STEP_C_DAYS
    off = _days_off(known, tried)
    agreeing = (off == 0).sum(axis=1)
    best = int(agreeing.argmax())
    by_chance = max(float((off[best] == -1).sum()), float((off[best] == 1).sum()), 0.5)
    chance = float(bdtrc(agreeing[best] - 1, len(known), min(by_chance / len(known), 1.0))) * len(tried)
    if agreeing[best] < FEWEST_AGREEING or chance > LARGEST_CHANCE:
        return None
    return {
        "units_c_days": float(tried[best]),
        "tanks": len(known),
        "agreeing": int(agreeing[best]),
        "expected_by_chance": by_chance,
        "chance": chance,
    }
