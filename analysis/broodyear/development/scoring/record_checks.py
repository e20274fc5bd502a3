"""Records that cannot be right, found by comparing them with the others: units are left out, dates are named.

Two mistakes move a tank's development by far more than any model error: thermal units at delivery in °F (1.8 times
too many) or counted from delivery (nearly none), and dates with day and month swapped.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.likelihood.curve_likelihood import fractions, rates_on, start_values
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.shapes import Shape

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


def is_far_off(records: TankRecords) -> NDArray[np.bool_]:
    """True for tanks whose whole interval lies more than a third off a rough curve through all tanks' middles."""
    shape = Shape("exponential", 8.0)
    rate, _ = rates_on(shape, start_values(records, shape, False)[: shape.free], records.grid_c)
    _, absent, seen = fractions(records, rate)
    with np.errstate(divide="ignore"):
        low = np.log(np.maximum(absent, 1e-12))
        high = np.where(np.isfinite(records.seen_day), np.log(np.maximum(seen, 1e-12)), np.inf)
    return np.asarray(np.maximum(low, -high) > LARGEST_LOG_MISS)
