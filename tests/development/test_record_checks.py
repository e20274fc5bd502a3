"""Copied dates, impossible units, and rows from derived tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development.likelihood.tank_records import tank_records
from broodyear.development.scoring.record_checks import find_copied_dates, has_implausible_units, is_far_off
from broodyear.development.scoring.stage_data import stage_rows
from broodyear.errors import NothingToAnalyse

from .derived_frames import DELIVERED, daily_temperature, observed_stages, records, tank_seasons

SHEET_UNITS = 545.0


def _stages(copied: int, honest: int = 60, seed: int = 1) -> pd.DataFrame:
    """Half hatches: honest ones with a spread of 3 days and mostly a look before, and copies of a sheet."""
    rng = np.random.default_rng(seed)
    n = copied + honest
    units, set_point = rng.uniform(280, 330, n), rng.choice([7.5, 8.0, 8.5, 9.0], n)
    sheet = np.ceil((SHEET_UNITS - units) / set_point)
    is_copy = np.arange(n) < copied
    since = np.where(is_copy, sheet, sheet + np.round(rng.normal(1.0, 3.0, n)))
    seen = DELIVERED + pd.to_timedelta(since, unit="D")
    looked = seen - pd.Timedelta(days=1)
    has_look = ~is_copy & (rng.uniform(size=n) < 0.8)
    return pd.DataFrame(
        {
            "species": "chinook", "stage": "hatch_half", "dating": "seen", "delivered_on": DELIVERED,
            "first_seen_on": seen, "last_absent_on": looked.where(has_look),
            "units_at_delivery_c_days": units, "set_point_c": set_point, "is_copy": is_copy,
        }
    )  # fmt: skip


def test_undeclared_copies_give_themselves_away_together() -> None:
    rows = _stages(copied=15)
    found = find_copied_dates(rows)
    assert found.sheets["units_c_days"].tolist() == [SHEET_UNITS]
    assert found.is_suspected[rows["is_copy"]].all()
    assert found.is_suspected[~rows["is_copy"]].sum() <= 3  # honest dates without a look that fall on the sheet's
    assert found.sheets["left_out"].item() == found.is_suspected.sum()


@pytest.mark.parametrize("seed", range(8))
def test_honest_dates_are_left_alone(seed: int) -> None:
    found = find_copied_dates(_stages(copied=0, honest=120, seed=seed))
    assert found.sheets.empty
    assert not found.is_suspected.any()


def test_declared_copies_need_no_proof() -> None:
    rows = _stages(copied=2).assign(
        dating=lambda frame: np.where(frame["is_copy"], "copied_from_forecast", "seen")
    )
    found = find_copied_dates(rows)
    assert found.is_declared.tolist() == rows["is_copy"].tolist()


def test_units_in_fahrenheit_or_begun_at_delivery_are_implausible_but_a_late_lot_is_not() -> None:
    rows = pd.DataFrame(
        {
            "species": "coho",
            "stage_at_delivery": ["eyed"] * 12 + ["green"],
            "lot_id": ["a"] * 6 + ["late"] * 4 + ["a", "a", "a"],
            "units_at_delivery_c_days": [250.0, 255, 260, 245, 250, 252, 420, 425, 430, 422, 450, 12, 0],
        }
    )
    assert has_implausible_units(rows).tolist() == [False] * 10 + [True, True, False]


def test_a_wrong_date_is_far_off(simulate: Callable[..., Any]) -> None:
    made = simulate(2, tanks=60, batches=6)
    frame = made.frame.copy()
    wrong = [3, 17]
    frame.loc[wrong, ["absent_day", "seen_day"]] += 90.0
    found = is_far_off(tank_records(frame, made.daily))
    assert np.flatnonzero(found).tolist() == wrong


def test_rows_from_derived_tables_and_fits_count_days_on_one_clock() -> None:
    tanks = tank_seasons(1)
    seen = observed_stages(
        [
            {"first_seen_on": "2024-12-09", "last_absent_on": "2024-12-06", "absent_day": 28.3, "seen_day": 31.3,
             "day_share": 0.3},
            {"stage": "button_up", "first_seen_on": "2025-01-20", "absent_day": 0.0, "seen_day": 73.3,
             "day_share": 0.3},
        ]
    )  # fmt: skip
    rows = stage_rows(records(tanks, daily_temperature(tanks, 60, np.arange(60) / 10.0), seen))
    assert rows["absent_day"].tolist() == pytest.approx([28.3, 0.0])
    # Inside the likelihood the delivery day ends at 1.0 whatever was left of it: 6 December ends day 29.
    made = tank_records(rows.iloc[:1])
    assert (made.absent_day[0], made.seen_day[0]) == pytest.approx((29.0, 32.0))
    # Time spent in the water is what the clock says: 28.3 days to the last look without the stage.
    assert made.to_absent[0].sum() == pytest.approx(28.3)
    # The derived table as it stands gives the same, by its own column day_share.
    table = seen.iloc[:1].assign(daily_temp_c=rows["daily_temp_c"].iloc[:1].to_numpy())
    assert tank_records(table).to_absent[0].sum() == pytest.approx(28.3)
    assert rows["first_day_share"].tolist() == [0.3, 0.3]
    assert rows["daily_temp_c"].iloc[0][:3].tolist() == [0.0, 0.1, 0.2]
    assert rows["logger_pct"].iloc[0] == 100.0
    assert rows["tank_id"].iloc[0] == "2024/T00000"


def test_holes_and_records_begun_after_delivery() -> None:
    tanks = tank_seasons(2)
    daily = daily_temperature(tanks, 20)
    daily = daily[~((daily["tank_id"] == "T00000") & daily["day"].dt.day.isin([12, 13]))]
    daily = daily[~((daily["tank_id"] == "T00001") & (daily["day"] == DELIVERED))]
    seen = observed_stages([{"first_seen_on": "2024-11-20"}, {"tank_id": "T00001", "first_seen_on": "2024-11-20"}])
    rows = stage_rows(records(tanks, daily, seen))
    assert np.flatnonzero(np.isnan(rows["daily_temp_c"].iloc[0])).tolist() == [4, 5]
    assert rows["daily_temp_c"].iloc[1] is None
    with pytest.raises(NothingToAnalyse, match="no development stage"):
        stage_rows(records(tanks, daily))
