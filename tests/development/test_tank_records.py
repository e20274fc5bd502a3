"""Tank records made ready: sums of rates, ways of giving temperatures, and what is left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development.likelihood.curve_likelihood import fractions
from broodyear.development.likelihood.tank_records import tank_records
from broodyear.development.models.forms import Curve
from broodyear.errors import NothingToAnalyse, UsageError

DRAWN = Curve("c", "log_inverse", {"ln_a": 9.41, "b": -1.9365, "c": -6.28}, 0.0, 20.0)
# Rates are interpolated on a grid of 0.05 °C.
GRID_ERROR = 2e-5


def _rows(**columns: Any) -> pd.DataFrame:
    base = {"tank_id": ["a", "b"], "batch_id": ["x", "y"], "absent_day": [20.0, 22.5], "seen_day": [21.0, 25.0]}
    return pd.DataFrame({**base, **columns})


def _temps(seed: int = 1) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {"a": rng.uniform(3, 12, 40), "b": rng.uniform(3, 12, 60)}


def test_fractions_are_the_sums_of_daily_rates() -> None:
    temps = _temps()
    records = tank_records(
        _rows(
            units_at_delivery_c_days=[280.0, 0.0], hatchery_temp_c=[9.3, np.nan], first_day_share=[0.4, 1.0],
            absent_day=[19.4, 22.5], seen_day=[20.4, 25.0],
        ),
        temps,
    )  # fmt: skip
    start, absent, seen = fractions(records, DRAWN.rate(records.grid_c))
    rate = DRAWN.rate(temps["a"])
    assert start[0] == pytest.approx(280.0 / 9.3 / DRAWN.days(9.3), rel=GRID_ERROR)
    assert start[1] == 0.0
    assert absent[0] - start[0] == pytest.approx(0.4 * rate[0] + rate[1:20].sum(), rel=GRID_ERROR)
    half_day = DRAWN.rate(temps["b"])[:22].sum() + 0.5 * DRAWN.rate(temps["b"])[22]
    assert absent[1] == pytest.approx(half_day, rel=GRID_ERROR)
    assert seen[1] == pytest.approx(DRAWN.rate(temps["b"])[:25].sum(), rel=GRID_ERROR)
    assert records.mean_temp_c[0] == pytest.approx(temps["a"][:21].mean())


def test_temperatures_may_come_in_any_of_five_ways() -> None:
    temps = _temps()
    long = pd.concat(
        [pd.DataFrame({"tank_id": key, "day": np.arange(1, len(v) + 1), "temp_c": v}) for key, v in temps.items()]
    )
    ways = [
        tank_records(_rows(), temps),
        tank_records(_rows(), long),
        tank_records(_rows(), long.assign(day=long["day"] - 1)),
        tank_records(_rows(daily_temp_c=pd.Series([temps["a"], temps["b"]], dtype=object))),
        tank_records(_rows().merge(long, on="tank_id")),
        tank_records(_rows(), [temps["a"], temps["b"]]),
    ]
    for other in ways[1:]:
        np.testing.assert_allclose(other.to_seen, ways[0].to_seen)
        np.testing.assert_allclose(other.to_absent, ways[0].to_absent)


def test_one_number_is_a_constant_temperature() -> None:
    records = tank_records(_rows(temp_c=[8.0, 6.0]))
    _, _, seen = fractions(records, DRAWN.rate(records.grid_c))
    np.testing.assert_allclose(seen, [21.0 / DRAWN.days(8.0), 25.0 / DRAWN.days(6.0)], rtol=GRID_ERROR)


def test_what_cannot_be_used_is_counted_by_reason() -> None:
    temps = {key: np.full(40, 8.0) for key in "abcdefgh"}
    temps["d"] = np.full(10, 8.0)
    temps["e"][5:20] = np.nan
    frame = pd.DataFrame(
        {
            "tank_id": list("abcdefgh"),
            "batch_id": "x",
            "absent_day": [20.0, 20, -5, 20, 20, np.nan, np.nan, 23],
            "seen_day": [22.0, 22, -2, 22, 22, np.nan, 22, 22],
            "dating": ["seen", "copied_from_forecast", *["seen"] * 6],
        }
    )
    records = tank_records(frame, temps)
    assert records.tank_id.tolist() == ["a", "g"]
    assert records.rows_given == 8
    assert dict(records.left_out) == {
        "date copied from a forecast": 1,
        "stage before delivery": 1,
        "temperatures end before the event": 1,
        "more than 20 % of the days without a temperature": 1,
        "no date of the stage": 1,
        "seen on or before the day it was last absent": 1,
    }
    assert records.absent_day[1] == 0.0  # nobody had looked since delivery


def test_short_gaps_are_filled_by_a_line() -> None:
    temps = np.full(30, 8.0)
    temps[10] = 10.0
    temps[11:13] = np.nan
    temps[13] = 7.0
    records = tank_records(_rows().iloc[:1], {"a": temps})
    assert records.temps[0][11:13].tolist() == [9.0, 8.0]


def test_a_tank_that_ended_first_is_right_censored() -> None:
    records = tank_records(_rows(seen_day=[np.nan, 25.0]), _temps())
    assert np.isinf(records.seen_day[0])
    assert records.seen_day[1] == 25.0


def test_messages_name_what_is_missing() -> None:
    with pytest.raises(UsageError, match="'seen_day' is missing"):
        tank_records(_rows().drop(columns="seen_day"), _temps())
    with pytest.raises(UsageError, match="pass daily="):
        tank_records(_rows())
    with pytest.raises(UsageError, match="2 rows of daily temperatures were given for 1 tanks"):
        tank_records(_rows().iloc[:1], [np.ones(3), np.ones(3)])
    with pytest.raises(NothingToAnalyse, match="none of the 2 tanks can be used: no temperatures: 2"):
        tank_records(_rows(), {})
    with pytest.raises(UsageError, match="counts whole days"):
        tank_records(_rows(), pd.DataFrame({"tank_id": ["a"], "day": [1.5], "temp_c": [8.0]}))
    with pytest.raises(UsageError, match="below 0"):
        tank_records(_rows(fraction_at_start=[-0.1, 0.5]), _temps())


def test_units_that_no_eggs_have_are_left_out_with_their_reason() -> None:
    rows = _rows(units_at_delivery_c_days=[3000.0, 3000.1], hatchery_temp_c=8.0)
    records = tank_records(rows, _temps())
    assert list(records.tank_id) == ["a"]
    assert dict(records.left_out) == {"thermal units at delivery above 3000 °C·d": 1}
    with pytest.raises(NothingToAnalyse, match="above 3000 °C·d: 2"):
        tank_records(rows.assign(units_at_delivery_c_days=1e9), _temps())
