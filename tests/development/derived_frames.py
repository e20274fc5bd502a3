"""Small derived tables for forecasts, as the queries make them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

DELIVERED = pd.Timestamp("2024-11-08")
OBSERVED_COLUMNS = [
    "season", "tank_id", "batch_id", "species", "stage", "last_absent_on", "first_seen_on", "dating",
    "delivered_on", "day_share", "absent_day", "seen_day", "units_at_delivery_c_days", "hatchery_temp_c",
    "usable", "why_not",
]  # fmt: skip


def tank_seasons(tanks: int = 1, **columns: Any) -> pd.DataFrame:
    """Eyed chinook delivered on one day, 300 units at 8 °C, set point 8 °C, unless columns say otherwise."""
    base = pd.DataFrame(
        {
            "season": 2024,
            "tank_id": [f"T{i:05d}" for i in range(tanks)],
            "site_id": "s1",
            "region": "r1",
            "species": "chinook",
            "batch_id": [f"b{i % 12}" for i in range(tanks)],
            "lot_id": "l1",
            "donor_stock": "ds1",
            "weekend_access": False,
            "delivered_on": DELIVERED,
            "stage_at_delivery": "eyed",
            "units_at_delivery_c_days": 300.0,
            "hatchery_temp_c": 8.0,
            "set_point_c": 8.0,
            "closed_on": pd.NaT,
        }
    )
    return base.assign(**columns)


def daily_temperature(tanks: pd.DataFrame, days: int, temp_c: Any = 8.0, **columns: Any) -> pd.DataFrame:
    """Daily means from the delivery on; temp_c: one value, or (tanks, days)."""
    n = len(tanks)
    dates = pd.date_range(DELIVERED, periods=days)
    base = pd.DataFrame(
        {
            "season": 2024,
            "tank_id": np.repeat(tanks["tank_id"].to_numpy(), days),
            "day": np.tile(dates.to_numpy(), n),
            "water_temp_c": np.broadcast_to(temp_c, (n, days)).ravel(),
            "instrument": "logger",
            "source": "observed",
            "se_c": 0.0,
        }
    )
    return base.assign(**columns)


def observed_stages(rows: list[dict[str, Any]] | None = None) -> pd.DataFrame:
    """Observed stages; each row names what differs from a usable half hatch of the first tank."""
    usual = {
        "season": 2024, "tank_id": "T00000", "batch_id": "b0", "species": "chinook", "stage": "hatch_half",
        "last_absent_on": pd.NaT, "first_seen_on": pd.NaT, "dating": "seen", "delivered_on": DELIVERED,
        "day_share": 0.5, "absent_day": 0.0, "seen_day": 1.0, "units_at_delivery_c_days": 300.0,
        "hatchery_temp_c": 8.0, "usable": True, "why_not": None,
    }  # fmt: skip
    frame = pd.DataFrame([{**usual, **row} for row in rows or [{}]], columns=OBSERVED_COLUMNS)
    for name in ("last_absent_on", "first_seen_on", "delivered_on"):
        frame[name] = pd.to_datetime(frame[name])
    return frame if rows else frame.iloc[:0]


def records(
    tanks: pd.DataFrame, daily: pd.DataFrame, observed: pd.DataFrame | None = None
) -> dict[str, pd.DataFrame]:
    """The mapping that forecasts and scores take."""
    seen = observed_stages() if observed is None else observed
    return {"tank_seasons": tanks, "daily_temperature": daily, "observed_stages": seen}
