"""Records that cannot be right, found by comparing them with the others: left out, or named.

Two mistakes move a tank's development by far more than any model error: thermal units at delivery in °F (1.8 times
too many) or counted from delivery (nearly none), and dates with day and month swapped.

Dates that were copied from a forecast sheet are left out. Some say so (dating = copied_from_forecast). Others give
themselves away together: a sheet counts constant units K at the set point, so a copied date lies exactly
ceil((K − units at delivery) / set point) days after delivery, and nobody looked the day before. If, among the
dates without an earlier look, far more agree exactly with one K than lie a day before or after it, a sheet with
that K was in use, and the agreeing dates are taken for copies.

Stages left out because temperatures were not read for long come with what would have kept each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import bdtrc

from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.curve_fits import start_values
from broodyear.development.likelihood.curve_likelihood import fractions, rates_on
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.forms import Shape

# Eyed eggs of one species come with units within a third or so of each other; 1.8 times as many is °F, and under
# half is a count begun at delivery.
FEWEST_UNITS_RATIO, MOST_UNITS_RATIO = 0.5, 1.55
FEWEST_IN_LOT = 3
# Batches differ by about 3 % and single families by 10 %; a third is a wrong date, not a slow batch.
LARGEST_LOG_MISS = 0.33

UNITS_REASON = "thermal units at delivery unlike those of other eyed eggs of the species: in °F, or counted anew"


def has_implausible_units(rows: pd.DataFrame) -> pd.Series:
    """True for eyed deliveries whose thermal units are far from those of their species and of their lot.

    rows: species, stage_at_delivery, lot_id, units_at_delivery_c_days. Compared with the medians of the species
    and, where three tanks or more shared it, of the lot: a whole lot may travel late, one tank of it may not.
    False where stage or units are not known.
    """
    units = pd.to_numeric(rows["units_at_delivery_c_days"]).astype(float)
    eyed = units.where(rows["stage_at_delivery"] == "eyed")
    is_odd = _is_off(eyed / eyed.groupby(rows["species"]).transform("median"))
    lots = eyed.groupby(rows["lot_id"])
    is_like_its_lot = (lots.transform("count") >= FEWEST_IN_LOT) & ~_is_off(eyed / lots.transform("median"))
    implausible: pd.Series = is_odd & ~is_like_its_lot.fillna(False).astype(bool)
    return implausible


def _is_off(ratio: pd.Series) -> pd.Series:
    off: pd.Series = (ratio < FEWEST_UNITS_RATIO) | (ratio > MOST_UNITS_RATIO)
    return off


def is_far_off(records: TankRecords) -> Masks:
    """True for tanks whose whole interval lies more than a third off a rough curve through all tanks' middles."""
    shape = Shape("exponential", 8.0)
    rate, _ = rates_on(shape, start_values(records, shape, False)[: shape.free], records.grid_c)
    _, absent, seen = fractions(records, rate)
    with np.errstate(divide="ignore"):
        low = np.log(np.maximum(absent, 1e-12))
        high = np.where(np.isfinite(records.seen_day), np.log(np.maximum(seen, 1e-12)), np.inf)
    return np.asarray(np.maximum(low, -high) > LARGEST_LOG_MISS)


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
    units, set_point = rows["units_at_delivery_c_days"].notna(), pd.to_numeric(rows["set_point_c"]) > 0
    is_known = units & set_point.fillna(False) & rows["delivered_on"].notna()
    sheets = []
    unlooked = rows[~is_declared & is_known & rows["last_absent_on"].isna()]
    for (species, stage), group in unlooked.groupby(["species", "stage"], sort=True):
        sheet = _sheet(group) if len(group) >= FEWEST_AGREEING else None
        if sheet is None:
            continue
        is_copy = _days_off(group, np.array([sheet["units_c_days"]]))[0] == 0
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


def _sheet(known: pd.DataFrame) -> dict[str, float] | None:
    """The sheet that stands out among round numbers of units, or None."""
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


# As the table observed_stages says it.
GAP_REASON = "too many days without readings"
GAP_COLUMNS = (
    "species", "stage", "season", "tank_id", "first_seen_on", "not_read_pct", "gap_se_days", "gap_from", "gap_to",
    "readings_wanted", "would_have_kept",
)  # fmt: skip


def left_out_for_gaps(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per stage left out for its gaps: GAP_COLUMNS. rows: as ``stage_rows`` gives them.

    would_have_kept: in words, about how many readings in the longest gap would have made its error small enough.
    """
    found = rows[rows["why_not"] == GAP_REASON] if "gap_from" in rows else rows.iloc[:0]
    named = found.assign(tank_id=found.get("tank_label", found["tank_id"]), would_have_kept=None)
    if len(named):
        named["would_have_kept"] = [_in_words(row) for row in named.to_dict("records")]
    return named.reindex(columns=GAP_COLUMNS).reset_index(drop=True)


def _in_words(row: Mapping[Any, Any]) -> str:
    wanted = row["readings_wanted"]
    if pd.isna(row["gap_from"]) or pd.isna(row["gap_se_days"]):
        return "a reading on some days, or the set point"
    readings = "one reading" if wanted == 1 else f"{wanted:.0f} readings, spread"
    return f"{readings} between {str(row['gap_from'])[:10]} and {str(row['gap_to'])[:10]}"
