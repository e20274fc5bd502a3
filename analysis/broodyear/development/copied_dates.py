"""Dates that were copied from a forecast sheet instead of being seen.

Some say so (dating = copied_from_forecast). Others give themselves away together: a sheet counts constant units K
at the set point, so a copied date lies exactly ceil((K − units at delivery) / set point) days after delivery. If
far more tanks agree exactly with one K than with the K's beside it, a sheet with that K was in use; the agreeing
tanks with no recorded look before the date are then taken for copies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import bdtrc

# Sheets use round numbers of units.
_STEP_C_DAYS = 5.0
# Neighbours at which agreement is by chance: far enough off to share no day, near enough to share the dates.
_NEIGHBOURS_C_DAYS = (-35.0, -25.0, -15.0, 15.0, 25.0, 35.0)
# Agreement this improbable by chance, after counting every K tried, is copying.
LARGEST_CHANCE = 1e-3
FEWEST_AGREEING = 5


@dataclass(frozen=True)
class CopiedDates:
    """Which rows to leave out, and why.

    is_declared, is_suspected: by row of the frame; sheets: frame species, stage, units_c_days, tanks, agreeing,
    expected_by_chance, chance, left_out: one row per sheet found.
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
        is_copy = _agrees(group, sheet["units_c_days"]) & group["last_absent_on"].isna()
        is_suspected.loc[group.index[is_copy]] = True
        sheets.append({"species": species, "stage": stage, **sheet, "left_out": int(is_copy.sum())})
    columns = ["species", "stage", "units_c_days", "tanks", "agreeing", "expected_by_chance", "chance", "left_out"]
    return CopiedDates(is_declared, is_suspected, pd.DataFrame(sheets, columns=columns))


def _agrees(group: pd.DataFrame, units_c_days: float) -> pd.Series:
    """True where the date lies exactly where a sheet of these units puts it."""
    left = np.maximum(units_c_days - group["units_at_delivery_c_days"].astype(float), 0.0)
    # Rounded first: 240 units at 8 °C are 30 days, not 31 because of the last bit of a division.
    days = np.ceil(np.round(left / group["set_point_c"].astype(float), 6))
    since = (pd.to_datetime(group["first_seen_on"]) - pd.to_datetime(group["delivered_on"])).dt.days
    agrees: pd.Series = (since == days).fillna(False).astype(bool)
    return agrees


def _sheet(group: pd.DataFrame) -> dict[str, float] | None:
    """The sheet that stands out among round numbers of units, or None."""
    known = group.dropna(subset=["units_at_delivery_c_days", "set_point_c", "delivered_on"])
    known = known[known["set_point_c"].astype(float) > 0]
    if len(known) < 2 * FEWEST_AGREEING:
        return None
    since = (pd.to_datetime(known["first_seen_on"]) - pd.to_datetime(known["delivered_on"])).dt.days
    implied = known["units_at_delivery_c_days"].astype(float) + since * known["set_point_c"].astype(float)
    low, high = implied.quantile([0.02, 0.98])
    tried = np.arange(np.floor(low / _STEP_C_DAYS), np.ceil(high / _STEP_C_DAYS) + 1) * _STEP_C_DAYS
    agreeing = np.array([int(_agrees(known, units).sum()) for units in tried])
    best = int(agreeing.argmax())
    by_chance = float(np.mean([_agrees(known, tried[best] + off).sum() for off in _NEIGHBOURS_C_DAYS]))
    share = min(max(by_chance, 0.5) / len(known), 1.0)
    chance = float(bdtrc(agreeing[best] - 1, len(known), share)) * len(tried)
    if agreeing[best] < FEWEST_AGREEING or chance > LARGEST_CHANCE:
        return None
    return {
        "units_c_days": float(tried[best]),
        "tanks": len(known),
        "agreeing": int(agreeing[best]),
        "expected_by_chance": by_chance,
        "chance": chance,
    }
